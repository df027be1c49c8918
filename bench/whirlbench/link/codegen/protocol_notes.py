"""What each field and each number of the protocol means, for the tables of PROTOCOL.md."""

from __future__ import annotations

from enum import IntEnum

from whirlbench.link.messages import Board, EventKind, Flag, GovernorId, GovernorMode, Reason, Restart, Result, State

_TIME = "device time, microseconds modulo 2^32"
_STATE = "a State"
_REASON = "a Reason; NONE unless tripped"

FIELD_NOTES: dict[str, dict[str, str]] = {
    "Hello": {
        "protocol": "version this device speaks",
        "board": "a Board",
        "firmware_major": "of the sketch",
        "firmware_minor": "of the sketch",
        "restart_cause": "bits of Restart: why it last started; 0 when a boot loader has cleared them",
        "channels": "rows of the channel table that follow",
        "build_id": "CRC-32 over the sketch's sources; 0 when built by hand",
        "time_us": _TIME,
        "limits_crc": "checksum of the limit table in force",
        "slow_rate_hz": "Slow messages a second",
        "vibration_rate_hz": "nominal rate of the accelerometer; it runs on its own clock",
        "vibration_axes": "3, or 0 when no accelerometer answered at start",
        "state": _STATE,
        "reason": _REASON,
    },
    "ChannelInfo": {
        "index": "row number, from 0",
        "stream": "type of the message that carries the quantity",
        "bits": "significant bits of its counts",
        "name": "ASCII, padded with zero bytes",
        "unit": "ASCII, padded with zero bytes",
    },
    "Slow": {
        "time_us": _TIME,
        "period_ticks": "latest tach period, ticks of 0.5 us; 0 at rest and after the first edge",
        "current_counts": "10-bit ADC, latest conversion",
        "voltage_counts": "10-bit ADC, latest conversion",
        "servo_counts": "10-bit ADC, feedback of the pitch servo; 0xFFFF when not fitted",
        "load_counts": "24-bit load-cell converter, latest reading, sign extended",
        "throttle_us": "pulse going out to the speed controller; 0: none, no safe pulse was ever set",
        "servo_us": "pulse going out to the pitch servo; 0: none yet",
        "request_rpm": "speed asked of the governor; 0: none",
        "state": _STATE,
        "reason": _REASON,
        "supply_mv": "supply of the microcontroller, measured against its own reference; 0: not measured",
        "load_age_ms": "time since load_counts was read; 255: that long, longer, or never",
        "flags": "bits of Flag",
    },
    "Tach": {
        "first_index": "running number of the first edge",
        "half_us": "bit i: edge i came half a microsecond after its time",
        "edges_us": "1 to 16 edges, " + _TIME,
    },
    "Vibration": {
        "time_us": "of the first sample, " + _TIME,
        "period_ns": "between samples, as measured by the device's clock",
        "first_index": "running number of the first sample, modulo 2^32",
        "axes": "3",
        "counts": "1 to 16 samples, each axis 0, 1, 2; 3.9 mg a count",
    },
    "DeviceEvent": {
        "time_us": "of the happening, " + _TIME,
        "kind": "an EventKind",
        "state": "the state it led to",
        "reason": _REASON,
        "detail": "STATE: the previous state; TRIP: the value that broke the limit (below); RESTARTED: restart cause; "
        "CUT_FAILED: see EventKind",
    },
    "Ack": {
        "command": "type of the command",
        "command_sequence": "sequence number it came under",
        "result": "a Result",
        "detail": "WRONG_STATE: the state; LIMITS_DIFFER: the device's checksum; WRONG_VERSION: its version; "
        "BAD_VALUE: limit slot or governor parameter; else 0",
    },
    "Counters": {
        "time_us": _TIME,
        "telemetry_dropped": "frames not sent for want of room, since start",
        "bad_frames": "damaged frames from the host, since start; stays at 65535",
        "receive_overruns": "bytes from the host that were lost, since start, modulo 2^16",
        "accelerometer_overruns": "samples lost (by time), since start, modulo 2^16",
        "tach_overruns": "tach edges lost, since start, modulo 2^16; the overspeed rule saw them",
        "load_cell_readings": "since the last Counters: 80 when all is well",
        "longest_loop_us": "longest turn of the main loop since the last Counters",
        "free_ram_bytes": "memory that the stack has never reached",
    },
    "Limits": {"crc": "checksum of the table", "values": "all slots, in order"},
    "Identify": {"protocol": "version the host speaks"},
    "Heartbeat": {"count": "free for the host"},
    "SetLimit": {"limit": "a slot number", "value": "see the limit table"},
    "Arm": {"limits_crc": "checksum of the table the host believes to be in force"},
    "Throttle": {"pulse_us": "from THROTTLE_SAFE_US to THROTTLE_MAX_US"},
    "Pitch": {"pulse_us": "from SERVO_MIN_US to SERVO_MAX_US"},
    "Request": {"speed_rpm": "0 lets the governor go"},
    "SetGovernor": {"parameter": "a governor parameter", "value": "see the governor's table"},
    "Abort": {"reason": "HOST_RULE; anything else counts as OPERATOR_ABORT"},
}

