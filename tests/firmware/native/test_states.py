"""What the sketch answers to every command in every state, as PROTOCOL.md sections 5 and 6 have it, written by hand."""

from __future__ import annotations

import re
from collections.abc import Callable
from dataclasses import astuple

import build
import native_core
import pytest

from whirlbench.link.framing import Unframer
from whirlbench.link.limit_table import LimitId
from whirlbench.link.messages import (
    FROM_HOST,
    PROTOCOL_VERSION,
    Abort,
    Ack,
    Arm,
    Board,
    DeviceEvent,
    Disarm,
    EventKind,
    GovernorId,
    GovernorMode,
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
    State,
    Throttle,
    encode,
)
from whirlbench.simulator.device.machine import Readings

LIMITS = {
    LimitId.OVERSPEED_TICKS: 12_000,
    LimitId.HEARTBEAT_MS: 200,
    LimitId.THROTTLE_SAFE_US: 1000,
    LimitId.REST_MS: 100,
    LimitId.THROTTLE_MAX_US: 1900,
    LimitId.SERVO_MIN_US: 1000,
    LimitId.SERVO_MAX_US: 2000,
    LimitId.SERVO_SAFE_US: 1250,
    LimitId.THROTTLE_SLEW_US_PER_S: 500,
}
DONE, BAD, STATE = Result.DONE, Result.BAD_VALUE, Result.WRONG_STATE


class Stand:
    """The machine on a board of memory, with a clock and a rotor that turns when told."""

    def __init__(
        self, axes: int = 3, unexpected: bool = False, cause: int = Restart.POWER_ON, kept_us: int = 1000
    ) -> None:
        self.machine = native_core.Machine(Board.ATMEGA328P, cause, 1600, axes, unexpected, 0, kept_us)
        self.readings = Readings(500, 800, 500, -4, 5000, 3)
        self.now_us = self.sequence = 0
        self.beating, self.turning = True, False
        self.heard: list[Message] = []
        self._unframer = Unframer()

    def ask(self, command: Message) -> Ack | None:
        self.machine.receive(encode(command, self.sequence), self.now_us)
        self.sequence = (self.sequence + 1) & 0xFF
        self.listen()
        found = [message for message in self.heard if isinstance(message, Ack)]
        return found[-1] if found and found[-1].command_sequence == (self.sequence - 1) & 0xFF else None

    def result(self, command: Message) -> Result:
        answer = self.ask(command)
        assert answer is not None
        return Result(answer.result)

    def listen(self) -> None:
        self.heard += self._unframer.feed(self.machine.take())

    def run(self, milliseconds: int) -> None:
        for _ in range(milliseconds):
            self.now_us += 1000
            if self.beating and self.now_us % 50_000 == 0:
                self.machine.receive(encode(Heartbeat(0), 0), self.now_us)
            if self.turning and self.now_us % 8000 == 0:
                self.edge(16_000)
            self.machine.call("watch", self.now_us)
            if self.now_us % 2000 == 0:
                self.machine.call("tick", self.now_us, *astuple(self.readings))
        self.listen()

    def edge(self, period_ticks: int) -> None:
        self.machine.call("edge", self.now_us, period_ticks)

    def crc(self) -> int:
        self.ask(ReadLimits())
        return next(message.crc for message in reversed(self.heard) if type(message).__name__ == "Limits")

    @property
    def state(self) -> State:
        self.run(2)
        return State(next(message.state for message in reversed(self.heard) if isinstance(message, Slow)))

    @property
    def trips(self) -> list[tuple[Reason, int]]:
        events = [message for message in self.heard if isinstance(message, DeviceEvent)]
        return [(Reason(event.reason), event.detail) for event in events if event.kind == EventKind.TRIP]


def locked(**changes: int) -> Stand:
    stand = Stand()
    for slot, value in {**LIMITS, **{LimitId[name]: value for name, value in changes.items()}}.items():
        assert stand.result(SetLimit(slot, value)) == DONE
    stand.run(150)
    return stand


