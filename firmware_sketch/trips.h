// Trip rules in exact integers, and the one latch they all end in. Twin of bench/whirlbench/safety/device_rules.py.
// Portable: no Arduino.h.
#pragma once

#include <stdint.h>

#include "wire_messages.h"

namespace trips {

// The one latched way to a power cut: the first reason is kept until an explicit reset. `offer` is called from an
// interrupt, too; other callers hold interrupts off.
struct Latch {
  volatile uint8_t guarding;  // rules may trip: armed or turning
  volatile uint8_t reason;
  volatile int32_t detail;    // the value that broke the limit, in wire units
  volatile uint32_t time_us;

  // True when this reason is the first; the caller then cuts the power.
  inline bool offer(uint8_t why, int32_t value, uint32_t at_us) {
    if (reason != wire::REASON_NONE) {
      return false;
    }
    reason = why;
    detail = value;
    time_us = at_us;
    guarding = 0;
    return true;
  }
  inline void clear() {
    reason = wire::REASON_NONE;
    detail = 0;
  }
};

// Trips at `confirm` consecutive tach periods shorter than `limit_ticks`; a limit of zero is no limit.
struct OverspeedRule {
  uint32_t limit_ticks;
  uint8_t confirm;
  uint8_t short_periods;

  void set(uint32_t limit, uint8_t confirmations) {
    limit_ticks = limit;
    confirm = confirmations == 0 ? 1 : confirmations;
    short_periods = 0;
  }
  // Whether this period trips; zero means "at rest" and starts the count again.
  inline bool feed(uint32_t period_ticks) {
    if (period_ticks == 0 || period_ticks >= limit_ticks) {
      short_periods = 0;
      return false;
    }
    if (short_periods < 0xFF) {
      ++short_periods;
    }
    return short_periods >= confirm;
  }
};

// Trips when, over a window, the sum over the axes of W sum(x^2) - (sum x)^2 exceeds limit^2 W^2: RMS with the mean
// removed, without a division. Window k holds the running sample numbers [k W, (k + 1) W); one with a sample
// missing is not judged.
class VibrationRule {
 public:
  static const uint8_t AXES = 3;

  // `limit_counts` zero switches the rule off; `window` is 8 to 256 samples. Begins at the next window border.
  void set(uint16_t limit_counts, uint16_t window);

  // Takes the sample with running number `index`; true when it completed a window above the limit.
  bool feed(uint32_t index, const int16_t *counts);

  // Whether the latest sample completed a window, which was judged then.
  bool judged() const { return in_window_ && filled_ == 0; }

  // RMS of the latest whole window in counts, rounded down.
  uint16_t rms_counts() const;

  // Sum over the axes for the latest whole window, as above.
  uint64_t value() const { return value_; }

 private:
  struct Sums {
    int32_t plain;
    uint32_t squares;
    uint16_t carries;  // of 2^32
  };
  void clear();
  void add(const int16_t *counts);
  bool judge();

  uint16_t limit_;
  uint16_t window_;
  uint16_t filled_;
  uint32_t next_index_;
  bool in_window_;
  Sums sums_[AXES];
  uint64_t value_;
};

// Trips when the host was silent for more than its limit. Times are u32 microseconds that wrap.
class HeartbeatRule {
 public:
  HeartbeatRule() : limit_us_(0), heard_us_(0), known_(false) {}
  void set(uint16_t limit_ms) { limit_us_ = limit_ms * 1000UL; }
  void heard(uint32_t now_us);
  // Called often: forgets a heartbeat before the clock wraps over it.
  void watch(uint32_t now_us);
  // Whether a heartbeat came within the limit: the condition for arming.
  bool fresh(uint32_t now_us) const { return known_ && silence_us(now_us) <= limit_us_; }
  bool silent(uint32_t now_us) const { return limit_us_ != 0 && !fresh(now_us); }
  uint32_t silence_us(uint32_t now_us) const { return now_us - heard_us_; }

 private:
  uint32_t limit_us_;
  uint32_t heard_us_;
  bool known_;
};

// Floor of the square root.
uint32_t square_root(uint64_t value);

}  // namespace trips
