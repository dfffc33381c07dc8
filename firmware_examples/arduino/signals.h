// What do lamp and buzzer do just now?  Signals only: they move nothing, and mean only what the daemon means.
//
// When no order has come for half a minute the lamp gives one short flash every three seconds, whatever it showed
// before: a lamp left burning by a daemon that died would be a lie.

#pragma once

#include <Arduino.h>

struct Note {
  uint16_t hz;  // 0 = a rest
  uint16_t slots;
};

enum LampMode : uint8_t { LAMP_OFF, LAMP_ON, LAMP_SLOW, LAMP_FAST, LAMP_MODES };

class Signals {
 public:
  static const uint8_t NOTES_MOST = 8;
  static const uint16_t HZ_LEAST = 150, HZ_MOST = 5000;
  static const uint16_t A_SECOND = 200, UNHEARD = 30 * A_SECOND;  // slots of 5 ms

  Signals(uint8_t lamp, uint8_t buzzer) : lampPin_(lamp), buzzerPin_(buzzer) {}

  void begin() {
    pinMode(lampPin_, OUTPUT);
    pinMode(buzzerPin_, OUTPUT);
  }

  void heard() { unheard_ = 0; }
  void lamp(uint8_t mode) { mode_ = mode; }

  void play(const Note *notes, uint8_t count) {
    for (uint8_t i = 0; i < count; i++) tune_[i] = notes[i];
    count_ = count;
    at_ = 0;
    beginNote();
  }

  void tick() {
    static const Note CLICK = {2000, 2};  // 10 ms: soft
    if (left_ == 0) play(&CLICK, 1);     // a tune says more than a tick
    flash_ = FLASH;
  }

  // Once each 5 ms.
  void step() {
    blink_ = blink_ + 1 == 3 * A_SECOND ? 0 : blink_ + 1;
    if (unheard_ < UNHEARD) unheard_++;
    if (left_ && --left_ == 0) beginNote();
    bool lit = isLit();
    if (flash_) {  // a tick shows as a change, lit or dark
      flash_--;
      lit = !lit;
    }
    if (lit != shown_) digitalWrite(lampPin_, lit);
    shown_ = lit;
  }

 private:
  static const uint8_t FLASH = 12;  // 60 ms

  void beginNote() {
    if (at_ == count_) return noTone(buzzerPin_);
    if (tune_[at_].hz) {
      tone(buzzerPin_, tune_[at_].hz);
    } else {
      noTone(buzzerPin_);
    }
    left_ = tune_[at_++].slots;
  }

  bool isLit() const {
    if (unheard_ >= UNHEARD) return blink_ < FLASH;
    switch (mode_) {
      case LAMP_ON: return true;
      case LAMP_SLOW: return blink_ % A_SECOND < A_SECOND / 2;
      case LAMP_FAST: return blink_ % (A_SECOND / 4) < A_SECOND / 8;
      default: return false;
    }
  }

  Note tune_[NOTES_MOST];
  uint16_t left_ = 0, blink_ = 0, unheard_ = UNHEARD;
  uint8_t lampPin_, buzzerPin_, count_ = 0, at_ = 0, mode_ = LAMP_OFF, flash_ = 0;
  bool shown_ = false;
};
