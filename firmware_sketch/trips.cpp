#include "trips.h"

namespace trips {

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