def armed(**changes: int) -> Stand:
    stand = locked(**changes)
    assert stand.result(Arm(stand.crc())) == DONE
    assert stand.state is State.ARMED
    return stand


def turning(**changes: int) -> Stand:
    stand = armed(**changes)
    stand.turning = True
    assert stand.result(Throttle(1400)) == DONE
    stand.run(50)
    assert stand.state is State.TURNING
    return stand


def disarming() -> Stand:
    stand = turning()
    assert stand.result(Disarm()) == DONE
    assert stand.state is State.TURNING
    return stand


def tripped() -> Stand:
    stand = turning()
    assert stand.result(Abort(Reason.OPERATOR_ABORT)) == DONE
    assert stand.state is State.TRIPPED
    return stand


MAKERS = {"locked": locked, "armed": armed, "turning": turning, "disarming": disarming, "tripped": tripped}
# answers in the order of MAKERS
ANSWERS: dict[Message, tuple[Result, ...]] = {
    Identify(1): (Result.WRONG_VERSION,) * 5,
    SetLimit(LimitId.HEARTBEAT_MS, 150): (DONE, STATE, STATE, STATE, STATE),
    SetLimit(LimitId.CURRENT_COUNTS, 1023): (BAD, STATE, STATE, STATE, STATE),
    SetLimit(LimitId.THROTTLE_SAFE_US, 1201): (BAD, STATE, STATE, STATE, STATE),
    SetLimit(31, 0): (BAD, STATE, STATE, STATE, STATE),
    ReadLimits(): (DONE,) * 5,
    Arm(0): (Result.LIMITS_DIFFER, STATE, STATE, STATE, STATE),
    Disarm(): (DONE,) * 5,
    Throttle(1000): (DONE,) * 5,
    Throttle(1001): (STATE, DONE, DONE, STATE, STATE),
    Throttle(1900): (STATE, DONE, DONE, STATE, STATE),
    Throttle(1901): (STATE, BAD, BAD, STATE, STATE),
    Throttle(999): (STATE, BAD, BAD, STATE, STATE),
    Pitch(1000): (STATE, DONE, DONE, DONE, STATE),
    Pitch(999): (STATE, BAD, BAD, BAD, STATE),
    Pitch(2001): (STATE, BAD, BAD, BAD, STATE),
    Request(0): (DONE,) * 5,
    Request(5000): (STATE, DONE, DONE, STATE, STATE),
    SetGovernor(GovernorId.MODE, GovernorMode.PITCH): (DONE, DONE, STATE, STATE, STATE),
    SetGovernor(GovernorId.MODE, GovernorMode.PASS_THROUGH): (DONE,) * 5,  # no change is always permitted
    SetGovernor(GovernorId.MODE, 3): (BAD,) * 5,
    SetGovernor(GovernorId.THROTTLE_KP, 65_536_001): (BAD,) * 5,
    SetGovernor(GovernorId.THROTTLE_KP, -65_536_000): (DONE,) * 5,
    SetGovernor(11, 0): (BAD,) * 5,
    Request(10_000): (STATE, DONE, DONE, STATE, STATE),
    Request(10_001): (STATE, Result.ABOVE_OVERSPEED, Result.ABOVE_OVERSPEED, STATE, STATE),
    Request(65_535): (STATE, Result.ABOVE_OVERSPEED, Result.ABOVE_OVERSPEED, STATE, STATE),
    Abort(Reason.HOST_RULE): (DONE,) * 5,
    Reset(): (STATE, STATE, STATE, STATE, Result.NOT_AT_REST),
}


@pytest.mark.parametrize("state", MAKERS)
@pytest.mark.parametrize("command", ANSWERS, ids=str)
def test_every_command_in_every_state(command: Message, state: str) -> None:
    stand = MAKERS[state]()
    expected = ANSWERS[command][list(MAKERS).index(state)]
    answer = stand.ask(command)
    assert answer is not None
    assert (Result(answer.result), answer.command) == (expected, command.TYPE)
    if expected == STATE:
        before = State.TURNING if state == "disarming" else State[state.upper()]
        assert answer.detail == before


