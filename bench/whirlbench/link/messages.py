"""Every message of the wire, declared once.

The sketch's C++ declarations, the tables of PROTOCOL.md and the golden frames are generated from these classes.
A payload is ``type u8, sequence u8, fields, tail``, little-endian; ``framing`` adds the CRC and the COBS envelope.
"""

from __future__ import annotations

import struct
from collections.abc import Callable
from enum import IntEnum
from typing import Annotated, Any, ClassVar, get_type_hints

import msgspec

from whirlbench.errors import LinkError

PROTOCOL_VERSION = 2
MOST_EDGES = 16  # in one Tach message
VIBRATION_BLOCK = 16  # samples in one Vibration message
AXES = 3
TICKS_PER_US = 2  # tach edges are captured on a 2 MHz counter

U8 = Annotated[int, "B"]
U16 = Annotated[int, "H"]
U32 = Annotated[int, "I"]
I32 = Annotated[int, "i"]
Name16 = Annotated[bytes, "16s"]
Name8 = Annotated[bytes, "8s"]


class State(IntEnum):
    """Where the stand is, as the device sees it."""

    LOCKED = 0
    ARMED = 1
    TURNING = 2
    TRIPPED = 3


class Reason(IntEnum):
    """Why the power was cut. Zero means that it was not."""

    NONE = 0
    OVERSPEED = 1
    VIBRATION = 2
    HEARTBEAT_LOST = 3
    OPERATOR_ABORT = 4
    HOST_RULE = 5
    RESTART = 6
    OVER_CURRENT = 7
    LOST_TACH = 8
    STUCK_SERVO = 9
    ACCELEROMETER = 10
    LOAD_CELL = 11
    CURRENT_SENSOR = 12
    SUPPLY_LOW = 13
    PACK_LOW = 14
    LOOP_OVERRUN = 15
    LIMITS_CORRUPT = 16
    CUT_FAILED = 17


class Flag(IntEnum):
    """Bits of ``flags`` in Slow: what the device does besides its state."""

    SECOND_CUT_CLOSED = 1  # the contactor, or the controller's supply, is switched on
    CUT_FAILED = 2  # the power was cut and the rotor, or the current, did not fall: open the isolator
    DISARMING = 4  # Disarm came while turning
    TACH_DOUBTED = 8  # the latest tach period jumped, or may be cut by a false edge: the governor holds


class Board(IntEnum):
    """What the sketch runs on."""

    ATMEGA2560 = 1
    ATMEGA328P = 2
    SIMULATED_STAND = 3


class Accelerometer(IntEnum):
    """Driver of the accelerometer that is fitted."""

    NONE = 0
    BITS_13 = 1
    BITS_12 = 2
    SIMULATED = 3


class LoadConverter(IntEnum):
    """Driver of the load cell's converter."""

    PULSED_GAIN = 1
    STRAPPED_GAIN = 2
    SIMULATED = 3


class Restart(IntEnum):
    """Bits of the restart cause, as the microcontroller's status register gives them."""

    POWER_ON = 1
    EXTERNAL = 2
    BROWN_OUT = 4
    WATCHDOG = 8


class GovernorId(IntEnum):
    """Parameters of the bench governor; gains are signed Q16.16."""

    MODE = 0
    THROTTLE_KP = 1  # us per rpm
    THROTTLE_KI = 2  # us per rpm per second
    PITCH_KP = 3  # us of servo per rpm
    PITCH_KI = 4
    THROTTLE_MIN_US = 5  # integer, us
    THROTTLE_MAX_US = 6
    PITCH_MIN_US = 7
    PITCH_MAX_US = 8
    THROTTLE_SLEW_US_PER_S = 9
    PITCH_SLEW_US_PER_S = 10


class GovernorMode(IntEnum):
    """Who turns a speed request into action."""

    PASS_THROUGH = 0  # the pulses go out as commanded: no governor, or the speed controller governs
    THROTTLE = 1  # PI from speed error to throttle pulse
    PITCH = 2  # PI from speed error to pitch servo pulse, throttle as commanded


