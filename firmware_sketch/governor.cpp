#include "governor.h"

namespace governor {

namespace {

const uint32_t TICKS_PER_MINUTE = 60UL * 1000000UL * wire::TICKS_PER_US;

int64_t q32(uint16_t pulse_us) { return static_cast<int64_t>(pulse_us) << 32; }

int64_t within(int64_t value, int64_t low, int64_t high) {
  if (value < low) {
    value = low;
  }
  return value > high ? high : value;  // last, so that an empty range ends at its maximum
}

uint16_t rounded_us(int64_t value_q32) { return static_cast<uint16_t>((value_q32 + (1LL << 31)) >> 32); }

}  // namespace

int64_t push_q32(int32_t ki) { return static_cast<int64_t>(ki) * 65536 / TICKS_PER_S; }

int64_t slew_q32(uint16_t us_per_s) {
  return us_per_s == 0 ? q32(0xFFFF) : static_cast<int64_t>((static_cast<uint64_t>(us_per_s) << 32) / TICKS_PER_S);
}

uint16_t speed_rpm(uint32_t period_ticks, uint8_t pulses_per_rev) {
  if (period_ticks == 0 || pulses_per_rev == 0) {
    return 0;
  }
  if (period_ticks > TICKS_PER_MINUTE) {
    return 0;  // slower than one pulse a minute; keeps the rounding sum within 32 bits
  }
  const uint32_t pulses_per_minute_ticks = pulses_per_rev == 1 ? TICKS_PER_MINUTE : TICKS_PER_MINUTE / pulses_per_rev;
  const uint32_t speed = (pulses_per_minute_ticks + period_ticks / 2) / period_ticks;
  return speed > 0xFFFF ? 0xFFFF : static_cast<uint16_t>(speed);
}

void Law::engage(uint16_t present_us) {
  output_ = q32(present_us);
  integral_ = 0;
  preset_ = false;
  told_ticks_ = 0;
}

uint16_t Law::speed(uint32_t period_ticks, uint8_t pulses_per_rev) {
  if (period_ticks != told_ticks_ || pulses_per_rev != told_pulses_) {
    told_ticks_ = period_ticks;
    told_pulses_ = pulses_per_rev;
    told_rpm_ = speed_rpm(period_ticks, pulses_per_rev);
  }
  return told_rpm_;
}

uint16_t Law::step(const Settings &settings, uint16_t request_rpm, uint32_t period_ticks, uint8_t pulses_per_rev) {
  const int64_t lowest = output_ - settings.fall;
  const int64_t highest = output_ + settings.rise;
  if (period_ticks == 0) {  // speed unknown: never push, the integrator joins on when a period comes
    preset_ = false;
    const int64_t aim = settings.falls_without_speed ? q32(settings.min_us) : output_;
    output_ = within(within(aim, q32(settings.min_us), q32(settings.max_us)), lowest, highest);
    return rounded_us(output_);
  }
  const int32_t error = static_cast<int32_t>(request_rpm) - speed(period_ticks, pulses_per_rev);
  const int64_t proportional = (static_cast<int64_t>(settings.kp) * error) * 65536;
  if (!preset_) {
    integral_ = output_ - proportional;
    preset_ = true;
  }
  const int64_t push = settings.push * error;
  const int64_t wanted = proportional + integral_ + push;
  output_ = within(within(wanted, q32(settings.min_us), q32(settings.max_us)), lowest, highest);
  const bool frozen = (wanted > output_ && push > 0) || (wanted < output_ && push < 0);
  if (!frozen) {
    integral_ += push;
  }
  return rounded_us(output_);
}

}  // namespace governor