# The rows of the page's table, and what stands for each on the wire; None: worked out on the stand.
PAGE_ROWS: dict[str, bytes | None] = {
    "Identify, the device's version": encode(Identify(PROTOCOL_VERSION), 9),
    "Identify, another version": encode(Identify(1), 9),
    "SetLimit, admitted": encode(SetLimit(LimitId.HEARTBEAT_MS, 150), 9),
    "SetLimit, not admitted": encode(SetLimit(LimitId.THROTTLE_SAFE_US, 1201), 9),
    "ReadLimits": encode(ReadLimits(), 9),
    "Arm, all conditions met": None,
    "Arm, another checksum": encode(Arm(0), 9),
    "Disarm": encode(Disarm(), 9),
    "Throttle, the safe pulse": encode(Throttle(1000), 9),
    "Throttle, above it and within the range": encode(Throttle(1900), 9),
    "Throttle, outside the range": encode(Throttle(1901), 9),
    "Pitch, within the range": encode(Pitch(1000), 9),
    "Pitch, outside the range": encode(Pitch(999), 9),
    "Request 0": encode(Request(0), 9),
    "Request, up to the permitted speed": encode(Request(10_000), 9),
    "Request, above the permitted speed": encode(Request(10_001), 9),
    "SetGovernor, another MODE": encode(SetGovernor(GovernorId.MODE, GovernorMode.PITCH), 9),
    "SetGovernor, the same MODE, or another parameter in its range": encode(SetGovernor(GovernorId.PITCH_KP, -7), 9),
    "SetGovernor, outside the range": encode(SetGovernor(GovernorId.MODE, 3), 9),
    "Abort": encode(Abort(Reason.OPERATOR_ABORT), 9),
    "Reset, rotor turning": encode(Reset(), 9),
    "Reset, at rest, throttle commanded safe": encode(Reset(), 9),
    "a type that is no command": b"\x8c\x09",
    "a command of the wrong length": encode(Throttle(1000), 9) + b"\0",
}
PAGE_TABLE = re.findall(
    r"^\| ([^|]+) " + r"\| ([A-Z_]+) " * len(MAKERS) + r"\|$",
    (build.SKETCH / "PROTOCOL.md").read_text(encoding="utf-8"),
    re.MULTILINE,
)


def test_the_page_has_a_row_for_everything_that_can_be_sent() -> None:
    assert [row[0] for row in PAGE_TABLE] == list(PAGE_ROWS)
    assert {row.split(",")[0].split()[0] for row in PAGE_ROWS} >= {kind.__name__ for kind in FROM_HOST} - {"Heartbeat"}


@pytest.mark.parametrize("state", MAKERS)
@pytest.mark.parametrize("row", PAGE_TABLE, ids=lambda row: row[0])
def test_the_page_s_table_of_commands_and_states_is_true(row: tuple[str, ...], state: str) -> None:
    stand = MAKERS[state]()
    payload = PAGE_ROWS[row[0]] or encode(Arm(stand.crc()), 9)
    if "at rest" in row[0] and state == "tripped":
        stand.turning = False
        stand.run(150)
        assert stand.result(Throttle(1000)) == DONE
    if "rotor turning" in row[0]:
        stand.turning = True
        stand.run(10)
    stand.listen()
    stand.heard.clear()
    stand.machine.receive(payload, stand.now_us)
    stand.run(50)  # the introduction takes its time
    (answer,) = (heard for heard in stand.heard if isinstance(heard, Ack) and heard.command_sequence == 9)
    assert (answer.command, Result(answer.result).name) == (payload[0], row[1 + list(MAKERS).index(state)])


