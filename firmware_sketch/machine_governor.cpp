// How the machine runs its governor: parameters, engaging, stepping, letting go.
#include "machine.h"

namespace machine {

using namespace wire;

namespace {

bool is_gain(uint8_t parameter) { return parameter >= GOVERNOR_THROTTLE_KP && parameter <= GOVERNOR_PITCH_KI; }

bool is_admitted(uint8_t parameter, int32_t value) {
  if (parameter >= GOVERNOR_PARAMETERS) {
    return false;
  }
  if (is_gain(parameter)) {
    return value >= -governor::GAIN_LIMIT && value <= governor::GAIN_LIMIT;
  }
  if (parameter == GOVERNOR_MODE) {
    return value >= GOVERNOR_MODE_PASS_THROUGH && value <= GOVERNOR_MODE_PITCH;
  }
  return value >= 0 && value <= (parameter >= GOVERNOR_THROTTLE_SLEW_US_PER_S ? 65535L : 2400L);
}

uint16_t larger(uint16_t a, uint16_t b) { return a > b ? a : b; }
uint16_t smaller(uint16_t a, uint16_t b) { return a < b ? a : b; }

// The stricter of two slews, of which zero means none.
uint16_t stricter(uint16_t a, uint16_t b) { return a == 0 ? b : b == 0 ? a : smaller(a, b); }

}  // namespace

Machine::Answer Machine::set_governor(const SetGovernor &command) {
  if (!is_admitted(command.parameter, command.value)) {
    return refuse(RESULT_BAD_VALUE, command.parameter);
  }
  const bool changes_mode = command.parameter == GOVERNOR_MODE && command.value != parameters_[GOVERNOR_MODE];
  if (changes_mode && state_ != STATE_LOCKED && state_ != STATE_ARMED) {
    return wrong_state();
  }
  const int32_t before = parameters_[command.parameter];
  parameters_[command.parameter] = command.value;
  if (changes_mode) {
    release_governor();
  } else if (governing_ && !load_governor()) {
    parameters_[command.parameter] = before;  // would leave the running governor without a range
    load_governor();
    return refuse(RESULT_BAD_VALUE, command.parameter);
  }
  law_.rejoin();
  return done();
}

Machine::Answer Machine::request(const Request &command) {
  if (command.speed_rpm != 0 && (!driving() || disarming_)) {
    return wrong_state();
  }
  if (command.speed_rpm == 0) {
    release_governor();
    return done();
  }
  if (parameters_[GOVERNOR_MODE] != GOVERNOR_MODE_PASS_THROUGH) {
    const bool by_throttle = parameters_[GOVERNOR_MODE] == GOVERNOR_MODE_THROTTLE;
    if (!load_governor() || (!by_throttle && servo_us_ == 0)) {
      return refuse(RESULT_BAD_VALUE);  // no range, or no servo pulse yet to go on from
    }
    if (!governing_) {
      law_.engage(by_throttle ? static_cast<uint16_t>(throttle_q16_ >> 16) : servo_us_);
      governing_ = true;
    }
  }
  request_rpm_ = command.speed_rpm;
  return done();
}

// Range, gains and slews in force: the governor's own, within those of the limit table. False when no pulse is left.
bool Machine::load_governor() {
  const bool by_throttle = parameters_[GOVERNOR_MODE] == GOVERNOR_MODE_THROTTLE;
  const uint8_t gains = by_throttle ? GOVERNOR_THROTTLE_KP : GOVERNOR_PITCH_KP;
  const uint8_t range = by_throttle ? GOVERNOR_THROTTLE_MIN_US : GOVERNOR_PITCH_MIN_US;
  const uint16_t slew = static_cast<uint16_t>(
      parameters_[by_throttle ? GOVERNOR_THROTTLE_SLEW_US_PER_S : GOVERNOR_PITCH_SLEW_US_PER_S]);
  const uint16_t rise = by_throttle ? stricter(slew, limits_.small(LIMIT_THROTTLE_SLEW_US_PER_S)) : slew;
  settings_.kp = parameters_[gains];
  settings_.push = governor::push_q32(parameters_[gains + 1]);
  settings_.min_us = larger(static_cast<uint16_t>(parameters_[range]),
                            limits_.small(by_throttle ? LIMIT_THROTTLE_SAFE_US : LIMIT_SERVO_MIN_US));
  settings_.max_us = smaller(static_cast<uint16_t>(parameters_[range + 1]),
                             limits_.small(by_throttle ? LIMIT_THROTTLE_MAX_US : LIMIT_SERVO_MAX_US));
  settings_.rise = governor::slew_q32(rise);
  settings_.fall = governor::slew_q32(slew);
  settings_.falls_without_speed = by_throttle;
  return settings_.min_us <= settings_.max_us;
}

void Machine::step_governor() {
  if (!governing_) {
    return;
  }
  const uint16_t pulse_us =
      law_.step(settings_, request_rpm_, period_ticks_, static_cast<uint8_t>(limits_[LIMIT_PULSES_PER_REV]));
  if (parameters_[GOVERNOR_MODE] == GOVERNOR_MODE_THROTTLE) {
    put_throttle(static_cast<uint32_t>(pulse_us) << 16);
  } else {
    put_servo(pulse_us);
  }
}

void Machine::release_governor() {
  governing_ = false;
  request_rpm_ = 0;
}

}  // namespace machine
