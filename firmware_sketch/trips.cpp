#include "trips.h"

#include "board_flash.h"

namespace trips {

namespace {

const uint8_t TICK_MS = 2;
const int32_t LOAD_RAIL = 0x7FFFFF;  // of 24 bits

uint16_t later_ms(uint16_t ms) { return ms >= 0xFFFF - TICK_MS ? ms : static_cast<uint16_t>(ms + TICK_MS); }

int32_t distance(int32_t a, int32_t b) { return a > b ? a - b : b - a; }
uint32_t apart(uint32_t a, uint32_t b) { return a > b ? a - b : b - a; }

}  // namespace

void VibrationRule::set(uint16_t limit_counts, uint16_t window) {
  limit_ = limit_counts;
  window_ = window == 0 ? 1 : window;
  in_window_ = false;
  filled_ = 0;
  value_ = 0;
}

bool VibrationRule::feed(uint32_t index, const int16_t *counts) {
  if (!in_window_ || index != next_index_ || index == 0) {
    in_window_ = index % window_ == 0;  // slow on an 8-bit part, hence only after a gap
    clear();
  }
  next_index_ = index + 1;
  if (!in_window_) {
    return false;
  }
  add(counts);
  if (++filled_ < window_) {
    return false;
  }
  const bool over = judge();
  clear();
  return over;
}

void VibrationRule::clear() {
  filled_ = 0;
  for (uint8_t axis = 0; axis < AXES; ++axis) {
    sums_[axis].plain = 0;
    sums_[axis].squares = 0;
    sums_[axis].carries = 0;
  }
}

void VibrationRule::add(const int16_t *counts) {
  for (uint8_t axis = 0; axis < AXES; ++axis) {
    Sums &sums = sums_[axis];
    const uint32_t square = static_cast<uint32_t>(static_cast<int32_t>(counts[axis]) * counts[axis]);
    sums.plain += counts[axis];
    sums.squares += square;
    sums.carries += sums.squares < square;
  }
}

bool VibrationRule::judge() {
  value_ = 0;
  for (uint8_t axis = 0; axis < AXES; ++axis) {
    const Sums &sums = sums_[axis];
    const uint64_t squares = (static_cast<uint64_t>(sums.carries) << 32) | sums.squares;
    const int64_t plain = sums.plain;
    value_ += window_ * squares - static_cast<uint64_t>(plain * plain);
  }
  const uint32_t bound = static_cast<uint32_t>(limit_) * window_;
  return limit_ != 0 && value_ > static_cast<uint64_t>(bound) * bound;
}

uint16_t VibrationRule::rms_counts() const { return static_cast<uint16_t>(square_root(value_) / window_); }

void FrozenRule::set(uint16_t limit) {
  limit_ = limit;
  for (uint8_t axis = 0; axis < VibrationRule::AXES; ++axis) {
    equal_[axis] = 0;
  }
}

bool FrozenRule::feed(const int16_t *counts) {
  bool frozen = false;
  for (uint8_t axis = 0; axis < VibrationRule::AXES; ++axis) {
    const bool same = equal_[axis] != 0 && counts[axis] == last_[axis];
    last_[axis] = counts[axis];
    equal_[axis] = !same ? 1 : equal_[axis] == 0xFFFF ? 0xFFFF : static_cast<uint16_t>(equal_[axis] + 1);
    if (!frozen && limit_ != 0 && equal_[axis] >= limit_) {
      frozen = true;
      frozen_ = counts[axis];
    }
  }
  return frozen;
}

void TachRule::set(uint8_t limit) {
  limit_ = limit;
  feed(0);
}

bool TachRule::fits(uint32_t period_ticks) const {
  const uint32_t half = trusted_ticks_ / 2;
  return period_ticks > half && (period_ticks <= trusted_ticks_ || period_ticks - trusted_ticks_ < half);
}

// Whether this and the period before are the parts of one; a whole turn of several marks may be whole again by itself.
bool TachRule::completes(uint32_t period_ticks) const {
  const uint32_t slack = cut_ticks_ >> 3;
  return slack != 0 && (apart(period_ticks, cut_ticks_) < slack || apart(short_ticks_ + period_ticks, cut_ticks_) < slack);
}

bool TachRule::feed(uint32_t period_ticks) {
  if (period_ticks == 0) {
    steady_ = odd_ = apart_ = 0;
    trusted_ticks_ = cut_ticks_ = 0;
    return false;
  }
  if (completes(period_ticks)) {
    trusted_ticks_ = cut_ticks_;
    odd_ = apart_ = 0;
    cut_ticks_ = 0;
    return false;
  }
  const uint32_t shortened = (trusted_ticks_ >> 2) * 3 + ((trusted_ticks_ & 3) * 3 >> 2);  // three quarters, in 32 bits
  cut_ticks_ = odd_ == 0 && apart_ >= APART && period_ticks < shortened ? trusted_ticks_ : 0;
  short_ticks_ = period_ticks;
  if (trusted_ticks_ != 0 && !fits(period_ticks)) {
    if (steady_ >= STEADY && ++odd_ < (limit_ == 0 ? STEADY : limit_)) {
      return false;
    }
    const bool trips = steady_ >= STEADY && limit_ != 0;
    steady_ = odd_ = 0;  // from here on this is the speed
    trusted_ticks_ = period_ticks;
    return trips;
  }
  odd_ = 0;
  steady_ = steady_ < STEADY ? static_cast<uint8_t>(steady_ + 1) : STEADY;
  apart_ = apart_ < APART ? static_cast<uint8_t>(apart_ + 1) : APART;
  trusted_ticks_ = period_ticks;
  return false;
}

void SlowRules::set() {
  for (uint8_t rule = 0; rule < RULES; ++rule) {
    ticks_[rule] = 0;
  }
  expected_at_us_ = 0;
}

bool SlowRules::hold(uint8_t rule, bool broken, uint16_t confirm_ms) {
  if (!broken) {
    ticks_[rule] = 0;
    return false;
  }
  if (static_cast<uint16_t>(ticks_[rule] * TICK_MS) < confirm_ms) {
    ++ticks_[rule];
    return false;
  }
  return true;
}

// Where the feedback has to be: straight between its counts at both ends of the servo's range.
static int32_t expected_counts(const limits::Table &limits, uint16_t servo_us) {
  const int32_t low = limits.small(wire::LIMIT_SERVO_LOW_COUNTS), high = limits.small(wire::LIMIT_SERVO_HIGH_COUNTS);
  const int32_t least_us = limits.small(wire::LIMIT_SERVO_MIN_US);
  const int32_t range_us = limits.small(wire::LIMIT_SERVO_MAX_US) - least_us;
  return range_us <= 0 ? low : low + (high - low) * (servo_us - least_us) / range_us;
}

// Divides only when the pulse is another one: limits do not change while this is asked.
bool SlowRules::is_stuck(const limits::Table &limits, uint16_t counts, uint16_t servo_us) {
  const uint16_t most = limits.small(wire::LIMIT_STUCK_SERVO_COUNTS);
  if (most == 0 || servo_us == 0) {
    return false;
  }
  if (servo_us != expected_at_us_) {
    expected_at_us_ = servo_us;
    expected_counts_ = expected_counts(limits, servo_us);
  }
  return distance(counts, expected_counts_) > most;
}

uint8_t SlowRules::feed(const limits::Table &limits, const Readings &readings, uint16_t throttle_us,
                        uint16_t servo_us) {
  using namespace wire;
  static const uint8_t REASONS[RULES] IN_FLASH = {REASON_CURRENT_SENSOR, REASON_OVER_CURRENT, REASON_PACK_LOW,
                                                  REASON_SUPPLY_LOW,     REASON_LOAD_CELL,    REASON_STUCK_SERVO};
  const uint16_t most = limits.small(LIMIT_CURRENT_COUNTS), least = limits.small(LIMIT_CURRENT_LEAST_COUNTS);
  const uint16_t silence_ms = limits.small(LIMIT_LOAD_SILENCE_MS);
  const uint16_t current = readings.current_counts;
  const int32_t load = readings.load_counts;
  const bool broken[RULES] = {
      (most != 0 || least != 0) && (current >= ADC_FULL || (least != 0 && current == 0)),
      (most != 0 && current > most) || current < least,
      throttle_us >= limits.small(LIMIT_DRIVEN_US) && readings.voltage_counts < limits.small(LIMIT_VOLTAGE_COUNTS),
      readings.supply_mv < limits.small(LIMIT_SUPPLY_MV),
      silence_ms != 0 && (load >= LOAD_RAIL || load < -LOAD_RAIL),
      is_stuck(limits, readings.servo_counts, servo_us),
  };
  const int32_t values[RULES] = {current, current, readings.voltage_counts, readings.supply_mv, load,
                                 readings.servo_counts};
  uint8_t reason = REASON_NONE;
  for (uint8_t rule = 0; rule < RULES; ++rule) {
    const uint16_t confirm_ms = limits.small(rule == STUCK_SERVO ? LIMIT_STUCK_SERVO_MS : LIMIT_SLOW_CONFIRM_MS);
    if (hold(rule, broken[rule], confirm_ms) && reason == REASON_NONE) {
      // The mean in which the current jumped to its rail lies between: it begins the over-current, which is due first.
      const bool is_railed = rule == OVER_CURRENT && broken[CURRENT_SENSOR];
      reason = is_railed ? static_cast<uint8_t>(REASON_CURRENT_SENSOR) : flash::byte_at(&REASONS[rule]);
      detail_ = values[rule];
    }
  }
  if (reason == REASON_NONE && silence_ms != 0 && readings.load_age_ms > silence_ms) {
    reason = REASON_LOAD_CELL;
    detail_ = readings.load_age_ms;
  }
  return reason;
}

bool LostTachRule::feed(const limits::Table &limits, uint16_t throttle_us, uint16_t silence_ms) {
  if (throttle_us < limits.small(wire::LIMIT_DRIVEN_US)) {
    driven_ms_ = 0;
    return false;
  }
  const uint16_t lost_ms = limits.small(wire::LIMIT_LOST_TACH_MS);
  quiet_ms_ = silence_ms < driven_ms_ ? silence_ms : driven_ms_;
  const bool was_seen = silence_ms != AT_REST && silence_ms < static_cast<uint32_t>(driven_ms_) + lost_ms;
  const uint16_t allowed_ms = was_seen ? lost_ms : limits.small(wire::LIMIT_START_TACH_MS);
  driven_ms_ = later_ms(driven_ms_);
  return lost_ms != 0 && quiet_ms_ > allowed_ms;
}

void CutProof::begin() {
  active_ = true;
  failed_ = false;
  waited_ms_ = flowing_ms_ = 0;
  reference_ticks_ = 0;
}

bool CutProof::fail(int32_t detail) {
  failed_ = true;
  detail_ = detail;
  return true;
}

bool CutProof::feed(const limits::Table &limits, uint32_t period_ticks, uint16_t current_counts) {
  if (!active_ || failed_) {
    return false;
  }
  const uint16_t within_ms = limits.small(wire::LIMIT_CUT_PROOF_MS);
  const uint16_t most = limits.small(wire::LIMIT_CUT_CURRENT_COUNTS);
  const bool flows = most != 0 && distance(current_counts, limits.small(wire::LIMIT_CURRENT_ZERO_COUNTS)) > most;
  flowing_ms_ = flows ? later_ms(flowing_ms_) : 0;
  waited_ms_ = later_ms(waited_ms_);
  const bool slower = period_ticks >= reference_ticks_ && period_ticks - reference_ticks_ >= reference_ticks_ / 7;
  if (period_ticks == 0 || reference_ticks_ == 0 || slower) {
    reference_ticks_ = period_ticks;
    waited_ms_ = 0;
  }
  if (waited_ms_ >= within_ms) {
    return fail(static_cast<int32_t>(period_ticks));
  }
  return flowing_ms_ >= within_ms ? fail(-1 - static_cast<int32_t>(current_counts)) : false;
}

void HeartbeatRule::heard(uint32_t now_us) {
  heard_us_ = now_us;
  known_ = true;
}

void HeartbeatRule::watch(uint32_t now_us) {
  if (known_ && silence_us(now_us) > 0x7FFFFFFFUL) {
    known_ = false;
  }
}

uint32_t square_root(uint64_t value) {
  uint64_t root = 0;
  for (uint64_t bit = 1ULL << 62; bit != 0; bit >>= 2) {
    if (value >= root + bit) {
      value -= root + bit;
      root = (root >> 1) + bit;
    } else {
      root >>= 1;
    }
  }
  return static_cast<uint32_t>(root);
}

}  // namespace trips
