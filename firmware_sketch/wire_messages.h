// Generated from bench/whirlbench/link/messages.py by: python -m whirlbench.link.codegen.cpp_declarations firmware_sketch/wire_messages.h
// Do not edit: tests/firmware/native/test_declarations.py fails when this file and the Python classes differ.
#pragma once

#include <stdint.h>
#include <string.h>

#include "board_flash.h"
#include "build_choice.h"

namespace wire {

// Little-endian bytes, written one by one: no alignment and no host byte order in the protocol.
inline void put_u8(uint8_t *at, uint8_t value) { at[0] = value; }
inline void put_u16(uint8_t *at, uint16_t value) {
  at[0] = static_cast<uint8_t>(value);
  at[1] = static_cast<uint8_t>(value >> 8);
}
inline void put_u32(uint8_t *at, uint32_t value) {
  put_u16(at, static_cast<uint16_t>(value));
  put_u16(at + 2, static_cast<uint16_t>(value >> 16));
}
inline void put_i16(uint8_t *at, int16_t value) { put_u16(at, static_cast<uint16_t>(value)); }
inline void put_i32(uint8_t *at, int32_t value) { put_u32(at, static_cast<uint32_t>(value)); }
inline uint8_t get_u8(const uint8_t *at) { return at[0]; }
inline uint16_t get_u16(const uint8_t *at) {
  return static_cast<uint16_t>(at[0] | (static_cast<uint16_t>(at[1]) << 8));
}
inline uint32_t get_u32(const uint8_t *at) {
  return get_u16(at) | (static_cast<uint32_t>(get_u16(at + 2)) << 16);
}
inline int32_t get_i32(const uint8_t *at) { return static_cast<int32_t>(get_u32(at)); }

const uint8_t PROTOCOL_VERSION = 2;
const uint8_t TICKS_PER_US = 2;
const uint8_t LIMIT_SLOTS = 33;
const uint8_t GOVERNOR_PARAMETERS = 11;
const uint8_t MOST_EDGES = 16;
const uint8_t VIBRATION_BLOCK = 16;
const uint8_t CHANNELS = 12;
const uint8_t LONGEST_PAYLOAD = 138;
const uint8_t LONGEST_COMMAND = 7;
const uint16_t ADC_FULL = 1023;
const uint16_t THROTTLE_START_HZ = 400;
const uint16_t SERVO_START_HZ = 50;

// Greatest pulse that may count as safe.
const uint16_t SAFE_PULSE_CAP_US = build::MIDDLE_NEUTRAL ? 1600 : 1200;

enum State : uint8_t {
  STATE_LOCKED = 0,
  STATE_ARMED = 1,
  STATE_TURNING = 2,
  STATE_TRIPPED = 3,
};

enum Reason : uint8_t {
  REASON_NONE = 0,
  REASON_OVERSPEED = 1,
  REASON_VIBRATION = 2,
  REASON_HEARTBEAT_LOST = 3,
  REASON_OPERATOR_ABORT = 4,
  REASON_HOST_RULE = 5,
  REASON_RESTART = 6,
  REASON_OVER_CURRENT = 7,
  REASON_LOST_TACH = 8,
  REASON_STUCK_SERVO = 9,
  REASON_ACCELEROMETER = 10,
  REASON_LOAD_CELL = 11,
  REASON_CURRENT_SENSOR = 12,
  REASON_SUPPLY_LOW = 13,
  REASON_PACK_LOW = 14,
  REASON_LOOP_OVERRUN = 15,
  REASON_LIMITS_CORRUPT = 16,
  REASON_CUT_FAILED = 17,
};

enum Flag : uint8_t {
  FLAG_SECOND_CUT_CLOSED = 1,
  FLAG_CUT_FAILED = 2,
  FLAG_DISARMING = 4,
  FLAG_TACH_DOUBTED = 8,
};

enum Board : uint8_t {
  BOARD_ATMEGA2560 = 1,
  BOARD_ATMEGA328P = 2,
  BOARD_SIMULATED_STAND = 3,
};

enum Accelerometer : uint8_t {
  ACCELEROMETER_NONE = 0,
  ACCELEROMETER_BITS_13 = 1,
  ACCELEROMETER_BITS_12 = 2,
  ACCELEROMETER_SIMULATED = 3,
};

enum LoadConverter : uint8_t {
  LOAD_CONVERTER_PULSED_GAIN = 1,
  LOAD_CONVERTER_STRAPPED_GAIN = 2,
  LOAD_CONVERTER_SIMULATED = 3,
};

enum Restart : uint8_t {
  RESTART_POWER_ON = 1,
  RESTART_EXTERNAL = 2,
  RESTART_BROWN_OUT = 4,
  RESTART_WATCHDOG = 8,
};

enum LimitId : uint8_t {
  LIMIT_OVERSPEED_TICKS = 0,
  LIMIT_OVERSPEED_CONFIRM = 1,
  LIMIT_VIBRATION_COUNTS = 2,
  LIMIT_VIBRATION_WINDOW = 3,
  LIMIT_HEARTBEAT_MS = 4,
  LIMIT_REST_MS = 5,
  LIMIT_THROTTLE_SAFE_US = 6,
  LIMIT_THROTTLE_MAX_US = 7,
  LIMIT_SERVO_MIN_US = 8,
  LIMIT_SERVO_MAX_US = 9,
  LIMIT_THROTTLE_SLEW_US_PER_S = 10,
  LIMIT_PULSES_PER_REV = 11,
  LIMIT_CURRENT_COUNTS = 12,
  LIMIT_SLOW_CONFIRM_MS = 13,
  LIMIT_LOST_TACH_MS = 14,
  LIMIT_STUCK_SERVO_COUNTS = 15,
  LIMIT_SERVO_SAFE_US = 16,
  LIMIT_CURRENT_LEAST_COUNTS = 17,
  LIMIT_CURRENT_ZERO_COUNTS = 18,
  LIMIT_CUT_CURRENT_COUNTS = 19,
  LIMIT_CUT_PROOF_MS = 20,
  LIMIT_START_TACH_MS = 21,
  LIMIT_DRIVEN_US = 22,
  LIMIT_VOLTAGE_COUNTS = 23,
  LIMIT_SUPPLY_MV = 24,
  LIMIT_LOAD_SILENCE_MS = 25,
  LIMIT_FROZEN_SAMPLES = 26,
  LIMIT_STUCK_SERVO_MS = 27,
  LIMIT_SERVO_LOW_COUNTS = 28,
  LIMIT_SERVO_HIGH_COUNTS = 29,
  LIMIT_TACH_JUMP_PERIODS = 30,
  LIMIT_THROTTLE_RATE_HZ = 31,
  LIMIT_SERVO_RATE_HZ = 32,
};

enum GovernorId : uint8_t {
  GOVERNOR_MODE = 0,
  GOVERNOR_THROTTLE_KP = 1,
  GOVERNOR_THROTTLE_KI = 2,
  GOVERNOR_PITCH_KP = 3,
  GOVERNOR_PITCH_KI = 4,
  GOVERNOR_THROTTLE_MIN_US = 5,
  GOVERNOR_THROTTLE_MAX_US = 6,
  GOVERNOR_PITCH_MIN_US = 7,
  GOVERNOR_PITCH_MAX_US = 8,
  GOVERNOR_THROTTLE_SLEW_US_PER_S = 9,
  GOVERNOR_PITCH_SLEW_US_PER_S = 10,
};

enum GovernorMode : uint8_t {
  GOVERNOR_MODE_PASS_THROUGH = 0,
  GOVERNOR_MODE_THROTTLE = 1,
  GOVERNOR_MODE_PITCH = 2,
};

enum EventKind : uint8_t {
  EVENT_STATE = 1,
  EVENT_TRIP = 2,
  EVENT_RESTARTED = 3,
  EVENT_CUT_FAILED = 4,
};

enum Result : uint8_t {
  RESULT_DONE = 0,
  RESULT_UNKNOWN_COMMAND = 1,
  RESULT_BAD_VALUE = 2,
  RESULT_WRONG_STATE = 3,
  RESULT_LIMITS_DIFFER = 4,
  RESULT_NOT_AT_REST = 5,
  RESULT_THROTTLE_NOT_SAFE = 6,
  RESULT_HEARTBEAT_MISSING = 7,
  RESULT_WRONG_VERSION = 8,
  RESULT_ABOVE_OVERSPEED = 9,
};

// Start value, lowest, highest, and whether zero (rule off) is admitted besides.
struct LimitRange {
  uint32_t start, lowest, highest;
  uint8_t zero;
};
static const LimitRange LIMIT_RANGES[LIMIT_SLOTS] IN_FLASH = {
    {0UL, 100UL, 20000000UL, 1},  // OVERSPEED_TICKS
    {1UL, 1UL, 10UL, 0},  // OVERSPEED_CONFIRM
    {0UL, 1UL, 65535UL, 1},  // VIBRATION_COUNTS
    {64UL, 8UL, 256UL, 0},  // VIBRATION_WINDOW
    {0UL, 20UL, 2000UL, 1},  // HEARTBEAT_MS
    {1000UL, 100UL, 10000UL, 0},  // REST_MS
    {0UL, 800UL, SAFE_PULSE_CAP_US, 0},  // THROTTLE_SAFE_US
    {1000UL, 800UL, 2200UL, 0},  // THROTTLE_MAX_US
    {1500UL, 500UL, 2400UL, 0},  // SERVO_MIN_US
    {1500UL, 500UL, 2400UL, 0},  // SERVO_MAX_US
    {400UL, 1UL, 65535UL, 1},  // THROTTLE_SLEW_US_PER_S
    {1UL, 1UL, 30UL, 0},  // PULSES_PER_REV
    {0UL, 1UL, 1022UL, 1},  // CURRENT_COUNTS
    {20UL, 2UL, 2000UL, 0},  // SLOW_CONFIRM_MS
    {0UL, 20UL, 5000UL, 1},  // LOST_TACH_MS
    {0UL, 1UL, 1023UL, 1},  // STUCK_SERVO_COUNTS
    {0UL, 500UL, 2400UL, 1},  // SERVO_SAFE_US
    {0UL, 1UL, 1022UL, 1},  // CURRENT_LEAST_COUNTS
    {0UL, 0UL, 1023UL, 0},  // CURRENT_ZERO_COUNTS
    {0UL, 1UL, 1023UL, 1},  // CUT_CURRENT_COUNTS
    {3000UL, 100UL, 20000UL, 0},  // CUT_PROOF_MS
    {2000UL, 100UL, 10000UL, 0},  // START_TACH_MS
    {1100UL, 800UL, 2200UL, 0},  // DRIVEN_US
    {0UL, 1UL, 1022UL, 1},  // VOLTAGE_COUNTS
    {0UL, 2000UL, 6000UL, 1},  // SUPPLY_MV
    {0UL, 30UL, 250UL, 1},  // LOAD_SILENCE_MS
    {0UL, 16UL, 4000UL, 1},  // FROZEN_SAMPLES
    {1000UL, 20UL, 10000UL, 0},  // STUCK_SERVO_MS
    {0UL, 0UL, 1023UL, 0},  // SERVO_LOW_COUNTS
    {0UL, 0UL, 1023UL, 0},  // SERVO_HIGH_COUNTS
    {0UL, 2UL, 30UL, 1},  // TACH_JUMP_PERIODS
    {400UL, 40UL, 400UL, 0},  // THROTTLE_RATE_HZ
    {50UL, 40UL, 400UL, 0},  // SERVO_RATE_HZ
};

struct ChannelRow {
  uint8_t index, stream, bits;
  char name[16];
  char unit[8];
};
static const ChannelRow CHANNEL_ROWS[CHANNELS] IN_FLASH = {
    {0, 0x10, 32, "tach period", "0.5us"},
    {1, 0x10, 10, "current", "count"},
    {2, 0x10, 10, "voltage", "count"},
    {3, 0x10, 10, "servo feedback", "count"},
    {4, 0x10, 24, "thrust load", "count"},
    {5, 0x10, 16, "throttle pulse", "us"},
    {6, 0x10, 16, "servo pulse", "us"},
    {7, 0x10, 16, "speed request", "rpm"},
    {8, 0x11, 33, "tach edge", "0.5us"},
    {9, 0x12, 13, "along shaft", "count"},
    {10, 0x12, 13, "across, level", "count"},
    {11, 0x12, 13, "across, upright", "count"},
};

// Answer to Identify, also sent unasked once after a restart.
struct Hello {
  enum : uint8_t { TYPE = 0x01, SIZE = 35 };
  uint8_t protocol;  // at 2
  uint8_t board;  // at 3
  uint8_t firmware_major;  // at 4
  uint8_t firmware_minor;  // at 5
  uint8_t restart_cause;  // at 6
  uint8_t channels;  // at 7
  uint32_t build_id;  // at 8
  uint32_t time_us;  // at 12
  uint32_t limits_crc;  // at 16
  uint16_t slow_rate_hz;  // at 20
  uint16_t vibration_rate_hz;  // at 22
  uint8_t vibration_axes;  // at 24
  uint8_t state;  // at 25
  uint8_t reason;  // at 26
  uint8_t accelerometer;  // at 27
  uint16_t accelerometer_ug_per_count;  // at 28
  uint8_t load_converter;  // at 30
  uint32_t load_counts_per_mv_v;  // at 31
};
inline uint8_t pack(const Hello &message, uint8_t *at) {
  at[0] = Hello::TYPE;
  at[1] = 0;  // sequence number, stamped when the frame is sent
  put_u8(at + 2, message.protocol);
  put_u8(at + 3, message.board);
  put_u8(at + 4, message.firmware_major);
  put_u8(at + 5, message.firmware_minor);
  put_u8(at + 6, message.restart_cause);
  put_u8(at + 7, message.channels);
  put_u32(at + 8, message.build_id);
  put_u32(at + 12, message.time_us);
  put_u32(at + 16, message.limits_crc);
  put_u16(at + 20, message.slow_rate_hz);
  put_u16(at + 22, message.vibration_rate_hz);
  put_u8(at + 24, message.vibration_axes);
  put_u8(at + 25, message.state);
  put_u8(at + 26, message.reason);
  put_u8(at + 27, message.accelerometer);
  put_u16(at + 28, message.accelerometer_ug_per_count);
  put_u8(at + 30, message.load_converter);
  put_u32(at + 31, message.load_counts_per_mv_v);
  return Hello::SIZE;
}

// One row of the channel table, sent after Hello; names are padded with zero bytes.
struct ChannelInfo {
  enum : uint8_t { TYPE = 0x02, SIZE = 29 };
  uint8_t index;  // at 2
  uint8_t stream;  // at 3
  uint8_t bits;  // at 4
  char name[16];  // at 5
  char unit[8];  // at 21
};
inline uint8_t pack(const ChannelInfo &message, uint8_t *at) {
  at[0] = ChannelInfo::TYPE;
  at[1] = 0;  // sequence number, stamped when the frame is sent
  put_u8(at + 2, message.index);
  put_u8(at + 3, message.stream);
  put_u8(at + 4, message.bits);
  memcpy(at + 5, message.name, 16);
  memcpy(at + 21, message.unit, 8);
  return ChannelInfo::SIZE;
}

// The slow channels at one instant, in counts.
struct Slow {
  enum : uint8_t { TYPE = 0x10, SIZE = 32 };
  uint32_t time_us;  // at 2
  uint32_t period_ticks;  // at 6
  uint16_t current_counts;  // at 10
  uint16_t voltage_counts;  // at 12
  uint16_t servo_counts;  // at 14
  int32_t load_counts;  // at 16
  uint16_t throttle_us;  // at 20
  uint16_t servo_us;  // at 22
  uint16_t request_rpm;  // at 24
  uint8_t state;  // at 26
  uint8_t reason;  // at 27
  uint16_t supply_mv;  // at 28
  uint8_t load_age_ms;  // at 30
  uint8_t flags;  // at 31
};
inline uint8_t pack(const Slow &message, uint8_t *at) {
  at[0] = Slow::TYPE;
  at[1] = 0;  // sequence number, stamped when the frame is sent
  put_u32(at + 2, message.time_us);
  put_u32(at + 6, message.period_ticks);
  put_u16(at + 10, message.current_counts);
  put_u16(at + 12, message.voltage_counts);
  put_u16(at + 14, message.servo_counts);
  put_i32(at + 16, message.load_counts);
  put_u16(at + 20, message.throttle_us);
  put_u16(at + 22, message.servo_us);
  put_u16(at + 24, message.request_rpm);
  put_u8(at + 26, message.state);
  put_u8(at + 27, message.reason);
  put_u16(at + 28, message.supply_mv);
  put_u8(at + 30, message.load_age_ms);
  put_u8(at + 31, message.flags);
  return Slow::SIZE;
}

// Tach edges since the last such message, at most 16.
struct Tach {
  enum : uint8_t { TYPE = 0x11, SIZE = 8 };
  uint32_t first_index;  // at 2
  uint16_t half_us;  // at 6
  // tail of uint32_t entries at 8
};
inline uint8_t pack(const Tach &message, uint8_t *at) {
  at[0] = Tach::TYPE;
  at[1] = 0;  // sequence number, stamped when the frame is sent
  put_u32(at + 2, message.first_index);
  put_u16(at + 6, message.half_us);
  return Tach::SIZE;
}

// A block of accelerometer samples, axes interleaved; counts is raw little-endian i16.
struct Vibration {
  enum : uint8_t { TYPE = 0x12, SIZE = 15 };
  uint32_t time_us;  // at 2
  uint32_t period_ns;  // at 6
  uint32_t first_index;  // at 10
  uint8_t axes;  // at 14
  // tail of int16_t entries at 15
};
inline uint8_t pack(const Vibration &message, uint8_t *at) {
  at[0] = Vibration::TYPE;
  at[1] = 0;  // sequence number, stamped when the frame is sent
  put_u32(at + 2, message.time_us);
  put_u32(at + 6, message.period_ns);
  put_u32(at + 10, message.first_index);
  put_u8(at + 14, message.axes);
  return Vibration::SIZE;
}

// A change of state, a trip, a restart; every Slow message repeats state and reason, so its loss is harmless.
struct DeviceEvent {
  enum : uint8_t { TYPE = 0x13, SIZE = 13 };
  uint32_t time_us;  // at 2
  uint8_t kind;  // at 6
  uint8_t state;  // at 7
  uint8_t reason;  // at 8
  int32_t detail;  // at 9
};
inline uint8_t pack(const DeviceEvent &message, uint8_t *at) {
  at[0] = DeviceEvent::TYPE;
  at[1] = 0;  // sequence number, stamped when the frame is sent
  put_u32(at + 2, message.time_us);
  put_u8(at + 6, message.kind);
  put_u8(at + 7, message.state);
  put_u8(at + 8, message.reason);
  put_i32(at + 9, message.detail);
  return DeviceEvent::SIZE;
}

// Answer to every command but Heartbeat; command_sequence repeats the command's sequence number.
struct Ack {
  enum : uint8_t { TYPE = 0x14, SIZE = 9 };
  uint8_t command;  // at 2
  uint8_t command_sequence;  // at 3
  uint8_t result;  // at 4
  uint32_t detail;  // at 5
};
inline uint8_t pack(const Ack &message, uint8_t *at) {
  at[0] = Ack::TYPE;
  at[1] = 0;  // sequence number, stamped when the frame is sent
  put_u8(at + 2, message.command);
  put_u8(at + 3, message.command_sequence);
  put_u8(at + 4, message.result);
  put_u32(at + 5, message.detail);
  return Ack::SIZE;
}

// Losses on the device's side, once a second.
struct Counters {
  enum : uint8_t { TYPE = 0x15, SIZE = 28 };
  uint32_t time_us;  // at 2
  uint32_t telemetry_dropped;  // at 6
  uint16_t bad_frames;  // at 10
  uint16_t receive_overruns;  // at 12
  uint16_t accelerometer_overruns;  // at 14
  uint16_t tach_overruns;  // at 16
  uint16_t tach_missed;  // at 18
  uint16_t tach_extra;  // at 20
  uint16_t load_cell_readings;  // at 22
  uint16_t longest_loop_us;  // at 24
  uint16_t free_ram_bytes;  // at 26
};
inline uint8_t pack(const Counters &message, uint8_t *at) {
  at[0] = Counters::TYPE;
  at[1] = 0;  // sequence number, stamped when the frame is sent
  put_u32(at + 2, message.time_us);
  put_u32(at + 6, message.telemetry_dropped);
  put_u16(at + 10, message.bad_frames);
  put_u16(at + 12, message.receive_overruns);
  put_u16(at + 14, message.accelerometer_overruns);
  put_u16(at + 16, message.tach_overruns);
  put_u16(at + 18, message.tach_missed);
  put_u16(at + 20, message.tach_extra);
  put_u16(at + 22, message.load_cell_readings);
  put_u16(at + 24, message.longest_loop_us);
  put_u16(at + 26, message.free_ram_bytes);
  return Counters::SIZE;
}

// The limit table as the device holds it, echoed before arming.
struct Limits {
  enum : uint8_t { TYPE = 0x16, SIZE = 6 };
  uint32_t crc;  // at 2
  // tail of uint32_t entries at 6
};
inline uint8_t pack(const Limits &message, uint8_t *at) {
  at[0] = Limits::TYPE;
  at[1] = 0;  // sequence number, stamped when the frame is sent
  put_u32(at + 2, message.crc);
  return Limits::SIZE;
}

// The host knocks and names its protocol version; the device answers Hello, the channel table and an Ack.
struct Identify {
  enum : uint8_t { TYPE = 0x80, SIZE = 3 };
  uint8_t protocol;  // at 2
};
inline void unpack(const uint8_t *at, Identify &message) {
  message.protocol = get_u8(at + 2);
}

// The host is alive, saw fresh telemetry and heard its operator's surface. Not acknowledged.
struct Heartbeat {
  enum : uint8_t { TYPE = 0x81, SIZE = 4 };
  uint16_t count;  // at 2
};
inline void unpack(const uint8_t *at, Heartbeat &message) {
  message.count = get_u16(at + 2);
}

// Writes one slot of the limit table; only while locked.
struct SetLimit {
  enum : uint8_t { TYPE = 0x82, SIZE = 7 };
  uint8_t limit;  // at 2
  uint32_t value;  // at 3
};
inline void unpack(const uint8_t *at, SetLimit &message) {
  message.limit = get_u8(at + 2);
  message.value = get_u32(at + 3);
}

// Asks for the Limits echo.
struct ReadLimits {
  enum : uint8_t { TYPE = 0x83, SIZE = 2 };
};
inline void unpack(const uint8_t *, ReadLimits &) {
}

// Leaves locked, if at rest, throttle safe, heartbeat fresh and limits_crc equal to the device's own.
struct Arm {
  enum : uint8_t { TYPE = 0x84, SIZE = 6 };
  uint32_t limits_crc;  // at 2
};
inline void unpack(const uint8_t *at, Arm &message) {
  message.limits_crc = get_u32(at + 2);
}

// Back to locked from armed; from turning the throttle is taken to safe and locked follows at rest.
struct Disarm {
  enum : uint8_t { TYPE = 0x85, SIZE = 2 };
};
inline void unpack(const uint8_t *, Disarm &) {
}

// Pulse for the speed controller; limited by the table and its slew.
struct Throttle {
  enum : uint8_t { TYPE = 0x86, SIZE = 4 };
  uint16_t pulse_us;  // at 2
};
inline void unpack(const uint8_t *at, Throttle &message) {
  message.pulse_us = get_u16(at + 2);
}

// Pulse for the pitch servo; limited by the table.
struct Pitch {
  enum : uint8_t { TYPE = 0x87, SIZE = 4 };
  uint16_t pulse_us;  // at 2
};
inline void unpack(const uint8_t *at, Pitch &message) {
  message.pulse_us = get_u16(at + 2);
}

// Speed asked of the governor; recorded as told also when the speed controller governs.
struct Request {
  enum : uint8_t { TYPE = 0x88, SIZE = 4 };
  uint16_t speed_rpm;  // at 2
};
inline void unpack(const uint8_t *at, Request &message) {
  message.speed_rpm = get_u16(at + 2);
}

// Writes one governor parameter; MODE changes only while locked or armed, the others at any time.
struct SetGovernor {
  enum : uint8_t { TYPE = 0x89, SIZE = 7 };
  uint8_t parameter;  // at 2
  int32_t value;  // at 3
};
inline void unpack(const uint8_t *at, SetGovernor &message) {
  message.parameter = get_u8(at + 2);
  message.value = get_i32(at + 3);
}

// Cuts the power at once. reason is OPERATOR_ABORT or HOST_RULE.
struct Abort {
  enum : uint8_t { TYPE = 0x8a, SIZE = 3 };
  uint8_t reason;  // at 2
};
inline void unpack(const uint8_t *at, Abort &message) {
  message.reason = get_u8(at + 2);
}

// Leaves tripped for locked, at rest and with the throttle safe.
struct Reset {
  enum : uint8_t { TYPE = 0x8b, SIZE = 2 };
};
inline void unpack(const uint8_t *, Reset &) {
}

}  // namespace wire
