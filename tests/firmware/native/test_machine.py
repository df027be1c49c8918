"""The sketch's state machine and the simulated device's: same commands, same edges, same samples, same bytes.

Both are fed by hypothesis; every frame they send is compared, and so are the pulses that go out.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import astuple

import native_core
import numpy as np
import pytest
from hypothesis import example, given, settings
from hypothesis import strategies as st

from whirlbench.link.framing import Unframer
from whirlbench.link.limit_table import LimitId
from whirlbench.link.messages import (
    Abort,
    Ack,
    Arm,
    Board,
    DeviceEvent,
    Disarm,
    EventKind,
    GovernorId,
    Heartbeat,
    Identify,
    Message,
    Pitch,
    ReadLimits,
    Reason,
    Request,
    Reset,
    Restart,
    Result,
    SetGovernor,
    SetLimit,
    Slow,
    Throttle,
    encode,
)
from whirlbench.simulator.device.machine import DeviceMachine, Identity, Readings, receive

RATE_HZ = 1600
LIMITS = {
    LimitId.OVERSPEED_TICKS: 12_000,
    LimitId.VIBRATION_COUNTS: 60,
    LimitId.VIBRATION_WINDOW: 16,
    LimitId.HEARTBEAT_MS: 200,
    LimitId.THROTTLE_SAFE_US: 1000,
    LimitId.REST_MS: 100,
    LimitId.THROTTLE_MAX_US: 1900,
    LimitId.SERVO_MIN_US: 1000,
    LimitId.SERVO_MAX_US: 2000,
    LimitId.THROTTLE_SLEW_US_PER_S: 5000,
    LimitId.CURRENT_COUNTS: 800,
    LimitId.CURRENT_LEAST_COUNTS: 100,
    LimitId.CURRENT_ZERO_COUNTS: 500,
    LimitId.CUT_CURRENT_COUNTS: 50,
    LimitId.CUT_PROOF_MS: 100,
    LimitId.LOST_TACH_MS: 40,
    LimitId.START_TACH_MS: 150,
    LimitId.VOLTAGE_COUNTS: 600,
    LimitId.SUPPLY_MV: 4500,
    LimitId.LOAD_SILENCE_MS: 100,
    LimitId.FROZEN_SAMPLES: 50,
    LimitId.STUCK_SERVO_COUNTS: 60,
    LimitId.STUCK_SERVO_MS: 50,
    LimitId.SERVO_LOW_COUNTS: 180,
    LimitId.SERVO_HIGH_COUNTS: 840,
    LimitId.TACH_JUMP_PERIODS: 3,
}
SHOWN = {
    "current_counts": [0, 99, 100, 440, 500, 549, 551, 800, 801, 1023],
    "voltage_counts": [0, 599, 600, 800],
    "servo_counts": [0, 180, 510, 571, 840, 0xFFFF],
    "load_counts": [0, -4, 0x7FFFFE, 0x7FFFFF, -0x7FFFFF, -0x800000],
    "supply_mv": [0, 4499, 4500, 5000],
    "load_age_ms": [0, 100, 101, 255],
}
PLAIN = (
    *(Identify(2), Heartbeat(0), SetLimit(0, 0), ReadLimits(), Arm(0), Disarm(), Throttle(0), Pitch(0), Request(0)),
    *(SetGovernor(0, 0), Abort(0), Reset()),
)
GOVERNOR = {
    GovernorId.THROTTLE_KP: 1500,
    GovernorId.THROTTLE_KI: 5000,
    GovernorId.PITCH_KP: -1500,
    GovernorId.PITCH_KI: -5000,
    GovernorId.THROTTLE_MIN_US: 1100,
    GovernorId.THROTTLE_MAX_US: 1800,
    GovernorId.PITCH_MIN_US: 1100,
    GovernorId.PITCH_MAX_US: 1900,
    GovernorId.THROTTLE_SLEW_US_PER_S: 1000,
}


class Pair:
    """The two machines under one clock."""

    def __init__(self, unexpected: bool = False, kept_us: int = 1000) -> None:
        cause = Restart.WATCHDOG if unexpected else Restart.POWER_ON
        self.sketch = native_core.Machine(Board.SIMULATED_STAND, cause, RATE_HZ, 3, unexpected, 0, kept_us)
        self.twin = DeviceMachine(Identity(cause, 500, RATE_HZ, 0), unexpected, kept_us)
        if unexpected:
            self.twin.announce(EventKind.RESTARTED, cause, 0)
        self.now_us = self.sequence = self.index = 0
        self.readings = Readings(500, 800, 500, -4, 5000, 3)
        self.last_edge_ticks = 0
        self.rng = np.random.default_rng(1)
        self.compare()

    def compare(self) -> list[Message]:
        ours, theirs = self.sketch.take(), self.twin.sender.take()
        sent = Unframer().feed(ours)
        assert sent == Unframer().feed(theirs)
        assert ours == theirs
        assert self.sketch.call("throttle_us") == self.twin.throttle_us
        assert self.sketch.call("servo_us") == self.twin.servo_us
        assert bool(self.sketch.call("power")) == self.twin.driving  # the second cut: closed in no other state
        return sent

    def command(self, command: Message) -> list[Message]:
        sent = self.hear(encode(command, self.sequence))
        self.sequence = (self.sequence + 1) & 0xFF
        return sent

    def hear(self, payload: bytes) -> list[Message]:
        """Whatever an intact frame holds."""
        self.sketch.receive(payload, self.now_us)
        receive(self.twin, payload, self.now_us)
        return self.compare()

    def run(self, milliseconds: int) -> list[Message]:
        sent = []
        for _ in range(milliseconds):
            self.now_us += 1000
            self.sketch.call("watch", self.now_us)
            self.twin.watch(self.now_us)
            if self.now_us % 2000 == 0:
                values = astuple(self.readings)
                self.sketch.call("tick", self.now_us, *values)
                self.twin.tick(self.now_us, self.readings)
            sent += self.compare()
        return sent

    def freeze(self, samples: int) -> None:
        """One axis gives the same counts for so long."""
        for number in range(samples):
            sample = np.array([3 + number % 2, 4095, -5 - number % 2], dtype=np.int16)
            self.sketch.sample(self.index, sample, self.now_us)
            self.twin.saw_samples(self.index, sample[None, :], self.now_us)
            self.index += 1
        self.compare()

    def corrupt(self, slot: LimitId, bit: int) -> None:
        """A disturbance turns one bit of the limit table in memory."""
        self.sketch.corrupt(self.twin.limits, slot, bit)
        self.twin.limits[slot] ^= 1 << bit

    def spin(self, periods: int) -> None:
        """A steady rotor."""
        for _ in range(periods):
            self.run(8)
            self.edge(16_000)
            self.command(Heartbeat(3))

    def edge(self, period_ticks: int) -> None:
        period = 0 if self.twin.at_rest else period_ticks
        self.sketch.call("edge", self.now_us, period)
        self.twin.saw_edge(self.now_us, period)
        assert self.sketch.call("throttle_us") == self.twin.throttle_us  # cut by the interrupt, before the loop comes
        self.sketch.call("watch", self.now_us)
        self.twin.watch(self.now_us)
        self.compare()

    def shake(self, spread: int, samples: int = 20) -> None:
        counts = self.rng.normal(0, spread, (samples, 3)).round().astype(np.int16)
        for sample in counts:
            self.sketch.sample(self.index, sample, self.now_us)
            self.twin.saw_samples(self.index, sample[None, :], self.now_us)
            self.index += 1
        self.compare()

    def shake_with_gaps(self, milliseconds: int) -> None:
        """Samples go on coming, but none of their windows is whole."""
        for _ in range(milliseconds // 10):
            window = LIMITS[LimitId.VIBRATION_WINDOW]
            self.index += -self.index % window + 1  # the first sample of the next window is lost
            self.shake(5, window - 1)
            self.run(10)

    def arm(self, **changes: int) -> None:
        for slot, value in {**LIMITS, **{LimitId[name]: value for name, value in changes.items()}}.items():
            self.command(SetLimit(slot, value))
        for parameter, value in GOVERNOR.items():
            self.command(SetGovernor(parameter, value))
        self.run(120)
        self.command(Heartbeat(0))
        self.command(Arm(self.twin.limits_crc()))


def values_of(slot: LimitId) -> list[int]:
    """Values around the ends of what a slot admits."""
    return [0, 1, slot.start, slot.lowest, slot.highest, slot.highest + 1, 2**32 - 1, LIMITS.get(slot, 0)]


LIMIT_COMMANDS = st.sampled_from(LimitId).flatmap(
    lambda slot: st.builds(SetLimit, st.just(int(slot)), st.sampled_from(values_of(slot)))
)
GOVERNOR_COMMANDS = st.builds(
    SetGovernor, st.integers(0, 11), st.sampled_from([0, 1, 2, 3, -1, 1000, 1500, 1900, 2400, 2401, 65_535, 70_000_000])
)
PULSES = st.sampled_from([0, 800, 999, 1000, 1001, 1100, 1300, 1500, 1900, 1901, 2400, 65_535])
COMMANDS = st.one_of(
    st.just(Heartbeat(1)),
    st.builds(Throttle, PULSES),
    st.builds(Pitch, PULSES),
    st.builds(Request, st.sampled_from([0, 1, 5000, 8000, 65_535])),
    GOVERNOR_COMMANDS,
    st.sampled_from([SetGovernor(0, 1), SetGovernor(0, 2)]),
    LIMIT_COMMANDS,
    st.builds(Abort, st.integers(0, 255)),
    st.sampled_from([Identify(2), Identify(1), ReadLimits(), Disarm(), Reset(), Arm(0)]),
)
ACTIONS = st.lists(
    st.one_of(
        COMMANDS,
        st.tuples(st.just("run"), st.integers(1, 60)),
        st.tuples(st.just("rest"), st.integers(100, 130)),
        st.tuples(st.just("edge"), st.sampled_from([9000, 11_999, 12_000, 15_000, 40_000])),
        st.tuples(st.just("shake"), st.sampled_from([5, 20, 60])),
        st.tuples(st.just("gaps"), st.integers(10, 200)),
        st.tuples(st.just("spin"), st.integers(1, 12)),
        st.tuples(st.just("freeze"), st.sampled_from([10, 49, 50])),
        st.sampled_from([(name, value) for name, values in SHOWN.items() for value in values]),
        st.just(("arm", 0)),
        st.tuples(st.just("frame"), st.integers(0, 255)),
    ),
    max_size=40,
)


def arm_again(pair: Pair, _: int) -> None:
    """As a host would after a disarm."""
    pair.command(Heartbeat(2))
    pair.command(Arm(pair.twin.limits_crc()))


def hear_type(pair: Pair, type_byte: int) -> None:
    """A frame of any type, as long as an Abort."""
    pair.hear(bytes([type_byte, 9, 1]))


ACTS: dict[str, Callable[[Pair, int], object]] = {
    "run": Pair.run,
    "rest": Pair.run,
    "edge": Pair.edge,
    "gaps": Pair.shake_with_gaps,
    "spin": Pair.spin,
    "freeze": Pair.freeze,
    "shake": Pair.shake,
    "frame": hear_type,
    "arm": arm_again,
}


def play(pair: Pair, actions: list[Message | tuple[str, int]]) -> None:
    for action in actions:
        if isinstance(action, Message):
            pair.command(action)
        elif action[0] in SHOWN:
            setattr(pair.readings, *action)
        else:
            ACTS[action[0]](pair, action[1])


@given(st.booleans(), ACTIONS)
@example(True, [("rest", 110), Reset(), ("run", 2)])
@settings(max_examples=150)
def test_from_power_on_both_send_the_same_bytes(unexpected: bool, actions: list[Message | tuple[str, int]]) -> None:
    play(Pair(unexpected), actions)


@given(ACTIONS)
@example([("run", 90), ("shake", 5), ("run", 90), ("shake", 5), ("run", 60)])
@example([Heartbeat(1), ("gaps", 110), Heartbeat(1), ("gaps", 50)])
@example([SetGovernor(0, 2), Request(8000), Pitch(1500), Request(8000), ("edge", 15_000), ("run", 40), Disarm()])
@example([SetGovernor(0, 1), Throttle(1500), ("run", 20), Request(8000), ("edge", 14_000), ("run", 40), Throttle(1000)])
@example([("servo_counts", 510), SetGovernor(0, 1), Throttle(1300), Request(8000), ("spin", 12), ("run", 30)])
@example([Throttle(1300), ("spin", 12), ("edge", 40_000), ("edge", 40_000), ("edge", 40_000), ("run", 2)])
@example([Throttle(1300), ("spin", 12), Disarm(), ("spin", 12), ("spin", 12)])
@example([Throttle(1300), ("spin", 12), Abort(4), ("spin", 12), ("spin", 12)])
@example([Throttle(1300), ("run", 60), Heartbeat(1), ("run", 60), Heartbeat(1), ("run", 60)])
@example([Abort(4), ("current_counts", 551), ("run", 60), ("run", 60)])
@settings(max_examples=250)
def test_from_armed_both_send_the_same_bytes(actions: list[Message | tuple[str, int]]) -> None:
    pair = Pair()
    pair.arm()
    play(pair, actions)


@pytest.mark.parametrize(
    ("shown", "reason"),
    [
        ((801, 1023), Reason.CURRENT_SENSOR),
        ((99, 0), Reason.CURRENT_SENSOR),
        ((801, 1022), Reason.OVER_CURRENT),
        ((99, 1), Reason.OVER_CURRENT),
        ((1023, 801), Reason.OVER_CURRENT),
    ],
)
def test_a_jump_to_the_rail_over_a_mean_between_is_the_sensors_fault(shown: tuple[int, int], reason: Reason) -> None:
    """One mean of a current that jumps holds both values; the reason is what is seen when the time is up."""
    pair = Pair()
    pair.arm()
    pair.readings.current_counts = shown[0]
    pair.run(2)
    pair.readings.current_counts = shown[1]
    trips = [message for message in pair.run(60) if isinstance(message, DeviceEvent) and message.kind == EventKind.TRIP]
    assert [(trip.reason, trip.detail) for trip in trips] == [(reason, shown[1])]


@pytest.mark.parametrize("slot", LimitId)
def test_a_bit_that_falls_over_in_the_table_trips_before_it_was_read_twice(slot: LimitId) -> None:
    """Each slot is looked at in its turn, one a tick of 2 ms; the rules' own copies do not hide one."""
    pair = Pair()
    pair.arm(VIBRATION_COUNTS=0)
    pair.run(10)
    pair.command(Heartbeat(1))
    pair.corrupt(slot, 0)
    sent = pair.run(2 * 2 * len(LimitId))
    trips = [message for message in sent if isinstance(message, DeviceEvent) and message.kind == EventKind.TRIP]
    assert [(trip.reason, trip.detail) for trip in trips] == [(Reason.LIMITS_CORRUPT, 0)]


