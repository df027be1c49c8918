#include "machine.h"

namespace machine {

using namespace wire;

void Machine::begin(const Identity &identity, bool unexpected, uint32_t now_us) {
  identity_ = identity;
  state_ = unexpected ? STATE_TRIPPED : STATE_LOCKED;
  latch.clear();
  latch.guarding = 0;
  at_rest_ = false;  // known only after REST_MS without an edge
  disarming_ = governing_ = identify_pending_ = false;
  greeting_ = true;
  next_row_ = CHANNELS;
  last_edge_us_ = last_sample_us_ = last_judged_us_ = now_us;
  judge_within_us_ = SAMPLE_SILENCE_US;
  period_ticks_ = 0;
  servo_us_ = request_rpm_ = 0;
  for (uint8_t i = 0; i < GOVERNOR_PARAMETERS; ++i) {
    parameters_[i] = 0;
  }
  vibration_.set(0, limits_.small(LIMIT_VIBRATION_WINDOW));
  hooks::set_safe_pulse(limits_.small(LIMIT_THROTTLE_SAFE_US));
  make_throttle_safe();
  if (unexpected) {
    latch.offer(REASON_RESTART, identity.restart_cause, now_us);
    announce(EVENT_RESTARTED, identity.restart_cause, now_us);
  }
}

// --- what the sensors report ---

void Machine::saw_edge(uint32_t time_us, uint32_t period_ticks) {
  last_edge_us_ = time_us;
  period_ticks_ = period_ticks;
  at_rest_ = false;
}

void Machine::saw_sample(uint32_t index, const int16_t *counts, uint32_t now_us) {
  last_sample_us_ = now_us;
  const bool over = vibration_.feed(index, counts);
  if (vibration_.judged()) {
    last_judged_us_ = now_us;
  }
  if (over && latch.guarding) {
    trip(REASON_VIBRATION, vibration_.rms_counts(), now_us);
  }
}

// --- every turn of the loop ---

void Machine::watch(uint32_t now_us) {
  notice_trip();
  heartbeat_.watch(now_us);
  const int32_t since_edge_us = static_cast<int32_t>(now_us - last_edge_us_);  // an edge may be younger than now_us
  if (!at_rest_ && since_edge_us > static_cast<int32_t>(limits_[LIMIT_REST_MS] * 1000)) {
    at_rest_ = true;
    period_ticks_ = 0;
  }
  if (latch.guarding && heartbeat_.silent(now_us)) {
    trip(REASON_HEARTBEAT_LOST, static_cast<int32_t>(heartbeat_.silence_us(now_us) / 1000), now_us);
  }
  if (latch.guarding && vibration_is_unwatched(now_us)) {
    trip(REASON_VIBRATION, -1, now_us);
  }
  settle_turning(now_us);
  introduce(now_us);
}

// A limit that nobody watches is a broken one: no samples, or samples with so many gaps that no window is whole.
bool Machine::vibration_is_unwatched(uint32_t now_us) const {
  return limits_[LIMIT_VIBRATION_COUNTS] != 0 &&
         (now_us - last_sample_us_ > SAMPLE_SILENCE_US || now_us - last_judged_us_ > judge_within_us_);
}

void Machine::settle_turning(uint32_t now_us) {
  if (!driving()) {
    return;
  }
  const bool safe = throttle_q16_ <= limits_[LIMIT_THROTTLE_SAFE_US] << 16;
  const bool turning = !safe || !at_rest_;
  if (disarming_ && !turning) {
    change_state(STATE_LOCKED, now_us);
  } else if (turning != (state_ == STATE_TURNING)) {
    change_state(turning ? STATE_TURNING : STATE_ARMED, now_us);
  }
}

void Machine::tick(uint32_t now_us, const Readings &readings) {
  notice_trip();
  if (driving()) {
    step_governor();
    slew_throttle();
  }
  send_slow(now_us, readings);
}

void Machine::send_slow(uint32_t now_us, const Readings &readings) {
  Slow slow;
  slow.time_us = now_us;
  slow.period_ticks = period_ticks_;
  slow.current_counts = readings.current_counts;
  slow.voltage_counts = readings.voltage_counts;
  slow.servo_counts = readings.servo_counts;
  slow.load_counts = readings.load_counts;
  slow.throttle_us = static_cast<uint16_t>(throttle_q16_ >> 16);
  slow.servo_us = servo_us_;
  slow.request_rpm = request_rpm_;
  slow.state = state_;
  slow.reason = latch.reason;
  sender_.send(slow, messages::TELEMETRY);
}

// --- states and trips ---

// The tach interrupt may have tripped, and has cut the power then; here the rest follows.
void Machine::notice_trip() {
  if (latch.reason != REASON_NONE && state_ != STATE_TRIPPED) {
    enter_tripped();
  }
}

void Machine::trip(uint8_t reason, int32_t detail, uint32_t now_us) {
  const uint8_t before = hooks::hold_interrupts();
  if (latch.offer(reason, detail, now_us)) {
    hooks::cut_power();
  }
  hooks::release_interrupts(before);
  enter_tripped();
}

void Machine::enter_tripped() {
  release_governor();
  throttle_q16_ = limits_[LIMIT_THROTTLE_SAFE_US] << 16;  // cut_power() has put it out
  if (limits_[LIMIT_SERVO_SAFE_US] != 0) {
    put_servo(limits_.small(LIMIT_SERVO_SAFE_US));
  }
  disarming_ = false;
  state_ = STATE_TRIPPED;
  announce(EVENT_TRIP, latch.detail, latch.time_us);
}

void Machine::change_state(uint8_t next, uint32_t now_us) {
  const uint8_t previous = state_;
  state_ = next;
  if (next == STATE_LOCKED) {
    latch.guarding = 0;
    disarming_ = false;
    make_throttle_safe();
    hooks::note_driving(false);
  }
  announce(EVENT_STATE, previous, now_us);
}

void Machine::announce(uint8_t kind, int32_t detail, uint32_t now_us) {
  DeviceEvent event;
  event.time_us = now_us;
  event.kind = kind;
  event.state = state_;
  event.reason = latch.reason;
  event.detail = detail;
  sender_.send(event, messages::ANSWER);
}

void Machine::make_throttle_safe() {
  release_governor();
  throttle_command_us_ = limits_.small(LIMIT_THROTTLE_SAFE_US);
  put_throttle(limits_[LIMIT_THROTTLE_SAFE_US] << 16);
}

// --- outputs ---

void Machine::put_throttle(uint32_t pulse_q16) {
  throttle_q16_ = pulse_q16;
  hooks::set_throttle(static_cast<uint16_t>(pulse_q16 >> 16));
}

void Machine::put_servo(uint16_t pulse_us) {
  servo_us_ = pulse_us;
  hooks::set_servo(pulse_us);
}

// Rising follows the limit table's slew, falling is immediate.
void Machine::slew_throttle() {
  if (governing_ && parameters_[GOVERNOR_MODE] == GOVERNOR_MODE_THROTTLE) {
    return;
  }
  const uint32_t aim = static_cast<uint32_t>(throttle_command_us_) << 16;
  const uint32_t slew = limits_[LIMIT_THROTTLE_SLEW_US_PER_S];
  const uint32_t step = slew == 0 ? 0xFFFFFFFFUL : (slew << 16) / governor::TICKS_PER_S;
  if (aim > throttle_q16_) {
    put_throttle(aim - throttle_q16_ > step ? throttle_q16_ + step : aim);
  } else if (aim < throttle_q16_) {
    put_throttle(aim);
  }
}

}  // namespace machine