class EventKind(IntEnum):
    """What an Event message reports."""

    STATE = 1  # detail: previous state
    TRIP = 2  # detail: the value that broke the limit, in wire units
    RESTARTED = 3  # detail: restart cause
    CUT_FAILED = 4  # detail: tach period, or -1 for the current


class Result(IntEnum):
    """The answer in an acknowledgement."""

    DONE = 0
    UNKNOWN_COMMAND = 1
    BAD_VALUE = 2
    WRONG_STATE = 3  # detail: the state
    LIMITS_DIFFER = 4  # detail: the device's checksum
    NOT_AT_REST = 5
    THROTTLE_NOT_SAFE = 6
    HEARTBEAT_MISSING = 7
    WRONG_VERSION = 8  # detail: the device's protocol version
    ABOVE_OVERSPEED = 9  # detail: greatest request that is accepted, rpm


class Message(msgspec.Struct, frozen=True, gc=False):
    """Base of all messages; ``TYPE`` is the first byte of the payload."""

    TYPE: ClassVar[int] = 0
    TAIL: ClassVar[str] = ""  # struct code of a variable-length tail, the last field; empty for none


# --- device to host: telemetry may be lost, and is counted by the sequence number ---------------------------------


class Hello(Message, frozen=True, gc=False):
    """Answer to Identify, also sent unasked once after a restart."""

    TYPE = 0x01
    protocol: U8
    board: U8
    firmware_major: U8
    firmware_minor: U8
    restart_cause: U8
    channels: U8
    build_id: U32
    time_us: U32
    limits_crc: U32
    slow_rate_hz: U16
    vibration_rate_hz: U16
    vibration_axes: U8
    state: U8
    reason: U8
    accelerometer: U8
    accelerometer_ug_per_count: U16  # nominal, of the part's data sheet
    load_converter: U8
    load_counts_per_mv_v: U32  # nominal; 0: not known


class ChannelInfo(Message, frozen=True, gc=False):
    """One row of the channel table, sent after Hello; names are padded with zero bytes."""

    TYPE = 0x02
    index: U8
    stream: U8  # type byte of the message that carries it
    bits: U8
    name: Name16
    unit: Name8


class Slow(Message, frozen=True, gc=False):
    """The slow channels at one instant, in counts."""

    TYPE = 0x10
    time_us: U32
    period_ticks: U32  # of the latest whole turn; 0 while none is known
    current_counts: U16
    voltage_counts: U16
    servo_counts: U16  # feedback of the pitch servo; 0xFFFF when not fitted
    load_counts: I32
    throttle_us: U16  # pulse going out
    servo_us: U16  # pulse going out
    request_rpm: U16
    state: U8
    reason: U8
    supply_mv: U16  # the device's own supply; 0: not measured
    load_age_ms: U8  # of load_counts; 255: older, or none yet
    flags: U8


class Tach(Message, frozen=True, gc=False):
    """Tach edges since the last such message, at most 16."""

    TYPE = 0x11
    TAIL = "I"
    first_index: U32  # running number of the first edge: a jump tells how many were lost
    half_us: U16  # bit i: edge i happened half a microsecond after its time
    edges_us: tuple[int, ...]


class Vibration(Message, frozen=True, gc=False):
    """A block of accelerometer samples, axes interleaved; ``counts`` is raw little-endian i16."""

    TYPE = 0x12
    TAIL = "h"
    time_us: U32  # of the first sample
    period_ns: U32  # between samples
    first_index: U32  # running number of the first sample
    axes: U8
    counts: bytes


class DeviceEvent(Message, frozen=True, gc=False):
    """A change of state, a trip, a restart; every Slow message repeats state and reason, so its loss is harmless."""

    TYPE = 0x13
    time_us: U32
    kind: U8
    state: U8
    reason: U8
    detail: I32


