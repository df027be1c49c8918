// How the machine answers its host: one member function for each command.
#include "machine.h"

namespace machine {

using namespace wire;

namespace {

const uint8_t FIRMWARE_MAJOR = 0;
const uint8_t FIRMWARE_MINOR = 1;
#ifndef BUILD_ID
#define BUILD_ID 0  // built by hand; tests/firmware/build.py passes the CRC-32 of the sources
#endif

// Room for a row, and behind it for the longest telemetry frame.
const uint16_t INTRODUCTION_ROOM = ChannelInfo::SIZE + messages::ROOM + framing::CRC_SIZE + messages::RESERVE;

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

}  // namespace

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
  if (!(type == Identify::TYPE && answer.result == RESULT_DONE)) {  // that answer follows the channel table
    acknowledge(type, payload[1], answer);
  }
}

Machine::Answer Machine::obey(const uint8_t *payload, uint32_t now_us) {
  switch (payload[0]) {
    case Identify::TYPE: return identify(taken<Identify>(payload), payload[1]);
    case SetLimit::TYPE: return set_limit(taken<SetLimit>(payload));
    case ReadLimits::TYPE: return read_limits();
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
  hello.build_id = BUILD_ID;
  hello.time_us = now_us;
  hello.limits_crc = limits_.checksum();
  hello.slow_rate_hz = identity_.slow_rate_hz;
  hello.vibration_rate_hz = identity_.vibration_rate_hz;
  hello.vibration_axes = identity_.vibration_axes;
  hello.state = state_;
  hello.reason = latch.reason;
  sender_.send(hello, messages::ANSWER);
}

void Machine::send_channel_row() {
  ChannelRow row;
#if defined(__AVR__)
  memcpy_P(&row, &CHANNEL_ROWS[next_row_], sizeof row);
#else
  row = CHANNEL_ROWS[next_row_];
#endif
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
  if (command.limit == LIMIT_THROTTLE_SAFE_US) {
    hooks::set_safe_pulse(limits_.small(LIMIT_THROTTLE_SAFE_US));
    make_throttle_safe();
  }
  return done();
}

Machine::Answer Machine::read_limits() {
  uint8_t payload[Limits::SIZE + 4 * LIMIT_SLOTS + framing::CRC_SIZE];
  sender_.send(payload, limits_.pack(payload), messages::ANSWER);
  return done();
}

Machine::Answer Machine::arm(const Arm &command, uint32_t now_us) {
  if (state_ != STATE_LOCKED) {
    return wrong_state();
  }
  if (command.limits_crc != limits_.checksum()) {
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
  hooks::note_driving(true);
  if (servo_us_ == 0 && limits_[LIMIT_SERVO_SAFE_US] != 0) {
    put_servo(limits_.small(LIMIT_SERVO_SAFE_US));
  }
  change_state(STATE_ARMED, now_us);
  latch.guarding = 1;  // last: from here on the interrupt may trip
  return done();
}

void Machine::load_rules(uint32_t now_us) {
  overspeed_.set(limits_[LIMIT_OVERSPEED_TICKS], static_cast<uint8_t>(limits_[LIMIT_OVERSPEED_CONFIRM]));
  vibration_.set(limits_.small(LIMIT_VIBRATION_COUNTS), limits_.small(LIMIT_VIBRATION_WINDOW));
  heartbeat_.set(limits_.small(LIMIT_HEARTBEAT_MS));
  last_sample_us_ = last_judged_us_ = now_us;
  judge_within_us_ = SAMPLE_SILENCE_US + two_windows_us(limits_[LIMIT_VIBRATION_WINDOW], identity_.vibration_rate_hz);
}

Machine::Answer Machine::disarm(uint32_t now_us) {
  if (driving()) {
    make_throttle_safe();
    disarming_ = true;
    settle_turning(now_us);
  }
  return done();
}

Machine::Answer Machine::abort(const Abort &command, uint32_t now_us) {
  if (state_ == STATE_LOCKED) {
    return wrong_state();
  }
  if (state_ != STATE_TRIPPED) {  // an odd reason is no reason to refuse
    trip(command.reason == REASON_HOST_RULE ? REASON_HOST_RULE : REASON_OPERATOR_ABORT, 0, now_us);
  }
  return done();
}

Machine::Answer Machine::reset(uint32_t now_us) {
  if (state_ != STATE_TRIPPED) {
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
  change_state(STATE_LOCKED, now_us);
  return done();
}

// --- set-points: the latest one rules ---

Machine::Answer Machine::throttle(const Throttle &command) {
  const uint16_t safe_us = limits_.small(LIMIT_THROTTLE_SAFE_US);
  if (command.pulse_us != safe_us) {  // the safe pulse is never refused
    if (!driving() || disarming_) {
      return wrong_state();
    }
    if (command.pulse_us < safe_us || command.pulse_us > limits_.small(LIMIT_THROTTLE_MAX_US)) {
      return refuse(RESULT_BAD_VALUE);
    }
  }
  throttle_command_us_ = command.pulse_us;
  if (governing_ && parameters_[GOVERNOR_MODE] == GOVERNOR_MODE_THROTTLE) {
    release_governor();
  }
  if (driving() && static_cast<uint32_t>(command.pulse_us) << 16 < throttle_q16_) {
    put_throttle(static_cast<uint32_t>(command.pulse_us) << 16);
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
  if (governing_ && parameters_[GOVERNOR_MODE] == GOVERNOR_MODE_PITCH) {
    release_governor();
  }
  put_servo(command.pulse_us);
  return done();
}

}  // namespace machine