def test_an_unknown_type_and_a_wrong_length_are_told_apart() -> None:
    stand = Stand()
    for payload, expected in [(b"\x8c\x01", Result.UNKNOWN_COMMAND), (b"\x10\x02", Result.UNKNOWN_COMMAND)]:
        stand.machine.receive(payload, 0)
        stand.listen()
        assert stand.heard[-1] == Ack(payload[0], payload[1], expected, 0)
    stand.machine.receive(encode(Throttle(1000), 3) + b"\0", 0)
    stand.listen()
    assert stand.heard[-1] == Ack(Throttle.TYPE, 3, Result.BAD_VALUE, 0)


def test_arming_names_the_first_thing_that_is_missing() -> None:
    stand = Stand()
    assert stand.ask(Arm(1)).result == Result.LIMITS_DIFFER  # type: ignore[union-attr]
    assert stand.ask(Arm(stand.crc())) == Ack(Arm.TYPE, 2, BAD, LimitId.OVERSPEED_TICKS)
    for slot, value in LIMITS.items():
        stand.ask(SetLimit(slot, value))
    assert stand.result(Arm(stand.crc())) == Result.NOT_AT_REST  # too soon after the start
    stand.beating = False
    stand.run(150)
    assert stand.result(Arm(stand.crc())) == Result.HEARTBEAT_MISSING
    stand.ask(Heartbeat(1))
    assert stand.result(Arm(stand.crc())) == DONE


def test_without_an_accelerometer_no_vibration_limit_is_accepted() -> None:
    stand = Stand(axes=0)
    assert stand.result(SetLimit(LimitId.VIBRATION_COUNTS, 100)) == BAD
    assert stand.result(SetLimit(LimitId.VIBRATION_COUNTS, 0)) == DONE


def test_a_silent_accelerometer_is_a_broken_limit() -> None:
    stand = armed(VIBRATION_COUNTS=500)
    stand.run(110)
    assert stand.trips == [(Reason.VIBRATION, -1)]


@pytest.mark.parametrize("window", [16, 64, 256])
def test_samples_with_gaps_in_every_window_are_a_broken_limit(window: int) -> None:
    """All samples but one of each window come: none is ever judged, however hard the stand shakes."""
    stand = armed(VIBRATION_COUNTS=500, VIBRATION_WINDOW=window)
    begun_us, index = stand.now_us, 0
    while not stand.trips and stand.now_us < begun_us + 2_000_000:
        stand.run(10)
        for number in range(index, index := index + 16):
            if number % window != window - 1:
                stand.machine.sample(number, (4000 - 8000 * (number % 2), 0, 0), stand.now_us)
    assert stand.trips == [(Reason.VIBRATION, -1)]
    allowed_us = 100_000 + 2 * window * 1_000_000 // 1600
    assert 0 <= stand.now_us - begun_us - allowed_us <= 25_000


@pytest.mark.parametrize("window", [16, 64, 256])
def test_a_gap_now_and_then_is_no_broken_limit(window: int) -> None:
    stand = armed(VIBRATION_COUNTS=500, VIBRATION_WINDOW=window)
    for index in range(0, 4800, 16):
        stand.run(10)
        for number in range(index, index + 16):
            if number % (2 * window) != window - 1:  # every second window is whole
                stand.machine.sample(number, (3 + number % 2, -4 - number % 2, 5 + number % 2), stand.now_us)
    assert stand.trips == []


def test_after_a_trip_nothing_raises_the_pulse_until_reset() -> None:
    stand = turning()
    stand.edge(11_999)
    assert stand.machine.call("throttle_us") == 1000  # by the interrupt alone
    for command in (Throttle(1800), Request(8000), Pitch(1800), Arm(0)):
        assert stand.result(command) == STATE  # the first of them even before the loop has noticed
        stand.run(20)
        assert stand.machine.call("throttle_us") == 1000
    assert stand.machine.call("servo_us") == 1250
    assert stand.trips == [(Reason.OVERSPEED, 11_999)]
    stand.edge(11_000)
    stand.beating = False
    stand.ask(Abort(Reason.HOST_RULE))
    stand.run(500)
    assert stand.trips == [(Reason.OVERSPEED, 11_999)]  # the first reason is kept
    assert stand.machine.call("cuts") == 1


