// How did the foot tread?  Short, long, double: debounced, told apart and counted here, where no byte can be lost.
//
//     UP --down--> FIRST --0.6 s--> (long) HELD --up--> UP
//                  FIRST --up--> BETWEEN --down--> (double) HELD
//                                BETWEEN --0.35 s--> (short) UP

#pragma once

#include <Arduino.h>

class Foot {
 public:
  explicit Foot(uint8_t pin) : pin_(pin) {}

  void begin() {
    pinMode(pin_, INPUT_PULLUP);
  }

  // Once each 5 ms.  True when a press was counted just now.
  bool step() {
    debounce();
    if (slots_ < 255) slots_++;
    switch (phase_) {
      case UP:
        if (down_) enter(FIRST);
        return false;
      case FIRST:
        if (!down_) return enter(BETWEEN), false;
        return slots_ >= LONG_SLOTS && counted(longs, HELD);
      case BETWEEN:
        if (down_) return counted(doubles, HELD);
        return slots_ >= DOUBLE_SLOTS && counted(shorts, UP);
      default:
        if (!down_) enter(UP);
        return false;
    }
  }

  uint32_t shorts = 0, longs = 0, doubles = 0;

 private:
  enum Phase : uint8_t { UP, FIRST, BETWEEN, HELD };
  static const uint8_t DEBOUNCE_SLOTS = 4;   // 20 ms the same: contacts bounce for less (common practice, no source)
  static const uint8_t LONG_SLOTS = 120;     // 0.6 s, told while still held
  static const uint8_t DOUBLE_SLOTS = 70;    // 0.35 s from the first tread's end to the second's begin

  bool isClosed() const { return digitalRead(pin_) == LOW; }

  void debounce() {
    other_ = isClosed() == down_ ? 0 : other_ + 1;
    if (other_ == DEBOUNCE_SLOTS) {
      down_ = !down_;
      other_ = 0;
    }
  }

  void enter(Phase next) {
    phase_ = next;
    slots_ = 0;
  }

  bool counted(uint32_t &count, Phase next) {
    count++;
    enter(next);
    return true;
  }

  uint8_t pin_, slots_ = 0, other_ = 0;
  Phase phase_ = HELD;
  bool down_ = true;  // until seen up: a foot already down at boot is no press
};