MEMBER_NOTES: dict[type[IntEnum], dict[str, str]] = {
    State: {
        "LOCKED": "safe pulse only; limits may be set; nothing is watched because nothing can be driven",
        "ARMED": "all rules watch; throttle safe and rotor at rest",
        "TURNING": "all rules watch; throttle above safe, or an edge within REST_MS",
        "TRIPPED": "power cut, latched; only Reset leads out",
    },
    Reason: {
        "OVERSPEED": "device rule; detail: the short period, ticks",
        "VIBRATION": "device rule; detail: RMS of the window, counts, rounded down; -1: none was judged in time",
        "HEARTBEAT_LOST": "device rule; detail: silence in ms",
        "OPERATOR_ABORT": "Abort; detail: 0",
        "HOST_RULE": "Abort by a rule of the host; detail: 0",
        "RESTART": "the device started again by itself; detail: restart cause",
        "OVER_CURRENT": "device rule; detail: counts",
        "LOST_TACH": "device rule; detail: silence in ms; negative: minus the period that nothing explains, ticks",
        "STUCK_SERVO": "device rule; detail: counts of the feedback",
        "ACCELEROMETER": "device rule: one axis frozen or at its rail; detail: its counts",
        "LOAD_CELL": "device rule: at its rail (detail: counts) or silent (detail: age in ms)",
        "CURRENT_SENSOR": "device rule: the current's ADC is at its rail; detail: counts",
        "SUPPLY_LOW": "device rule; detail: mV; 0: not measured",
        "PACK_LOW": "device rule; detail: counts",
        "LOOP_OVERRUN": "device rule; detail: turn of the loop in us",
        "LIMITS_CORRUPT": "device rule: the table in memory does not fit its checksum; detail: 0",
        "CUT_FAILED": "after Disarm the rotor does not slow; detail: as of the event CUT_FAILED",
    },
    Result: {
        "UNKNOWN_COMMAND": "intact frame of a type that is no command",
        "BAD_VALUE": "value, slot, parameter or length out of range: nothing was changed",
        "WRONG_STATE": "not in this state: nothing was changed",
        "LIMITS_DIFFER": "Arm: checksum differs",
        "NOT_AT_REST": "Arm, Reset: an edge within REST_MS, or less than REST_MS since start",
        "THROTTLE_NOT_SAFE": "Arm, Reset: the commanded throttle is above safe",
        "HEARTBEAT_MISSING": "Arm: no heartbeat within HEARTBEAT_MS",
        "WRONG_VERSION": "Identify: the host speaks another version",
        "ABOVE_OVERSPEED": "Request: above the speed that OVERSPEED_TICKS permits; detail: that speed, rpm",
    },
    EventKind: {
        "STATE": "detail: the previous state",
        "TRIP": "detail: the value that broke the limit",
        "RESTARTED": "detail: restart cause",
        "CUT_FAILED": "the power was cut and the speed did not fall (detail: tach period, ticks) or the current did "
        "not (detail: -1 - counts): **open the isolator**",
    },
    Flag: {
        "SECOND_CUT_CLOSED": "bit 0: the second cut's output is on",
        "CUT_FAILED": "bit 1: open the isolator; latched until Reset",
        "DISARMING": "bit 2: Disarm came while turning, rest is awaited",
        "TACH_DOUBTED": "bit 3: the latest period jumped by half or more; the governor holds",
    },
    Board: {},
    Restart: {"POWER_ON": "bit 0", "EXTERNAL": "bit 1: reset pin", "BROWN_OUT": "bit 2", "WATCHDOG": "bit 3"},
    GovernorMode: {
        "PASS_THROUGH": "pulses go out as commanded; Request is only stored and reported",
        "THROTTLE": "PI from speed error to the throttle pulse",
        "PITCH": "PI from speed error to the pitch servo's pulse; throttle as commanded",
    },
    GovernorId: {
        "MODE": "a GovernorMode; changes only while locked or armed",
        "THROTTLE_KP": "us per rpm, Q16.16, within ±1000 us per rpm",
        "THROTTLE_KI": "us per rpm per second, Q16.16, likewise",
        "PITCH_KP": "us of servo pulse per rpm, Q16.16; negative where a longer pulse means more pitch",
        "PITCH_KI": "us of servo pulse per rpm per second, Q16.16",
        "THROTTLE_MIN_US": "0 to 2400; in force: the larger of this and THROTTLE_SAFE_US",
        "THROTTLE_MAX_US": "0 to 2400; in force: the smaller of this and the limit table's THROTTLE_MAX_US",
        "PITCH_MIN_US": "0 to 2400; in force: the larger of this and SERVO_MIN_US",
        "PITCH_MAX_US": "0 to 2400; in force: the smaller of this and SERVO_MAX_US",
        "THROTTLE_SLEW_US_PER_S": "0 to 65535, both ways; rising also within the limit table's; 0: none of its own",
        "PITCH_SLEW_US_PER_S": "0 to 65535, both ways; 0: none",
    },
}
