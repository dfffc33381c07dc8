// What does the daemon want of lamp and buzzer?  Lines like the board's own, the other way: see ../README.md.
//
// A line is read wholly or refused wholly: checksum first, then every record, and only then is anything done.

#pragma once

#include <Arduino.h>

#include "line.h"
#include "signals.h"

class Orders {
 public:
  explicit Orders(Signals &signals) : signals_(signals) {}

  uint32_t taken = 0;
  const __FlashStringHelper *why = nullptr;  // the last one refused, until told

  void take() {
    for (int c = Serial.read(); c >= 0; c = Serial.read()) {
      if (c == '\n') {
        if (length_ && text_[length_ - 1] == '\r') length_--;
        if (length_ || tooLong_) judge();
        length_ = 0;
        tooLong_ = false;
      } else if (length_ < MOST && c != 0) {
        text_[length_++] = c;
      } else {
        tooLong_ = true;
      }
    }
  }

 private:
  static const uint8_t MOST = 160;  // bytes of an order, LF not counted
  static const uint8_t TRAILER = 9;
  static const uint16_t NO_NUMBER = 0xFFFF, MS_MOST = 5000;

  struct Order {
    bool lampSet, tick;
    uint8_t lamp, noteCount;
    Note notes[Signals::NOTES_MOST];
  };

  void judge() {
    Order order = {};

    const __FlashStringHelper *problem =
      tooLong_ ? F("too long") : !isWhole() ? F("checksum") : !line(order) ? F("not understood") : nullptr;
    if (problem) {
      why = problem;
      return;
    }
    signals_.heard();
    if (order.lampSet) signals_.lamp(order.lamp);
    if (order.noteCount) signals_.play(order.notes, order.noteCount);
    if (order.tick) signals_.tick();
    taken++;
  }

  // Is the trailer right?  Cuts it off.
  bool isWhole() {
    if (length_ <= TRAILER) return false;
    uint8_t body = length_ - TRAILER;
    uint32_t told = 0;

    for (uint8_t i = body + 1; i < length_; i++) {
      char c = text_[i];
      if (!((c >= '0' && c <= '9') || (c >= 'a' && c <= 'f'))) return false;
      told = told << 4 | (c <= '9' ? c - '0' : c - 'a' + 10);
    }
    if (text_[body] != ' ' || told != crc32(text_, body)) return false;
    text_[body] = 0;
    return true;
  }

  bool line(Order &order) {
    at_ = text_;
    if (!eat(PSTR("[{\"bn\":\"" BASE_NAME "\","))) return false;
    do {
      if (!record(order)) return false;
    } while (eat(PSTR(",{")));
    return eat(PSTR("]")) && *at_ == 0;
  }

  bool record(Order &order) {
    if (eat(PSTR("\"n\":\"lamp\",\"v\":"))) {
      uint16_t mode = number();
      if (order.lampSet || mode >= LAMP_MODES) return false;
      order.lampSet = true;
      order.lamp = mode;
      return eat(PSTR("}"));
    }
    if (eat(PSTR("\"n\":\"tone\",\"vs\":\""))) return !order.noteCount && notes(order) && eat(PSTR("\"}"));
    if (eat(PSTR("\"n\":\"tick\",\"v\":1}"))) {
      if (order.tick) return false;
      return order.tick = true;
    }
    return false;
  }

  // "880:200,0:100": hertz and milliseconds of each note, 0 Hz a rest.
  bool notes(Order &order) {
    do {
      if (order.noteCount == Signals::NOTES_MOST) return false;
      Note &note = order.notes[order.noteCount++];
      note.hz = number();
      if (!eat(PSTR(":"))) return false;
      uint16_t ms = number();
      if ((note.hz && note.hz < Signals::HZ_LEAST) || note.hz > Signals::HZ_MOST) return false;
      if (ms == 0 || ms > MS_MOST) return false;
      note.slots = (ms + 4) / 5;
    } while (eat(PSTR(",")));
    return true;
  }

  // One to five digits, no needless zero in front.
  uint16_t number() {
    const char *begin = at_;
    uint32_t value = 0;

    while (*at_ >= '0' && *at_ <= '9' && at_ - begin < 5) value = value * 10 + (*at_++ - '0');
    uint8_t digits = at_ - begin;
    return digits == 0 || (digits > 1 && *begin == '0') || value > NO_NUMBER ? NO_NUMBER : value;
  }

  bool eat(PGM_P words) {
    size_t size = strlen_P(words);
    if (strncmp_P(at_, words, size) != 0) return false;
    at_ += size;
    return true;
  }

  Signals &signals_;
  char text_[MOST + 1];
  const char *at_ = text_;
  uint8_t length_ = 0;
  bool tooLong_ = false;
};