def test_what_fell_over_while_locked_is_not_armed_with() -> None:
    pair = Pair()
    pair.arm()
    pair.command(Disarm())
    pair.corrupt(LimitId.LOST_TACH_MS, 3)
    pair.command(Heartbeat(1))
    (answer,) = (heard for heard in pair.command(Arm(pair.twin.limits_crc())) if isinstance(heard, Ack))
    assert answer.result == Result.LIMITS_DIFFER


def test_a_governor_that_sinks_for_want_of_its_tach_ends_in_a_trip() -> None:
    """Its pulse falls below DRIVEN_US before the time is over: that must not pass for a rotor at rest."""
    pair = Pair()
    pair.arm(VIBRATION_COUNTS=0, FROZEN_SAMPLES=0)
    pair.readings.servo_counts = 510
    for command in (SetGovernor(GovernorId.MODE, 1), Throttle(1110), Heartbeat(1)):
        pair.command(command)
    pair.run(20)
    pair.spin(9)
    pair.command(Request(8000))
    pair.spin(2)
    assert 1100 <= pair.twin.throttle_us < 1125
    sent = []
    for _ in range(60):
        pair.command(Heartbeat(1))
        sent += pair.run(2)
    trips = [message for message in sent if isinstance(message, DeviceEvent) and message.kind == EventKind.TRIP]
    assert [trip.reason for trip in trips] == [Reason.LOST_TACH]
    before = [message.throttle_us for message in sent if isinstance(message, Slow) and message.reason == Reason.NONE]
    assert min(before) < 1090  # it sank below what counts as driven, by more than a step


