// Trip rules in exact integers, and the one latch they all end in. Twin of bench/whirlbench/safety/device_rules.py.
// Portable: no Arduino.h.
#pragma once

#include <stdint.h>

#include "limit_table.h"
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

  uint16_t limit() const { return limit_; }

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

// Trips when one axis gave `limit` equal samples: frozen, or at its rail. Noise moves the lowest bits of a part that
// lives, so no axis stays equal for long. Zero switches the rule off.
class FrozenRule {
 public:
  void set(uint16_t limit);
  bool feed(const int16_t *counts);
  int16_t counts() const { return frozen_; }  // of the axis that tripped

 private:
  uint16_t limit_;
  uint16_t equal_[VibrationRule::AXES];  // samples; zero: none yet
  int16_t last_[VibrationRule::AXES];
  int16_t frozen_;
};

// Whether tach periods are those of a rotor, which cannot change its speed by half from one to the next. A period that
// does is doubted; `limit` of them in a row trip, zero switches that off. Not before STEADY periods that fitted: a rotor
// that starts doubles its speed within a turn. A single edge too many cuts one period into two, which together are that
// period within an eighth: they count as it. Not again before APART further periods fitted: a rotor that doubles its
// speed has such pairs all the time.
class TachRule {
 public:
  static const uint8_t STEADY = 8, APART = 2;
  void set(uint8_t limit);
  // Zero means "after rest" and begins anew.
  bool feed(uint32_t period_ticks);
  // Whether the latest period did not fit, or may be the first part of one that an edge too many cut.
  bool doubted() const { return odd_ != 0 || cut_ticks_ != 0; }

 private:
  bool fits(uint32_t period_ticks) const;
  bool completes(uint32_t period_ticks) const;
  uint8_t limit_;
  uint8_t steady_;
  uint8_t odd_;
  uint8_t apart_;
  uint32_t trusted_ticks_;
  uint32_t short_ticks_;  // the latest period
  uint32_t cut_ticks_;    // the period that it cut short; 0: none
};

// Latest counts of the slow channels.
struct Readings {
  uint16_t current_counts;
  uint16_t voltage_counts;
  uint16_t servo_counts;
  int32_t load_counts;
  uint16_t supply_mv;   // 0: not measured
  uint8_t load_age_ms;  // of load_counts; 255: that long, longer, or never
};

// What the slow channels must not show, each for a while: fed every 2 ms.
class SlowRules {
 public:
  void set();
  // The first reason that trips, or REASON_NONE.
  uint8_t feed(const limits::Table &limits, const Readings &readings, uint16_t throttle_us, uint16_t servo_us);
  int32_t detail() const { return detail_; }

 private:
  enum Rule : uint8_t { CURRENT_SENSOR, OVER_CURRENT, PACK_LOW, SUPPLY_LOW, LOAD_CELL, STUCK_SERVO, RULES };
  bool hold(uint8_t rule, bool broken, uint16_t confirm_ms);
  bool is_stuck(const limits::Table &limits, uint16_t counts, uint16_t servo_us);
  uint16_t ticks_[RULES];  // broken for so many in a row
  uint16_t expected_at_us_;  // servo pulse that the next was worked out for; 0: none
  int32_t expected_counts_;
  int32_t detail_;
};

// Trips when the motor is driven and no edge came for LOST_TACH_MS; the first edge after rest may take START_TACH_MS.
class LostTachRule {
 public:
  void set() { driven_ms_ = 0; }
  // Every 2 ms; `silence_ms` since the latest edge, AT_REST when there is none.
  bool feed(const limits::Table &limits, uint16_t throttle_us, uint16_t silence_ms);
  uint16_t quiet_ms() const { return quiet_ms_; }
  static const uint16_t AT_REST = 0xFFFF;

 private:
  uint16_t driven_ms_;
  uint16_t quiet_ms_;
};

// After a cut the rotor must slow by an eighth, and by another, within CUT_PROOF_MS each, until it is at rest; and the
// current must come near zero within that time. Else the cut failed.
class CutProof {
 public:
  CutProof() : active_(false), failed_(false) {}
  void begin();
  void end() { active_ = failed_ = false; }
  bool active() const { return active_; }
  bool failed() const { return failed_; }
  // Every 2 ms; `period_ticks` the latest or the silence since, whichever is longer, 0 at rest. True once: it failed.
  bool feed(const limits::Table &limits, uint32_t period_ticks, uint16_t current_counts);
  int32_t detail() const { return detail_; }

 private:
  bool fail(int32_t detail);
  bool active_, failed_;
  uint16_t waited_ms_;   // for the speed to fall
  uint16_t flowing_ms_;  // the current is not near zero
  uint32_t reference_ticks_;
  int32_t detail_;
};

// Trips when the host was silent for more than its limit. Times are u32 microseconds that wrap.
class HeartbeatRule {
 public:
  HeartbeatRule() : limit_us_(0), heard_us_(0), known_(false) {}
  void set(uint16_t limit_ms) { limit_us_ = limit_ms * 1000UL; }
  uint32_t limit_us() const { return limit_us_; }
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
