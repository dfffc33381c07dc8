// How is a line to the daemon written?
//
//     [{"bn":"b1-","n":"seq","v":7},{"n":"up","u":"s","v":12.250}, ... ] <CRC-32, 8 lowercase hex> LF
//
// Written into a buffer and handed to Serial piece by piece, as its own small buffer empties, so that nothing waits.

#pragma once

#include <Arduino.h>

#define BASE_NAME "b1-"  // what this board's names begin with: give each board its own

// CRC-32 of ITU-T V.42 (zlib's), four bits at a time.
inline uint32_t crc32(const char *bytes, uint8_t count) {
  static const uint32_t NIBBLES[16] PROGMEM = {
    0x00000000, 0x1DB71064, 0x3B6E20C8, 0x26D930AC, 0x76DC4190, 0x6B6B51F4, 0x4DB26158, 0x5005713C,
    0xEDB88320, 0xF00F9344, 0xD6D6A3E8, 0xCB61B38C, 0x9B64C2B0, 0x86D3D2D4, 0xA00AE278, 0xBDBDF21C,
  };
  uint32_t crc = 0xFFFFFFFF;

  while (count--) {
    crc ^= (uint8_t)*bytes++;
    crc = crc >> 4 ^ pgm_read_dword(&NIBBLES[crc & 15]);
    crc = crc >> 4 ^ pgm_read_dword(&NIBBLES[crc & 15]);
  }
  return ~crc;
}

class Line {
 public:
  static const uint8_t MOST = 230;  // bytes, LF counted: 20 ms at 115200 baud

  bool isSent() const { return sent_ == length_; }

  void begin(uint32_t upQuarters, uint8_t ms) {
    uint16_t fraction = (upQuarters & 3) * 250 + ms;

    length_ = sent_ = 0;
    text(F("[{\"bn\":\"" BASE_NAME "\",\"n\":\"seq\",\"v\":"));
    digits(nextSeq_++);
    text(F("},{\"n\":\"up\",\"u\":\"s\",\"v\":"));
    digits(upQuarters >> 2);
    put('.');
    put('0' + fraction / 100);
    put('0' + fraction / 10 % 10);
    put('0' + fraction % 10);
    put('}');
  }

  // A number scaled by 10^decimals.
  void number(const __FlashStringHelper *name, const __FlashStringHelper *unit, int32_t scaled, uint8_t decimals) {
    begin(name, unit);
    if (scaled < 0) {
      put('-');
      scaled = -scaled;
    }
    uint16_t one = decimals == 4 ? 10000 : decimals == 2 ? 100 : 1;
    digits(scaled / one);
    if (decimals) {
      uint16_t rest = scaled % one;
      put('.');
      for (uint16_t power = one / 10; power; power /= 10) put('0' + rest / power % 10);
    }
    put('}');
  }

  void count(const __FlashStringHelper *name, uint32_t value) {
    begin(name, nullptr);
    digits(value);
    put('}');
  }

  void fault(const __FlashStringHelper *channel, const __FlashStringHelper *what) {
    text(F(",{\"n\":\"fault\",\"vs\":\""));
    text(channel);
    put(' ');
    text(what);
    text(F("\"}"));
  }

  void end() {
    put(']');
    uint32_t crc = crc32(buffer_, length_);
    put(' ');
    for (int8_t shift = 28; shift >= 0; shift -= 4) {
      uint8_t nibble = crc >> shift & 15;
      put(nibble < 10 ? '0' + nibble : 'a' + nibble - 10);
    }
    put('\n');
  }

  void comment(const __FlashStringHelper *head, const __FlashStringHelper *rest) {
    length_ = sent_ = 0;
    text(F("# "));
    text(head);
    text(rest);
    put('\n');
  }

  // Hand on what Serial has room for.
  void pump() {
    uint8_t room = Serial.availableForWrite(), left = length_ - sent_;
    uint8_t now = left < room ? left : room;

    if (now) Serial.write(buffer_ + sent_, now);
    sent_ += now;
  }

 private:
  void put(char c) {
    if (length_ < MOST) buffer_[length_++] = c;
  }

  void text(const __FlashStringHelper *words) {
    PGM_P at = reinterpret_cast<PGM_P>(words);
    for (char c = pgm_read_byte(at); c; c = pgm_read_byte(++at)) put(c);
  }

  void digits(uint32_t value) {
    char text[11];
    ultoa(value, text, 10);
    for (const char *c = text; *c; c++) put(*c);
  }

  void begin(const __FlashStringHelper *name, const __FlashStringHelper *unit) {
    text(F(",{\"n\":\""));
    text(name);
    if (unit) {
      text(F("\",\"u\":\""));
      text(unit);
    }
    text(F("\",\"v\":"));
  }

  char buffer_[MOST];
  uint8_t length_ = 0, sent_ = 0;
  uint32_t nextSeq_ = 0;
};