@pytest.mark.parametrize("size", range(2, 29))
def test_every_type_in_every_length_is_obeyed_or_answered_alike(size: int) -> None:
    """No intact frame is passed over in silence, but a Heartbeat; of the wrong length that feeds nothing."""
    pair = Pair()
    lengths = {message.TYPE: len(encode(message, 0)) for message in PLAIN}
    for type_byte in range(256):
        payload = bytes([type_byte, 9, *range(1, size - 1)])
        sent = pair.hear(payload)
        if lengths.get(type_byte) == size:
            continue
        expected = Result.BAD_VALUE if type_byte in lengths else Result.UNKNOWN_COMMAND
        assert sent == [Ack(type_byte, 9, expected, 0)]
    if size != lengths[Heartbeat.TYPE]:
        assert pair.twin.heartbeat.heard_us is None


def test_a_heartbeat_of_the_wrong_length_keeps_nothing_alive() -> None:
    pair = Pair()
    pair.arm(VIBRATION_COUNTS=0)
    trips = []
    for _ in range(30):
        pair.hear(encode(Heartbeat(1), 9) + b"\0")
        trips += [heard for heard in pair.run(10) if isinstance(heard, DeviceEvent) and heard.kind == EventKind.TRIP]
    assert [trip.reason for trip in trips] == [Reason.HEARTBEAT_LOST]