class Ack(Message, frozen=True, gc=False):
    """Answer to every command but Heartbeat; ``command_sequence`` repeats the command's sequence number."""

    TYPE = 0x14
    command: U8
    command_sequence: U8
    result: U8
    detail: U32


class Counters(Message, frozen=True, gc=False):
    """Losses on the device's side, once a second."""

    TYPE = 0x15
    time_us: U32
    telemetry_dropped: U32
    bad_frames: U16
    receive_overruns: U16
    accelerometer_overruns: U16
    tach_overruns: U16
    tach_missed: U16
    tach_extra: U16
    load_cell_readings: U16
    longest_loop_us: U16
    free_ram_bytes: U16


class Limits(Message, frozen=True, gc=False):
    """The limit table as the device holds it, echoed before arming."""

    TYPE = 0x16
    TAIL = "I"
    crc: U32
    values: tuple[int, ...]


# --- host to device: acknowledged and repeated until they are ----------------------------------------------------


class Identify(Message, frozen=True, gc=False):
    """The host knocks and names its protocol version; the device answers Hello, the channel table and an Ack."""

    TYPE = 0x80
    protocol: U8


class Heartbeat(Message, frozen=True, gc=False):
    """The host is alive, saw fresh telemetry and heard its operator's surface. Not acknowledged."""

    TYPE = 0x81
    count: U16


class SetLimit(Message, frozen=True, gc=False):
    """Writes one slot of the limit table; only while locked."""

    TYPE = 0x82
    limit: U8
    value: U32


class ReadLimits(Message, frozen=True, gc=False):
    """Asks for the Limits echo."""

    TYPE = 0x83


class Arm(Message, frozen=True, gc=False):
    """Leaves locked, if at rest, throttle safe, heartbeat fresh and ``limits_crc`` equal to the device's own."""

    TYPE = 0x84
    limits_crc: U32


class Disarm(Message, frozen=True, gc=False):
    """Back to locked from armed; from turning the throttle is taken to safe and locked follows at rest."""

    TYPE = 0x85


class Throttle(Message, frozen=True, gc=False):
    """Pulse for the speed controller; limited by the table and its slew."""

    TYPE = 0x86
    pulse_us: U16


class Pitch(Message, frozen=True, gc=False):
    """Pulse for the pitch servo; limited by the table."""

    TYPE = 0x87
    pulse_us: U16


class Request(Message, frozen=True, gc=False):
    """Speed asked of the governor; recorded as told also when the speed controller governs."""

    TYPE = 0x88
    speed_rpm: U16


class SetGovernor(Message, frozen=True, gc=False):
    """Writes one governor parameter; MODE changes only while locked or armed, the others at any time."""

    TYPE = 0x89
    parameter: U8
    value: I32


class Abort(Message, frozen=True, gc=False):
    """Cuts the power at once. ``reason`` is OPERATOR_ABORT or HOST_RULE."""

    TYPE = 0x8A
    reason: U8


class Reset(Message, frozen=True, gc=False):
    """Leaves tripped for locked, at rest and with the throttle safe."""

    TYPE = 0x8B


FROM_DEVICE: tuple[type[Message], ...] = (
    Hello, ChannelInfo, Slow, Tach, Vibration, DeviceEvent, Ack, Counters, Limits,
)  # fmt: skip
FROM_HOST: tuple[type[Message], ...] = (
    Identify, Heartbeat, SetLimit, ReadLimits, Arm, Disarm, Throttle, Pitch, Request, SetGovernor, Abort, Reset,
)  # fmt: skip


