// Whole milliseconds since a moment, without a division: those are slow on an 8-bit part. Portable: no Arduino.h.
#pragma once

#include <stdint.h>

// Counts on from call to call, so it is asked often (every 2 ms) or not at all. Times are u32 microseconds that wrap.
class Elapsed {
 public:
  static const uint16_t MOST_MS = 0xFFFF;

  void begin(uint32_t at_us) {
    counted_to_us_ = at_us;
    ms_ = 0;
  }
  // At most MOST_MS, and stays there. A moment that is younger than `now_us` is none ago.
  uint16_t ms(uint32_t now_us) {
    while (ms_ != MOST_MS && static_cast<int32_t>(now_us - counted_to_us_) >= 1000) {
      counted_to_us_ += 1000;
      ++ms_;
    }
    return ms_;
  }

 private:
  uint32_t counted_to_us_;
  uint16_t ms_;
};