def test_reset_asks_for_rest_and_for_the_throttle_to_be_taken_back() -> None:
    stand = tripped()
    assert stand.result(Reset()) == Result.NOT_AT_REST
    stand.turning = False
    stand.run(150)
    assert stand.result(Reset()) == Result.THROTTLE_NOT_SAFE  # 1400 was the last command
    assert stand.result(Throttle(1000)) == DONE
    assert stand.result(Reset()) == DONE
    assert stand.state is State.LOCKED
    assert not stand.machine.call("driving_mark")
    assert stand.result(Arm(stand.crc())) == DONE  # limits are still there


def test_after_reset_the_stand_can_be_driven_again() -> None:
    stand = tripped()
    stand.turning = False
    stand.run(150)
    for command in (Throttle(1000), Reset(), Arm(stand.crc()), Throttle(1300)):
        assert stand.result(command) == DONE
    stand.run(700)
    assert stand.machine.call("throttle_us") == 1300


@pytest.mark.parametrize("way", [armed, disarming])
def test_locked_again_nothing_is_watched_any_more(way: Callable[[], Stand]) -> None:
    stand = way()
    stand.turning = stand.beating = False
    stand.ask(Heartbeat(0))
    stand.ask(Disarm())
    stand.run(150)
    assert stand.state is State.LOCKED
    stand.edge(11_000)
    stand.run(500)
    assert stand.state is State.LOCKED
    assert stand.trips == []
    assert not stand.machine.call("driving_mark")


def test_an_unexpected_restart_is_a_trip_of_its_own() -> None:
    stand = Stand(unexpected=True, cause=Restart.WATCHDOG)
    assert stand.machine.call("driving_mark")  # a reset pin that follows does not hide it
    stand.run(1100)  # the rest time at start
    assert stand.state is State.TRIPPED
    first = next(message for message in stand.heard if isinstance(message, DeviceEvent))
    assert (first.kind, first.reason, first.detail) == (EventKind.RESTARTED, Reason.RESTART, Restart.WATCHDOG)
    assert stand.result(Reset()) == DONE


def test_rising_follows_the_slew_and_falling_is_immediate() -> None:
    stand = turning()
    stand.run(1000)
    stand.ask(Throttle(1500))
    stand.run(100)
    assert stand.machine.call("throttle_us") == pytest.approx(1450, abs=2)  # 500 us/s for 0.1 s
    stand.ask(Throttle(1200))
    assert stand.machine.call("throttle_us") == 1200


def test_disarming_a_turning_rotor_waits_for_rest() -> None:
    stand = disarming()
    assert stand.machine.call("throttle_us") == 1000
    stand.turning = False
    stand.run(150)
    assert stand.state is State.LOCKED


def test_the_latest_set_point_rules() -> None:
    stand = armed()
    for parameter, value in {
        GovernorId.MODE: GovernorMode.THROTTLE,
        GovernorId.THROTTLE_MIN_US: 1100,
        GovernorId.THROTTLE_MAX_US: 1700,
        GovernorId.THROTTLE_KI: 6_553_600,
    }.items():
        stand.ask(SetGovernor(parameter, value))
    assert stand.result(Request(8000)) == DONE
    stand.run(400)
    assert stand.machine.call("throttle_us") == 1100  # no tach: no further
    stand.turning = True
    stand.run(100)
    assert stand.machine.call("throttle_us") > 1110
    stand.ask(Throttle(1105))
    stand.run(20)
    assert stand.machine.call("throttle_us") == 1105
    assert next(m.request_rpm for m in reversed(stand.heard) if isinstance(m, Slow)) == 0