class Codec:
    """Packs and unpacks one message class."""

    def __init__(self, message: type[Message]) -> None:
        hints = get_type_hints(message, include_extras=True)
        names = message.__struct_fields__
        self.message = message
        self.fixed_names = names[:-1] if message.TAIL else names
        self.codes = {name: hints[name].__metadata__[0] for name in self.fixed_names}
        self.fixed = struct.Struct("<BB" + "".join(self.codes.values()))
        self.fields = struct.Struct("<xx" + "".join(self.codes.values()))
        self.tail_width = struct.calcsize("<" + message.TAIL) if message.TAIL else 0
        self.tail_is_raw = bool(message.TAIL) and hints[names[-1]] is bytes

    def pack(self, message: Message, sequence: int) -> bytes:
        """Payload of ``message``; a value out of its field's range raises LinkError naming the field."""
        values: list[Any] = [getattr(message, name) for name in self.fixed_names]
        try:
            head = self.fixed.pack(self.message.TYPE, sequence & 0xFF, *values)
        except struct.error as error:
            raise LinkError(
                f"{self.message.__name__}: cannot send {dict(zip(self.codes, values, strict=True))}: {error}"
            ) from error
        return head + self._pack_tail(message) if self.tail_width else head

    def _pack_tail(self, message: Message) -> bytes:
        tail = getattr(message, message.__struct_fields__[-1])
        return bytes(tail) if self.tail_is_raw else struct.pack(f"<{len(tail)}{self.message.TAIL}", *tail)

    def unpack(self, payload: bytes) -> Message:
        """Message in ``payload``; a wrong length raises LinkError."""
        fixed = self.fixed
        if not self.tail_width:
            if len(payload) != fixed.size:
                raise LinkError(f"{self.message.__name__}: {len(payload)} bytes, expected {fixed.size}")
            return self.message(*self.fields.unpack(payload))
        count, rest = divmod(len(payload) - fixed.size, self.tail_width)
        if count < 0 or rest:
            raise LinkError(f"{self.message.__name__}: {len(payload)} bytes do not hold whole tail entries")
        tail = (
            payload[fixed.size :]
            if self.tail_is_raw
            else struct.unpack_from(f"<{count}{self.message.TAIL}", payload, fixed.size)
        )
        message = self.message(*self.fields.unpack_from(payload), tail)
        self._check_shape(message, count)
        return message

    def _check_shape(self, message: Message, entries: int) -> None:
        """What the length alone cannot tell: no empty or over-long batch, no half triplet of axes."""
        if isinstance(message, Tach) and not 1 <= entries <= MOST_EDGES:
            raise LinkError(f"Tach: {entries} edges, expected 1 to {MOST_EDGES}")
        if isinstance(message, Vibration):
            whole = entries % AXES == 0 and 1 <= entries // AXES <= VIBRATION_BLOCK
            if message.axes != AXES or not whole:
                raise LinkError(
                    f"Vibration: {entries} counts of {message.axes} axes, expected 1 to {VIBRATION_BLOCK} samples "
                    f"of {AXES}"
                )

    def framed_reader(self) -> Callable[[bytes], Message]:
        """A quicker ``unpack`` for payloads with their four CRC bytes still behind them, as frames carry them.

        A wrong length raises struct.error, or LinkError for a message with a tail.
        """
        if self.tail_width:
            return lambda body: self.unpack(body[:-4])
        message, fields = self.message, struct.Struct(self.fields.format + "4x").unpack
        return lambda body: message(*fields(body))


CODECS: dict[int, Codec] = {message.TYPE: Codec(message) for message in FROM_DEVICE + FROM_HOST}


def encode(message: Message, sequence: int) -> bytes:
    """Payload (type, sequence, fields) of ``message``, without CRC and envelope; ``sequence`` is taken modulo 256."""
    return CODECS[message.TYPE].pack(message, sequence)


def decode(payload: bytes) -> Message:
    """Message in a payload whose CRC was good; an unknown type or a wrong length raises LinkError.

    >>> decode(encode(Throttle(1200), 7))
    Throttle(pulse_us=1200)
    """
    codec = CODECS.get(payload[0]) if payload else None
    if codec is None:
        raise LinkError(f"unknown message type 0x{payload[0]:02x}" if payload else "empty payload")
    return codec.unpack(payload)
