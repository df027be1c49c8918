#include "sample_clock.h"

namespace sample_clock {

namespace {

const uint8_t FIRST_SHIFT = 8;   // 256 samples: a quick first idea of the sensor's period
const uint8_t STEADY_SHIFT = 12; // 4096 samples: a poll of 0.2 ms then leaves an error below 0.01 %

}  // namespace

void SampleClock::begin(uint32_t period_ns, uint32_t now_us) {
  set_period(period_ns);
  previous_poll_us_ = poll_us_ = now_us;
  waiting_ = 0;
  shift_ = FIRST_SHIFT;
  anchor(now_us);
}

void SampleClock::set_period(uint32_t period_ns) {
  period_ns_ = period_ns;
  whole_us_ = static_cast<uint16_t>(period_ns / 1000);
  rest_ns_ = static_cast<uint16_t>(period_ns - whole_us_ * 1000UL);
}

void SampleClock::anchor(uint32_t time_us) {
  time_us_ = time_us;
  fraction_ns_ = 0;
  baseline_us_ = time_us;
  counted_ = 0;
}

void SampleClock::poll(uint8_t waiting, uint32_t now_us) {
  if (waiting_ == 0) {
    previous_poll_us_ = poll_us_;  // else the oldest of them came before that poll already
  }
  poll_us_ = now_us;
  waiting_ = waiting;
}

uint32_t SampleClock::next_us() {
  advance();
  // The last of them is bounded by the two polls; an earlier one lies whole periods before it.
  const uint32_t behind_us = waiting_ == 0 ? 0 : static_cast<uint32_t>(waiting_ - 1) * whole_us_;
  const int32_t late_us = static_cast<int32_t>(time_us_ + behind_us - poll_us_);
  const int32_t early_us = static_cast<int32_t>(previous_poll_us_ - time_us_);
  if (late_us > 0) {
    time_us_ -= static_cast<uint32_t>(late_us);
    fraction_ns_ = 0;
  } else if (early_us > 0) {
    time_us_ = previous_poll_us_;
    fraction_ns_ = 0;
  }
  if (waiting_ != 0) {
    --waiting_;
  }
  measure();
  return time_us_;
}

void SampleClock::advance() {
  fraction_ns_ = static_cast<uint16_t>(fraction_ns_ + rest_ns_);
  time_us_ += whole_us_;
  if (fraction_ns_ >= 1000) {
    fraction_ns_ = static_cast<uint16_t>(fraction_ns_ - 1000);
    ++time_us_;
  }
}

void SampleClock::measure() {
  if (++counted_ < (1U << shift_)) {
    return;
  }
  const uint32_t elapsed_us = time_us_ - baseline_us_;
  set_period((elapsed_us * 125) >> (shift_ - 3));  // times 1000, over 2^shift, within 32 bits
  if (shift_ < STEADY_SHIFT) {
    ++shift_;  // measured again when the baseline is twice as long
  } else {
    baseline_us_ = time_us_;
    counted_ = 0;
  }
}

uint32_t SampleClock::skip(uint8_t waiting, uint32_t now_us) {
  const uint32_t due = (now_us - time_us_) / whole_us_;
  const uint32_t lost = due > waiting ? due - waiting : 1;
  anchor(now_us - static_cast<uint32_t>(waiting + 1) * whole_us_);
  previous_poll_us_ = time_us_;
  poll_us_ = now_us;
  waiting_ = waiting;
  return lost;
}

}  // namespace sample_clock