def test_a_turn_of_the_loop_that_took_too_long_trips() -> None:
    """It has delayed every rule but overspeed; a turn of 20 ms is permitted, and so is the one that armed."""
    for late_us, expected in ((20_000, []), (20_001, [(Reason.LOOP_OVERRUN, 20_001)])):
        pair = Pair()
        pair.arm(VIBRATION_COUNTS=0)
        pair.run(4)
        pair.now_us += late_us - 1000
        sent = pair.run(1)
        trips = [heard for heard in sent if isinstance(heard, DeviceEvent) and heard.kind == EventKind.TRIP]
        assert [(trip.reason, trip.detail) for trip in trips] == expected


@pytest.mark.parametrize("slot", [LimitId.OVERSPEED_TICKS, LimitId.VIBRATION_COUNTS, LimitId.HEARTBEAT_MS])
def test_a_limit_that_differs_from_the_rules_own_copy_trips_at_the_next_tick(slot: LimitId) -> None:
    pair = Pair()
    pair.arm()
    pair.run(10)
    pair.corrupt(slot, 0)
    sent = pair.run(2)
    trips = [message.reason for message in sent if isinstance(message, DeviceEvent) and message.kind == EventKind.TRIP]
    assert trips == [Reason.LIMITS_CORRUPT]
