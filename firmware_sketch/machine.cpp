#include "machine.h"

#include "board_flash.h"
#include "build_choice.h"

namespace machine {

using namespace wire;

namespace {

const uint8_t FIRMWARE_MAJOR = 0;
const uint8_t FIRMWARE_MINOR = 1;
const uint8_t WHOLE_TURN = 1;  // the speed is taken over whole turns: one period a turn

// Room for a row, and behind it for the longest telemetry frame.
const uint16_t LONGEST_TELEMETRY = Vibration::SIZE + 6 * VIBRATION_BLOCK + framing::CRC_SIZE;
const uint16_t INTRODUCTION_ROOM = ChannelInfo::SIZE + LONGEST_TELEMETRY + framing::CRC_SIZE + messages::RESERVE;
// The limits need most of a small buffer: they leave when it is all but empty, right after a block of vibration, so that
// no telemetry is lost to them.
const uint16_t LIMITS_ROOM = Limits::SIZE + 4 * LIMIT_SLOTS + framing::CRC_SIZE + 2;  // with its envelope
const uint16_t AMPLE_ROOM = 2 * LIMITS_ROOM;
const uint16_t ROOM_FOR_LIMITS = LIMITS_ROOM + messages::RESERVE + Slow::SIZE + framing::CRC_SIZE + 2;
const uint8_t FRESH_BLOCK = 10;  // samples: the rest of it takes longer than the limits on the wire

template <typename Command>
Command taken(const uint8_t *payload) {
  Command command;
  unpack(payload, command);
  return command;
}

// Arming falls into a window, which is not judged; the one after it is.
uint32_t two_windows_us(uint32_t window, uint16_t rate_hz) { return rate_hz == 0 ? 0 : 2 * window * 1000000UL / rate_hz; }

// Length each command has; 0 for a type that is none.
uint8_t size_of(uint8_t type) {
  switch (type) {
    case Identify::TYPE: return Identify::SIZE;
    case Heartbeat::TYPE: return Heartbeat::SIZE;
    case SetLimit::TYPE: return SetLimit::SIZE;
    case ReadLimits::TYPE: return ReadLimits::SIZE;
    case Arm::TYPE: return Arm::SIZE;
    case Disarm::TYPE: return Disarm::SIZE;
    case Throttle::TYPE: return Throttle::SIZE;
    case Pitch::TYPE: return Pitch::SIZE;
    case Request::TYPE: return Request::SIZE;
    case SetGovernor::TYPE: return SetGovernor::SIZE;
    case Abort::TYPE: return Abort::SIZE;
    case Reset::TYPE: return Reset::SIZE;
    default: return 0;
  }
}

// Of the governor's parameters.
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

// Microseconds since a moment that may be younger than now_us: it was measured later in the same turn.
uint32_t since(uint32_t moment_us, uint32_t now_us) {
  const int32_t passed_us = static_cast<int32_t>(now_us - moment_us);
  return passed_us < 0 ? 0 : static_cast<uint32_t>(passed_us);
}

// The stricter of two slews, of which zero means none.
uint16_t stricter(uint16_t a, uint16_t b) { return a == 0 ? b : b == 0 ? a : smaller(a, b); }

}  // namespace

void Machine::begin(const Identity &identity, bool unexpected, uint32_t now_us) {
  identity_ = identity;
  state_ = states::after(STATE_LOCKED, unexpected ? states::RESTART : states::POWER_ON);
  latch.clear();
  latch.guarding = 0;
  at_rest_ = false;  // known only after REST_MS without an edge
  disarming_ = governing_ = sinking_ = identify_pending_ = limits_pending_ = turn_is_judged_ = false;
  greeting_ = true;
  next_row_ = CHANNELS;
  in_block_ = 0;
  last_turn_us_ = last_edge_us_ = last_sample_us_ = last_judged_us_ = now_us;
  silence_.begin(now_us);
  judge_within_us_ = SAMPLE_SILENCE_US;
  period_ticks_ = 0;
  servo_us_ = request_rpm_ = 0;
  for (uint8_t i = 0; i < GOVERNOR_PARAMETERS; ++i) {
    parameters_[i] = 0;
  }
  vibration_.set(0, limits_.small(LIMIT_VIBRATION_WINDOW));
  frozen_.set(0);
  tach_.set(0);
  cut_proof_.end();
  hooks::second_cut(false);
  safe_us_ = hooks::recall_safe_pulse();
  if (safe_us_ != 0 && limits_.set(LIMIT_THROTTLE_SAFE_US, safe_us_)) {
    hooks::set_safe_pulse(safe_us_);
  } else {
    safe_us_ = 0;  // never set, or of a build with another cap: no pulse goes out
  }
  make_throttle_safe();
  if (unexpected) {
    hooks::note_driving(true);  // a reset now does not hide it
    cut_proof_.begin();
    latch.offer(REASON_RESTART, identity.restart_cause, now_us);
    announce(EVENT_RESTARTED, identity.restart_cause, now_us);
  }
}

// --- what the sensors report ---

void Machine::saw_edge(uint32_t time_us, uint32_t period_ticks, uint32_t turn_ticks) {
  last_edge_us_ = time_us;
  silence_.begin(time_us);
  if (turn_ticks != 0 || at_rest_) {
    period_ticks_ = turn_ticks;  // a turn that cannot be told now is no rest: the one before stays
  }
  at_rest_ = false;
  sinking_ = sinking_ && period_ticks == 0;
  // Marks may be uneven: with several, whole turns are compared.
  const uint32_t compared = marks_per_turn() == 1 || period_ticks == 0 ? period_ticks : turn_ticks;
  if ((compared != 0 || period_ticks == 0) && tach_.feed(compared) && latch.guarding) {
    trip(REASON_LOST_TACH, -static_cast<int32_t>(compared), time_us);
  }
}

void Machine::saw_sample(uint32_t index, const int16_t *counts, uint32_t now_us) {
  last_sample_us_ = now_us;
  in_block_ = static_cast<uint8_t>(index) % VIBRATION_BLOCK;
  const bool over = vibration_.feed(index, counts);
  if (vibration_.judged()) {
    last_judged_us_ = now_us;
  }
  if (over && latch.guarding) {
    trip(REASON_VIBRATION, vibration_.rms_counts(), now_us);
  }
  if (frozen_.feed(counts) && latch.guarding) {
    trip(REASON_ACCELEROMETER, frozen_.counts(), now_us);
  }
}

// --- every turn of the loop ---

void Machine::watch(uint32_t now_us) {
  notice_trip();
  judge_turn(now_us);
  heartbeat_.watch(now_us);
  if (!at_rest_ && silence_us(now_us) > limits_[LIMIT_REST_MS] * 1000) {
    at_rest_ = true;
    period_ticks_ = 0;
  }
  watch_heartbeat(now_us);
  if (latch.guarding && vibration_is_unwatched(now_us)) {
    trip(REASON_VIBRATION, -1, now_us);
  }
  settle_turning(now_us);
  introduce(now_us);
}

void Machine::watch_heartbeat(uint32_t now_us) {
  if (latch.guarding && heartbeat_.silent(now_us)) {
    trip(REASON_HEARTBEAT_LOST, static_cast<int32_t>(heartbeat_.silence_us(now_us) / 1000), now_us);
  }
}

uint32_t Machine::silence_us(uint32_t now_us) const { return since(last_edge_us_, now_us); }

// A turn that took too long has delayed the rules; the one in which the stand was armed may.
void Machine::judge_turn(uint32_t now_us) {
  const uint32_t taken_us = now_us - last_turn_us_;
  last_turn_us_ = now_us;
  if (turn_is_judged_ && latch.guarding && taken_us > LONGEST_TURN_US) {
    trip(REASON_LOOP_OVERRUN, static_cast<int32_t>(taken_us), now_us);
  }
  turn_is_judged_ = true;
}

// A limit that nobody watches is a broken one: no samples, or samples with so many gaps that no window is whole.
bool Machine::vibration_is_unwatched(uint32_t now_us) const {
  return limits_[LIMIT_VIBRATION_COUNTS] != 0 &&
         (since(last_sample_us_, now_us) > SAMPLE_SILENCE_US || since(last_judged_us_, now_us) > judge_within_us_);
}

void Machine::settle_turning(uint32_t now_us) {
  if (!driving()) {
    return;
  }
  const bool safe = throttle_q16_ <= static_cast<uint32_t>(safe_us_) << 16;
  const bool turning = !safe || !at_rest_;
  happen(turning ? states::DRIVE : disarming_ ? states::REST_DISARMED : states::REST, now_us);
}

void Machine::tick(uint32_t now_us, const Readings &readings) {
  notice_trip();
  if (latch.guarding) {
    judge_slow(now_us, readings);
  }
  prove_cut(now_us, readings);
  if (driving()) {
    step_governor(now_us);
    slew_throttle();
  }
  send_slow(now_us, readings);
}

void Machine::judge_slow(uint32_t now_us, const Readings &readings) {
  const uint16_t throttle_us = static_cast<uint16_t>(throttle_q16_ >> 16);
  const uint16_t quiet_ms = at_rest_ ? trips::LostTachRule::AT_REST : silence_.ms(now_us);
  const uint8_t reason = slow_.feed(limits_, readings, throttle_us, servo_us_);
  // a governor that sinks for want of its tach takes its pulse below DRIVEN_US before the time is over
  const uint16_t driven_us = sinking_ ? larger(throttle_us, limits_.small(LIMIT_DRIVEN_US)) : throttle_us;
  const bool lost = lost_tach_.feed(limits_, driven_us, quiet_ms);
  if (limits_are_corrupt()) {
    trip(REASON_LIMITS_CORRUPT, 0, now_us);
  } else if (reason != REASON_NONE) {
    trip(reason, slow_.detail(), now_us);
  } else if (lost) {
    trip(REASON_LOST_TACH, lost_tach_.quiet_ms(), now_us);
  }
}

// The table against its checksum, one slot at a time, and against what the rules made of it.
bool Machine::limits_are_corrupt() {
  return !limits_.recheck() || overspeed_.limit_ticks != limits_[LIMIT_OVERSPEED_TICKS] ||
         vibration_.limit() != limits_.small(LIMIT_VIBRATION_COUNTS) ||
         heartbeat_.limit_us() != limits_[LIMIT_HEARTBEAT_MS] * 1000;
}

// After a cut, and after a disarm: does the rotor slow, does the current stop?
void Machine::prove_cut(uint32_t now_us, const Readings &readings) {
  const uint32_t silence_ticks = 2 * silence_us(now_us);
  const uint32_t period_ticks = at_rest_ || period_ticks_ == 0 ? 0
                                : silence_ticks > period_ticks_ ? silence_ticks
                                                                : period_ticks_;
  if (!cut_proof_.feed(limits_, period_ticks, readings.current_counts)) {
    return;
  }
  if (latch.guarding) {
    trip(REASON_CUT_FAILED, cut_proof_.detail(), now_us);  // the second cut may succeed
  }
  announce(EVENT_CUT_FAILED, cut_proof_.detail(), now_us);
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
  slow.supply_mv = readings.supply_mv;
  slow.load_age_ms = readings.load_age_ms;
  slow.flags = flags();
  sender_.send(slow, messages::TELEMETRY);
}

uint8_t Machine::flags() const {
  return static_cast<uint8_t>((driving() ? FLAG_SECOND_CUT_CLOSED : 0) | (cut_proof_.failed() ? FLAG_CUT_FAILED : 0) |
                              (disarming_ ? FLAG_DISARMING : 0) | (tach_.doubted() ? FLAG_TACH_DOUBTED : 0));
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
  throttle_q16_ = static_cast<uint32_t>(safe_us_) << 16;  // cut_power() has put it out
  if (limits_[LIMIT_SERVO_SAFE_US] != 0) {
    put_servo(limits_.small(LIMIT_SERVO_SAFE_US));
  }
  disarming_ = false;
  if (!cut_proof_.active()) {  // after a disarm it may be the reason
    cut_proof_.begin();
  }
  hooks::note_driving(true);
  state_ = STATE_TRIPPED;  // from any state: a trip that the interrupt latched while locking is not lost
  announce(EVENT_TRIP, latch.detail, latch.time_us);
}

// Steps through the table of states; a change is announced.
void Machine::happen(states::Happening event, uint32_t now_us) {
  const uint8_t previous = state_;
  const uint8_t next = states::after(previous, event);
  if (next == previous || next == states::REFUSED) {
    return;
  }
  state_ = next;
  if (next == STATE_LOCKED) {
    latch.guarding = 0;
    disarming_ = false;
    cut_proof_.end();
    make_throttle_safe();
    hooks::second_cut(false);
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
  throttle_command_us_ = safe_us_;
  put_throttle(static_cast<uint32_t>(safe_us_) << 16);
}

// The table's safe pulse goes out from now on, after a restart too.
void Machine::take_safe_pulse() {
  safe_us_ = limits_.small(LIMIT_THROTTLE_SAFE_US);
  hooks::keep_safe_pulse(safe_us_);
  hooks::set_safe_pulse(safe_us_);
  make_throttle_safe();
}

// --- outputs ---

// Nothing but the safe pulse leaves unless armed or turning; outputs.cpp holds that once more.
void Machine::put_throttle(uint32_t pulse_q16) {
  throttle_q16_ = driving() ? pulse_q16 : static_cast<uint32_t>(safe_us_) << 16;
  hooks::set_throttle(static_cast<uint16_t>(throttle_q16_ >> 16));
}

// Never outside its range, also where a trip in locked finds a safe pulse that arming would refuse.
void Machine::put_servo(uint16_t pulse_us) {
  servo_us_ = smaller(larger(pulse_us, limits_.small(LIMIT_SERVO_MIN_US)), limits_.small(LIMIT_SERVO_MAX_US));
  hooks::set_servo(servo_us_);
}

// Rising follows the limit table's slew, falling is immediate.
void Machine::slew_throttle() {
  if (governing_ && governs_throttle()) {
    return;
  }
  const uint32_t aim = static_cast<uint32_t>(throttle_command_us_) << 16;
  if (aim > throttle_q16_) {
    const uint32_t slew = limits_[LIMIT_THROTTLE_SLEW_US_PER_S];
    const uint32_t step = slew == 0 ? 0xFFFFFFFFUL : (slew << 16) / governor::TICKS_PER_S;
    put_throttle(aim - throttle_q16_ > step ? throttle_q16_ + step : aim);
  } else if (aim < throttle_q16_) {
    put_throttle(aim);
  }
}

// --- commands: one member function for each ---

void Machine::receive(const uint8_t *payload, uint8_t length, uint32_t now_us) {
  notice_trip();
  const uint8_t type = payload[0];
  const uint8_t size = size_of(type);
  if (type == Heartbeat::TYPE && length == size) {
    heartbeat_.heard(now_us);
    return;
  }
  Answer answer = size == 0        ? refuse(RESULT_UNKNOWN_COMMAND)
                  : size != length ? refuse(RESULT_BAD_VALUE)
                                   : obey(payload, now_us);
  const bool later = type == Identify::TYPE || (type == ReadLimits::TYPE && limits_pending_);
  if (!(later && answer.result == RESULT_DONE)) {  // those answers follow the channel table, the limits
    acknowledge(type, payload[1], answer);
  }
}

Machine::Answer Machine::obey(const uint8_t *payload, uint32_t now_us) {
  switch (payload[0]) {
    case Identify::TYPE: return identify(taken<Identify>(payload), payload[1]);
    case SetLimit::TYPE: return set_limit(taken<SetLimit>(payload));
    case ReadLimits::TYPE: return read_limits(payload[1]);
    case Arm::TYPE: return arm(taken<Arm>(payload), now_us);
    case Disarm::TYPE: return disarm(now_us);
    case Throttle::TYPE: return throttle(taken<Throttle>(payload));
    case Pitch::TYPE: return pitch(taken<Pitch>(payload));
    case Request::TYPE: return request(taken<Request>(payload));
    case SetGovernor::TYPE: return set_governor(taken<SetGovernor>(payload));
    case Abort::TYPE: return abort(taken<Abort>(payload), now_us);
    default: return reset(now_us);
  }
}

void Machine::acknowledge(uint8_t command, uint8_t sequence, const Answer &answer) {
  Ack ack;
  ack.command = command;
  ack.command_sequence = sequence;
  ack.result = answer.result;
  ack.detail = answer.detail;
  sender_.send(ack, messages::ANSWER);
}

// --- introduction: Hello, the channel table row by row, then the answer to Identify ---

Machine::Answer Machine::identify(const Identify &command, uint8_t sequence) {
  if (command.protocol != PROTOCOL_VERSION) {
    return refuse(RESULT_WRONG_VERSION, PROTOCOL_VERSION);
  }
  greeting_ = true;
  identify_pending_ = true;
  identify_sequence_ = sequence;
  return done();
}

void Machine::introduce(uint32_t now_us) {
  if (limits_pending_ && has_room_for_limits()) {
    limits_pending_ = false;
    send_limits();
    acknowledge(ReadLimits::TYPE, limits_sequence_, done());
  }
  if (hooks::transmit_room() < INTRODUCTION_ROOM) {
    return;  // telemetry goes first
  }
  if (greeting_) {
    send_hello(now_us);
    greeting_ = false;
    next_row_ = 0;
  } else if (next_row_ < CHANNELS) {
    send_channel_row();
  } else if (identify_pending_) {
    identify_pending_ = false;
    acknowledge(Identify::TYPE, identify_sequence_, done());
  }
}

void Machine::send_hello(uint32_t now_us) {
  Hello hello;
  hello.protocol = PROTOCOL_VERSION;
  hello.board = identity_.board;
  hello.firmware_major = FIRMWARE_MAJOR;
  hello.firmware_minor = FIRMWARE_MINOR;
  hello.restart_cause = identity_.restart_cause;
  hello.channels = CHANNELS;
  hello.build_id = build::ID;
  hello.time_us = now_us;
  hello.limits_crc = limits_.checksum();
  hello.slow_rate_hz = identity_.slow_rate_hz;
  hello.vibration_rate_hz = identity_.vibration_rate_hz;
  hello.vibration_axes = identity_.vibration_axes;
  hello.accelerometer = identity_.accelerometer;
  hello.accelerometer_ug_per_count = identity_.accelerometer_ug_per_count;
  hello.load_converter = identity_.load_converter;
  hello.load_counts_per_mv_v = identity_.load_counts_per_mv_v;
  hello.state = state_;
  hello.reason = latch.reason;
  sender_.send(hello, messages::ANSWER);
}

void Machine::send_channel_row() {
  ChannelRow row;
  flash::copy(&row, &CHANNEL_ROWS[next_row_], sizeof row);
  ++next_row_;
  ChannelInfo info;
  info.index = row.index;
  info.stream = row.stream;
  info.bits = row.bits;
  memcpy(info.name, row.name, sizeof info.name);
  memcpy(info.unit, row.unit, sizeof info.unit);
  sender_.send(info, messages::ANSWER);
}

// --- limits and arming ---

Machine::Answer Machine::set_limit(const SetLimit &command) {
  if (state_ != STATE_LOCKED) {
    return wrong_state();
  }
  const bool unwatched = command.limit == LIMIT_VIBRATION_COUNTS && identity_.vibration_axes == 0;
  if ((unwatched && command.value != 0) || !limits_.set(command.limit, command.value)) {
    return refuse(RESULT_BAD_VALUE, command.limit);
  }
  if (command.limit == LIMIT_THROTTLE_RATE_HZ || command.limit == LIMIT_SERVO_RATE_HZ) {
    hooks::set_rates(limits_.small(LIMIT_THROTTLE_RATE_HZ), limits_.small(LIMIT_SERVO_RATE_HZ));
  }
  // A longer one does not go out while locked: what stops this controller may start another.
  if (command.limit == LIMIT_THROTTLE_SAFE_US && (safe_us_ == 0 || command.value < safe_us_)) {
    take_safe_pulse();
  }
  return done();
}

// The answer waits for room, telemetry does not: its frame is the longest of all.
Machine::Answer Machine::read_limits(uint8_t sequence) {
  limits_pending_ = !has_room_for_limits();
  limits_sequence_ = sequence;
  if (!limits_pending_) {
    send_limits();
  }
  return done();
}

bool Machine::has_room_for_limits() const {
  const uint16_t room = hooks::transmit_room();
  return room >= AMPLE_ROOM || (room >= ROOM_FOR_LIMITS && in_block_ < FRESH_BLOCK);
}

void Machine::send_limits() {
  uint8_t payload[Limits::SIZE + 4 * LIMIT_SLOTS + framing::CRC_SIZE];
  sender_.send(payload, limits_.pack(payload), messages::ANSWER);
}

Machine::Answer Machine::arm(const Arm &command, uint32_t now_us) {
  if (refuses(states::ARM)) {
    return wrong_state();
  }
  if (command.limits_crc != limits_.checksum() || !limits_.intact()) {
    return refuse(RESULT_LIMITS_DIFFER, limits_.checksum());
  }
  const uint8_t missing = limits_.missing_for_arming();
  if (missing != LIMIT_SLOTS) {
    return refuse(RESULT_BAD_VALUE, missing);
  }
  if (!at_rest_) {
    return refuse(RESULT_NOT_AT_REST);
  }
  if (!throttle_is_safe()) {
    return refuse(RESULT_THROTTLE_NOT_SAFE);
  }
  load_rules(now_us);
  if (!heartbeat_.fresh(now_us)) {
    return refuse(RESULT_HEARTBEAT_MISSING);
  }
  if (safe_us_ != limits_.small(LIMIT_THROTTLE_SAFE_US)) {
    take_safe_pulse();
  }
  hooks::note_driving(true);
  place_servo();
  happen(states::ARM, now_us);
  hooks::second_cut(true);
  latch.guarding = 1;  // last: from here on the interrupt may trip
  return done();
}

// On arming: to its safe pulse when none went out before; and within its range, which may be another one since.
void Machine::place_servo() {
  const uint16_t pulse_us = servo_us_ != 0 ? servo_us_ : limits_.small(LIMIT_SERVO_SAFE_US);
  if (pulse_us != 0) {
    put_servo(pulse_us);
  }
}

void Machine::load_rules(uint32_t now_us) {
  overspeed_.set(limits_[LIMIT_OVERSPEED_TICKS], static_cast<uint8_t>(limits_[LIMIT_OVERSPEED_CONFIRM]));
  vibration_.set(limits_.small(LIMIT_VIBRATION_COUNTS), limits_.small(LIMIT_VIBRATION_WINDOW));
  heartbeat_.set(limits_.small(LIMIT_HEARTBEAT_MS));
  frozen_.set(limits_.small(LIMIT_FROZEN_SAMPLES));
  tach_.set(static_cast<uint8_t>(limits_[LIMIT_TACH_JUMP_PERIODS]));
  lost_tach_.set();
  slow_.set();
  turn_is_judged_ = false;
  last_sample_us_ = last_judged_us_ = now_us;
  judge_within_us_ = SAMPLE_SILENCE_US + two_windows_us(limits_[LIMIT_VIBRATION_WINDOW], identity_.vibration_rate_hz);
}

Machine::Answer Machine::disarm(uint32_t now_us) {
  if (driving()) {
    make_throttle_safe();
    if (!disarming_) {
      cut_proof_.begin();
    }
    disarming_ = true;
    settle_turning(now_us);
  }
  return done();
}

Machine::Answer Machine::abort(const Abort &command, uint32_t now_us) {
  if (refuses(states::ABORT)) {
    return wrong_state();
  }
  if (state_ != STATE_TRIPPED) {  // an odd reason is no reason to refuse
    trip(command.reason == REASON_HOST_RULE ? REASON_HOST_RULE : REASON_OPERATOR_ABORT, 0, now_us);
  }
  return done();
}

Machine::Answer Machine::reset(uint32_t now_us) {
  if (refuses(states::RESET)) {
    return wrong_state();
  }
  if (!at_rest_) {
    return refuse(RESULT_NOT_AT_REST);
  }
  if (!throttle_is_safe()) {
    return refuse(RESULT_THROTTLE_NOT_SAFE);
  }
  latch.clear();
  hooks::end_cut();
  happen(states::RESET, now_us);
  return done();
}

// --- set-points: the latest one rules ---

Machine::Answer Machine::throttle(const Throttle &command) {
  const uint16_t safe_us = limits_.small(LIMIT_THROTTLE_SAFE_US);
  const bool stops = command.pulse_us == safe_us || command.pulse_us == safe_us_;  // never refused
  if (!stops && (!driving() || disarming_)) {
    return wrong_state();
  }
  if (!stops && (command.pulse_us < safe_us || command.pulse_us > limits_.small(LIMIT_THROTTLE_MAX_US))) {
    return refuse(RESULT_BAD_VALUE);
  }
  throttle_command_us_ = stops ? safe_us_ : command.pulse_us;
  if (governing_ && governs_throttle()) {
    release_governor();
  }
  const uint32_t pulse_q16 = static_cast<uint32_t>(throttle_command_us_) << 16;
  if (stops || pulse_q16 < throttle_q16_) {
    put_throttle(pulse_q16);
  }
  return done();
}

Machine::Answer Machine::pitch(const Pitch &command) {
  if (!driving()) {
    return wrong_state();
  }
  if (command.pulse_us < limits_.small(LIMIT_SERVO_MIN_US) || command.pulse_us > limits_.small(LIMIT_SERVO_MAX_US)) {
    return refuse(RESULT_BAD_VALUE);
  }
  if (governing_ && !governs_throttle()) {
    release_governor();
  }
  put_servo(command.pulse_us);
  return done();
}

// --- the governor: parameters, engaging, stepping, letting go ---

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
  const uint16_t most_rpm = greatest_request();
  if (command.speed_rpm > most_rpm) {
    return refuse(RESULT_ABOVE_OVERSPEED, most_rpm);
  }
  if (parameters_[GOVERNOR_MODE] != GOVERNOR_MODE_PASS_THROUGH) {
    const bool by_throttle = governs_throttle();
    if (!load_governor() || (!by_throttle && servo_us_ == 0)) {
      return refuse(RESULT_BAD_VALUE);  // no range, or no servo pulse yet to go on from
    }
    if (!governing_) {
      law_.engage(by_throttle ? static_cast<uint16_t>(throttle_q16_ >> 16) : servo_us_);
      governing_ = true;
      sinking_ = false;
    }
  }
  request_rpm_ = command.speed_rpm;
  return done();
}

// Range, gains and slews in force: the governor's own, within those of the limit table. False when no pulse is left.
bool Machine::load_governor() {
  const bool by_throttle = governs_throttle();
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

uint16_t Machine::greatest_request() const {
  return governor::speed_rpm(limits_[LIMIT_OVERSPEED_TICKS], static_cast<uint8_t>(limits_[LIMIT_PULSES_PER_REV]));
}

// Once the next edge is overdue the latest period tells nothing any more: the output is held. Silent for two periods,
// the tach is lost: the throttle falls to safe, and stays there until an edge comes.
void Machine::step_governor(uint32_t now_us) {
  if (!governing_) {
    return;
  }
  uint32_t period_ticks = period_ticks_;
  if (period_ticks != 0) {
    const uint32_t silence_ticks = 2 * silence_us(now_us);
    if (silence_ticks / 2 > period_ticks) {
      period_ticks = 0;
      sinking_ = true;
    } else if (silence_ticks > period_ticks || tach_.doubted()) {
      return;
    }
  }
  governor::Settings settings = settings_;
  if (sinking_ && governs_throttle()) {
    settings.min_us = safe_us_;
  }
  const uint16_t pulse_us = law_.step(settings, request_rpm_, period_ticks, WHOLE_TURN);
  if (governs_throttle()) {
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