@pytest.mark.parametrize(("own_us", "table_us", "most_us"), [(1900, 1400, 1400), (1300, 1700, 1300)])
def test_a_governor_goes_no_further_than_its_own_range_and_the_tables(own_us: int, table_us: int, most_us: int) -> None:
    """It is asked for a speed that it never reaches: whichever greatest pulse is less holds it."""
    stand = armed(THROTTLE_MAX_US=table_us)
    for parameter, value in {
        GovernorId.MODE: GovernorMode.THROTTLE,
        GovernorId.THROTTLE_MIN_US: 1100,
        GovernorId.THROTTLE_MAX_US: own_us,
        GovernorId.THROTTLE_KI: 65_536_000,
    }.items():
        stand.ask(SetGovernor(parameter, value))
    stand.turning = True
    stand.run(100)
    assert stand.result(Request(9000)) == DONE
    stand.run(3000)
    pulses_us = [heard.throttle_us for heard in stand.heard if isinstance(heard, Slow)]
    assert stand.state is State.TURNING and max(pulses_us) == most_us


@pytest.mark.parametrize(
    ("least_us", "most_us", "left_us"), [(1600, 2000, 1600), (1000, 1200, 1200), (1000, 2000, 1500)]
)
def test_arming_brings_a_servo_back_into_a_range_that_has_moved(least_us: int, most_us: int, left_us: int) -> None:
    stand = armed(SERVO_SAFE_US=0)
    assert stand.result(Pitch(1500)) == DONE
    assert stand.result(Disarm()) == DONE
    stand.run(4)
    for slot, us in ((LimitId.SERVO_MIN_US, least_us), (LimitId.SERVO_MAX_US, most_us)):
        assert stand.result(SetLimit(slot, us)) == DONE
    assert stand.machine.call("servo_us") == 1500  # nothing moves while locked
    assert stand.result(Arm(stand.crc())) == DONE
    stand.run(2)
    assert stand.machine.call("servo_us") == left_us
    assert next(message.servo_us for message in reversed(stand.heard) if isinstance(message, Slow)) == left_us


def test_a_trip_in_locked_keeps_the_servo_within_its_range() -> None:
    stand = locked(SERVO_MIN_US=1300)  # SERVO_SAFE_US is 1250: arming would be refused
    assert stand.result(Abort(Reason.OPERATOR_ABORT)) == DONE
    assert stand.machine.call("servo_us") == 1300


def test_a_longer_safe_pulse_goes_out_with_the_next_arm_and_a_shorter_one_at_once() -> None:
    """What stops one controller may start another: nothing raises a pulse while locked."""
    stand = locked()
    for value_us, out_us in ((1150, 1000), (900, 900), (1000, 900), (1200, 900)):
        assert stand.result(SetLimit(LimitId.THROTTLE_SAFE_US, value_us)) == DONE
        stand.run(10)
        assert stand.machine.call("throttle_us") == out_us
    assert stand.result(Throttle(1200)) == DONE  # the table's own stops, too, and goes out as the one in force
    assert stand.machine.call("throttle_us") == 900
    assert stand.result(Arm(stand.crc())) == DONE
    assert stand.machine.call("throttle_us") == 1200


def test_the_second_cut_is_closed_while_armed_or_turning_and_in_no_other_state() -> None:
    closed = {name: bool(make().machine.call("power")) for name, make in MAKERS.items()}
    assert closed == {"locked": False, "armed": True, "turning": True, "disarming": True, "tripped": False}
    for make in (armed, disarming):
        stand = make()
        stand.turning = False
        assert stand.result(Disarm()) == DONE
        stand.run(150)
        assert stand.state is State.LOCKED and not stand.machine.call("power")


def test_a_disarm_that_the_controller_ignores_trips_and_opens_the_second_cut() -> None:
    stand = turning(CUT_PROOF_MS=200)
    stand.run(300)
    assert stand.result(Disarm()) == DONE
    stand.run(190)
    assert stand.state is State.TURNING and stand.machine.call("power")
    stand.run(40)  # the rotor turns on as before
    assert stand.trips == [(Reason.CUT_FAILED, 16_000)]
    assert stand.state is State.TRIPPED and not stand.machine.call("power")
