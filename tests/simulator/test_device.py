"""The simulated device obeys the protocol's rules, alone and in conversation with the host's half."""

from __future__ import annotations

from dataclasses import replace
from itertools import pairwise

import numpy as np
import pytest

from bench.link.conversation import Conversation
from bench.link.framing import Unframer, frame
from bench.link.limit_table import checksum
from bench.link.messages import (
    Abort,
    Ack,
    Arm,
    Board,
    ChannelInfo,
    Counters,
    DeviceEvent,
    Disarm,
    EventKind,
    GovernorId,
    GovernorMode,
    Heartbeat,
    Hello,
    Identify,
    LimitId,
    Limits,
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
    Tach,
    Throttle,
    Vibration,
)
from bench.rig.toml import example_rig_text
from bench.safety.trips import VibrationRule
from bench.simulator import faults
from bench.simulator.port import simulated_device

LIMITS = {
    LimitId.OVERSPEED_TICKS: 120_000_000 // 6200,
    LimitId.OVERSPEED_CONFIRM: 1,
    LimitId.VIBRATION_COUNTS: 1025,
    LimitId.VIBRATION_WINDOW: 64,
    LimitId.HEARTBEAT_MS: 100,
    LimitId.REST_MS: 500,
    LimitId.THROTTLE_SAFE_US: 1000,
    LimitId.THROTTLE_MAX_US: 1900,
    LimitId.SERVO_MIN_US: 1000,
    LimitId.SERVO_MAX_US: 2000,
    LimitId.THROTTLE_SLEW_US_PER_S: 500,
    LimitId.PULSES_PER_REV: 1,
    LimitId.SERVO_SAFE_US: 1200,
}


class Host:
    """A bare host: sends a command, lets time pass with or without heartbeats, keeps what came."""

    def __init__(self, *what: faults.Fault, seed: int = 1) -> None:
        self.device = simulated_device(example_rig_text(), seed, what)
        self.unframer = Unframer()
        self.sequence = 0
        self.time_s = 0.0
        self.messages: list = []

    def say(self, command) -> Ack | None:
        """Sends one command; its answer, if one came at once."""
        data = self.device.exchange(self.time_s, frame(command, self.sequence))
        self.sequence += 1
        fresh = self.unframer.feed(data)
        self.messages += fresh
        answers = [item for item in fresh if isinstance(item, Ack) and item.command == command.TYPE]
        return answers[-1] if answers else None

    def wait(self, seconds: float, beat: bool = True) -> list:
        """Lets time pass; what came meanwhile."""
        start = len(self.messages)
        for number in range(round(seconds / 0.02)):
            self.time_s += 0.02
            data = frame(Heartbeat(number & 0xFFFF), self.sequence) if beat else b""
            self.sequence += beat
            self.messages += self.unframer.feed(self.device.exchange(self.time_s, data))
        return self.messages[start:]

    def armed(self, **changes: int) -> Host:
        """Through limits and arming; ``changes`` by slot name."""
        self.wait(0.6)
        table = {**LIMITS, **{LimitId[name]: value for name, value in changes.items()}}
        for slot, value in table.items():
            assert self.say(SetLimit(slot, value)).result == Result.DONE
        self.wait(1.0)
        assert self.say(Arm(checksum(self.device.machine.limits))).result == Result.DONE
        return self

    def turning(self, throttle_us: int = 1400, **changes: int) -> Host:
        """Armed, and up to speed."""
        self.armed(**changes)
        assert self.say(Pitch(1300)).result == Result.DONE
        assert self.say(Throttle(throttle_us)).result == Result.DONE
        self.wait(2.5)
        return self

    @property
    def state(self) -> State:
        return State(self.device.machine.state)

    def trips(self) -> list[DeviceEvent]:
        return [item for item in self.messages if isinstance(item, DeviceEvent) and item.kind == EventKind.TRIP]


def of(kind: type, messages: list) -> list:
    return [item for item in messages if isinstance(item, kind)]


# --- boot and telemetry ---


def test_boots_locked_and_introduces_itself_unasked():
    messages = Host().wait(0.1, beat=False)
    hello = of(Hello, messages)
    assert len(hello) == 1 and hello[0].state == State.LOCKED and hello[0].board == Board.SIMULATED_STAND
    assert [row.index for row in of(ChannelInfo, messages)] == list(range(hello[0].channels))
    assert not of(Ack, messages)


def test_telemetry_has_its_rates_and_no_gap():
    host = Host()
    messages = host.wait(4.0, beat=False)
    assert len(of(Slow, messages)) == 2000 and len(of(Counters, messages)) == 4
    assert of(Counters, messages)[-1].load_cell_readings == 80 and of(Slow, messages)[0].load_counts > 70_000
    blocks = of(Vibration, messages)
    assert len(blocks) == 400 and [block.first_index for block in blocks] == list(range(0, 6400, 16))
    assert {len(block.counts) for block in blocks} == {96} and blocks[5].time_us == 50_000
    assert host.unframer.counters.bad == host.unframer.counters.lost == 0


def test_identify_is_answered_after_hello_and_table():
    host = Host()
    host.wait(0.1)
    assert host.say(Identify(1)) is None
    messages = host.wait(0.1)
    kinds = [type(item) for item in messages if isinstance(item, (Hello, ChannelInfo, Ack))]
    assert kinds == [Hello] + [ChannelInfo] * of(Hello, messages)[0].channels + [Ack]


def test_another_version_is_refused_by_name_and_by_nothing_else():
    host = Host()
    host.wait(0.1)
    answer = host.say(Identify(2))
    assert (answer.result, answer.detail) == (Result.WRONG_VERSION, 1)
    assert not of(Hello, host.wait(0.1)) and not of(ChannelInfo, host.messages[-60:])


# --- limits and arming ---


def test_limits_are_written_echoed_and_checked():
    host = Host()
    host.wait(0.1)
    assert host.say(SetLimit(LimitId.OVERSPEED_TICKS, 20_000)).result == Result.DONE
    assert host.say(SetLimit(LimitId.CURRENT_COUNTS, 900)).result == Result.BAD_VALUE  # no rule for it
    assert host.say(SetLimit(LimitId.CURRENT_COUNTS, 0)).result == Result.DONE
    assert host.say(SetLimit(99, 1)).result == Result.BAD_VALUE
    assert host.say(ReadLimits()).result == Result.DONE
    echo = of(Limits, host.messages)[-1]
    assert echo.values[LimitId.OVERSPEED_TICKS] == 20_000 and echo.crc == checksum(echo.values)


def test_arming_is_refused_for_each_reason():
    host = Host()
    host.wait(0.1, beat=False)
    own = checksum(host.device.machine.limits)
    answer = host.say(Arm(own ^ 1))
    assert (answer.result, answer.detail) == (Result.LIMITS_DIFFER, own)
    assert host.say(Arm(own)).result == Result.BAD_VALUE  # no overspeed limit
    for slot, value in LIMITS.items():
        host.say(SetLimit(slot, value))
    crc = checksum(host.device.machine.limits)
    assert host.say(Arm(crc)).result == Result.NOT_AT_REST  # not yet known to be
    host.wait(0.6, beat=False)
    assert host.say(Arm(crc)).result == Result.HEARTBEAT_MISSING
    host.wait(0.1)
    assert host.say(Arm(crc)).result == Result.DONE and host.state == State.ARMED
    assert (again := host.say(Arm(crc))).result == Result.WRONG_STATE and again.detail == State.ARMED
    assert host.say(SetLimit(LimitId.OVERSPEED_TICKS, 0)).result == Result.WRONG_STATE


def test_locked_takes_no_pulses_but_the_safe_one():
    host = Host()
    host.wait(0.1)
    assert host.say(Throttle(1500)).result == Result.WRONG_STATE
    assert host.say(Throttle(1000)).result == Result.DONE
    assert host.say(Pitch(1500)).result == Result.WRONG_STATE
    assert host.say(Request(3000)).result == Result.WRONG_STATE
    assert host.say(Abort(Reason.OPERATOR_ABORT)).result == Result.WRONG_STATE
    assert host.say(Reset()).result == Result.WRONG_STATE


def test_a_command_of_the_other_direction_is_unknown():
    host = Host()
    host.wait(0.1)
    assert host.say(ReadLimits()).result == Result.DONE
    assert host.say(Counters(*range(9))).result == Result.UNKNOWN_COMMAND


# --- turning ---


def test_armed_turning_and_back():
    host = Host().armed(REST_MS=1000)  # longer than the last turn takes
    host.say(Throttle(1300))
    messages = host.wait(1.0)
    assert host.state == State.TURNING
    rising = [item.throttle_us for item in of(Slow, messages)]
    assert max(np.diff(rising)) <= 1 and rising[-1] == 1300  # 500 us/s at 500 samples/s
    host.say(Throttle(1000))
    assert of(Slow, host.wait(0.02))[-1].throttle_us == 1000
    host.wait(16.0)
    assert host.state == State.ARMED
    changes = [item.state for item in of(DeviceEvent, host.messages)]
    assert changes == [State.ARMED, State.TURNING, State.ARMED]


def test_tach_edges_are_numbered_and_tell_the_speed():
    host = Host().turning()
    batches = of(Tach, host.wait(1.0))
    assert all(1 <= len(batch.edges_us) <= 16 for batch in batches)
    firsts = [batch.first_index for batch in batches]
    assert np.array_equal(np.diff(firsts), [len(batch.edges_us) for batch in batches[:-1]])
    edges = np.concatenate(
        [np.array(batch.edges_us) + 0.5 * (batch.half_us >> np.arange(len(batch.edges_us)) & 1) for batch in batches]
    )
    assert 60e6 / np.diff(edges).mean() == pytest.approx(host.device.plant.state.rpm, rel=0.01)
    period = of(Slow, host.messages)[-1].period_ticks
    assert 120e6 / period == pytest.approx(host.device.plant.state.rpm, rel=0.01)


def test_set_points_beyond_the_table_change_nothing():
    host = Host().turning()
    before = of(Slow, host.messages)[-1]
    for command in (Throttle(1950), Throttle(900), Pitch(900), Pitch(2100)):
        assert host.say(command).result == Result.BAD_VALUE
    after = of(Slow, host.wait(0.1))[-1]
    assert (after.throttle_us, after.servo_us) == (before.throttle_us, before.servo_us)


def test_disarm_while_turning_locks_at_rest():
    host = Host().turning()
    assert host.say(Disarm()).result == Result.DONE
    assert host.state == State.TURNING and host.say(Throttle(1200)).result == Result.WRONG_STATE
    host.wait(18.0)
    assert host.state == State.LOCKED and host.device.plant.state.rpm == 0.0


# --- trips ---


def check_cut(host: Host, reason: Reason) -> DeviceEvent:
    """Tripped for ``reason``, once; pulses safe; motor without current."""
    assert host.state == State.TRIPPED
    events = host.trips()
    assert [event.reason for event in events] == [reason]
    slow = of(Slow, host.wait(0.1))[-1]
    assert (slow.state, slow.reason, slow.throttle_us, slow.servo_us) == (State.TRIPPED, reason, 1000, 1200)
    assert host.device.plant.state.duty == 0.0
    return events[0]


def test_overspeed_trips_on_the_first_short_period():
    host = Host(faults.Runaway(6.0, 1.0)).turning()
    host.wait(4.0)
    event = check_cut(host, Reason.OVERSPEED)
    assert event.detail < LIMITS[LimitId.OVERSPEED_TICKS]
    assert 120e6 / event.detail == pytest.approx(6200, rel=0.02)
    edges = [edge for batch in of(Tach, host.messages) for edge in batch.edges_us]
    short = next(b for a, b in pairwise(edges) if b - a < LIMITS[LimitId.OVERSPEED_TICKS] / 2 - 1)
    assert event.time_us == pytest.approx(short, abs=1)


def test_overspeed_waits_for_its_confirmations():
    host = Host(faults.Runaway(6.0, 1.0)).turning(OVERSPEED_CONFIRM=4)
    host.wait(4.0)
    event = check_cut(host, Reason.OVERSPEED)
    edges = [edge for batch in of(Tach, host.messages) for edge in batch.edges_us]
    limit = LIMITS[LimitId.OVERSPEED_TICKS] / 2
    first = next(index for index in range(1, len(edges)) if edges[index] - edges[index - 1] < limit - 1)
    assert event.time_us == pytest.approx(edges[first + 3], abs=1)


def test_blade_loss_trips_on_vibration_in_the_window_the_rule_names():
    host = Host(faults.BladeLoss(6.0)).turning(1600)
    host.wait(3.0)
    event = check_cut(host, Reason.VIBRATION)
    rule = VibrationRule(LIMITS[LimitId.VIBRATION_COUNTS], LIMITS[LimitId.VIBRATION_WINDOW])
    for block in of(Vibration, host.messages):
        last = rule.feed(block.first_index, np.frombuffer(block.counts, "<i2").reshape(-1, 3))
        if last is not None:
            break
    assert event.time_us == pytest.approx((last + 1) * 1e6 / 1600.0, abs=1000)
    assert 6.0e6 < event.time_us < 6.1e6 and event.detail > LIMITS[LimitId.VIBRATION_COUNTS]


@pytest.mark.parametrize("limit_ms", [60, 100, 250])
def test_silence_of_the_host_trips_within_its_limit(limit_ms):
    host = Host().turning(HEARTBEAT_MS=limit_ms)
    last_us = host.device.now_us
    host.wait(0.5, beat=False)
    event = check_cut(host, Reason.HEARTBEAT_LOST)
    assert limit_ms * 1000 < event.time_us - last_us <= limit_ms * 1000 + 2000
    assert event.detail == limit_ms + 1 or event.detail == limit_ms


def test_silence_trips_an_armed_stand_too_and_other_frames_are_no_heartbeat():
    host = Host().armed()
    for _ in range(10):
        host.wait(0.02, beat=False)
        host.say(ReadLimits())
    assert host.state == State.TRIPPED and host.trips()[0].reason == Reason.HEARTBEAT_LOST


@pytest.mark.parametrize(
    ("told", "kept"),
    [(Reason.OPERATOR_ABORT, Reason.OPERATOR_ABORT), (Reason.HOST_RULE, Reason.HOST_RULE), (77, Reason.OPERATOR_ABORT)],
)
def test_abort_cuts(told, kept):
    host = Host().turning()
    assert host.say(Abort(told)).result == Result.DONE
    check_cut(host, kept)


def test_the_first_reason_is_kept_and_limits_stay():
    host = Host().turning()
    host.say(Abort(Reason.HOST_RULE))
    limits = list(host.device.machine.limits)
    host.wait(0.5, beat=False)
    assert host.say(Abort(Reason.OPERATOR_ABORT)).result == Result.DONE
    assert len(host.trips()) == 1 and host.device.machine.reason == Reason.HOST_RULE
    assert host.device.machine.limits == limits


def test_only_a_reset_at_rest_with_safe_throttle_leaves_tripped():
    host = Host().turning()
    host.say(Abort(Reason.OPERATOR_ABORT))
    for command in (Throttle(1400), Pitch(1300), Request(3000), SetLimit(0, 0), Arm(0)):
        assert host.say(command).result == Result.WRONG_STATE
    assert host.say(Reset()).result == Result.NOT_AT_REST
    host.wait(18.0)
    assert host.say(Reset()).result == Result.THROTTLE_NOT_SAFE
    assert host.say(Throttle(1000)).result == Result.DONE
    assert host.say(Reset()).result == Result.DONE and host.state == State.LOCKED
    assert host.say(Arm(checksum(host.device.machine.limits))).result == Result.DONE


def test_a_brown_out_is_itself_a_trip():
    host = Host(faults.SupplyDip(5.0)).turning()
    host.wait(3.0)
    hello = of(Hello, host.messages)[-1]
    assert (hello.state, hello.reason, hello.restart_cause) == (State.TRIPPED, Reason.RESTART, Restart.BROWN_OUT)
    assert hello.time_us < 5000  # its clock began again
    event = of(DeviceEvent, host.messages)[-1]
    assert (event.kind, event.detail) == (EventKind.RESTARTED, Restart.BROWN_OUT)
    assert host.device.plant.state.duty == 0.0
    assert host.device.machine.limits[LimitId.OVERSPEED_TICKS] == 0
    assert host.say(Reset()).result == Result.NOT_AT_REST
    host.wait(18.0)
    assert host.say(Reset()).result == Result.DONE


# --- governor ---


def test_the_throttle_governor_takes_over_without_a_jump_and_holds():
    host = Host().armed()
    for parameter, value in (
        (GovernorId.THROTTLE_KP, round(0.05 * 65536)),
        (GovernorId.THROTTLE_KI, round(0.4 * 65536)),
        (GovernorId.THROTTLE_MIN_US, 1100),
        (GovernorId.THROTTLE_MAX_US, 1900),
        (GovernorId.THROTTLE_SLEW_US_PER_S, 1000),
        (GovernorId.MODE, GovernorMode.THROTTLE),
    ):
        assert host.say(SetGovernor(parameter, value)).result == Result.DONE
    host.say(Pitch(1400))
    host.say(Throttle(1400))
    host.wait(2.5)
    before = of(Slow, host.messages)[-1].throttle_us
    assert host.say(Request(3600)).result == Result.DONE
    first = of(Slow, host.wait(0.02))
    assert abs(first[0].throttle_us - before) <= 2 and first[-1].request_rpm == 3600
    host.wait(4.0)
    assert host.device.plant.state.rpm == pytest.approx(3600, rel=0.005)
    assert host.say(SetGovernor(GovernorId.MODE, GovernorMode.PITCH)).result == Result.WRONG_STATE
    assert host.say(Throttle(1300)).result == Result.DONE  # the operator's hand takes over
    assert of(Slow, host.wait(0.1))[-1].request_rpm == 0


def test_a_request_in_pass_through_is_only_told():
    host = Host().turning()
    before = of(Slow, host.messages)[-1].throttle_us
    assert host.say(Request(3000)).result == Result.DONE
    after = of(Slow, host.wait(0.5))[-1]
    assert (after.request_rpm, after.throttle_us) == (3000, before)


def test_governor_parameters_have_ranges():
    host = Host().armed()
    assert host.say(SetGovernor(GovernorId.MODE, 3)).result == Result.BAD_VALUE
    assert host.say(SetGovernor(GovernorId.THROTTLE_KP, 2**31 - 1)).result == Result.BAD_VALUE
    assert host.say(SetGovernor(99, 0)).result == Result.BAD_VALUE
    assert host.say(SetGovernor(GovernorId.MODE, GovernorMode.THROTTLE)).result == Result.DONE
    assert host.say(Request(3000)).result == Result.BAD_VALUE  # no range of pulses was given


# --- with the host's half ---


def test_a_conversation_from_knock_to_trip_and_reset():
    device = simulated_device(example_rig_text(), 5)
    talk, now_s, seen = Conversation(), 0.0, []

    def let(seconds: float, beat: bool = True) -> None:
        nonlocal now_s
        for turn in range(round(seconds / 0.005)):
            now_s += 0.005
            if beat and talk.identified and turn % 4 == 0:
                talk.send(Heartbeat(turn & 0xFFFF))
            seen.extend(talk.receive(device.exchange(now_s, talk.due(now_s)), now_s))

    let(0.6)
    assert talk.identified and talk.hello.board == Board.SIMULATED_STAND
    exchanges = [talk.send(SetLimit(slot, value)) for slot, value in LIMITS.items()]
    exchanges.append(talk.send(ReadLimits()))
    let(1.5)
    assert all(exchange.done for exchange in exchanges)
    armed = talk.send(Arm(talk.limits.crc))
    let(0.2)
    assert armed.done
    talk.send(Throttle(1300))
    let(2.0)
    assert of(Slow, seen)[-1].state == State.TURNING
    talk.send(Abort(Reason.OPERATOR_ABORT))
    let(18.0)
    talk.send(Throttle(1000))
    reset = talk.send(Reset())
    let(0.2)
    assert reset.done and of(Slow, seen)[-1].state == State.LOCKED
    assert talk.counters.bad == talk.counters.lost == talk.counters.unknown == 0 and talk.restarts == 0


def test_damaged_bytes_change_nothing():
    host = Host().turning()
    before = memory_of(host.device.machine)
    host.device.exchange(host.time_s, np.random.default_rng(3).bytes(5000))
    assert memory_of(host.device.machine) == before
    host.wait(1.2)
    assert host.state == State.TURNING
    assert of(Counters, host.messages)[-1].bad_frames > 0


def memory_of(machine) -> tuple:
    return machine.state, machine.throttle_command_us, machine.servo_us, tuple(machine.limits), machine.reason


def test_one_seed_one_stream():
    streams = []
    for seed in (4, 4, 5):
        device = simulated_device(example_rig_text(), seed)
        streams.append(b"".join(device.exchange(0.01 * step, b"") for step in range(1, 101)))
    assert streams[0] == streams[1] != streams[2]


def test_a_late_caller_gets_everything_at_once():
    early, late = (simulated_device(example_rig_text(), 4) for _ in range(2))
    assert b"".join(early.exchange(0.01 * step, b"") for step in range(1, 101)) == late.exchange(1.0, b"")


def test_settings_of_a_plant_can_differ_from_its_rig(settings, rig):
    from bench.simulator.device import SimulatedDevice
    from bench.simulator.plant import Plant

    heavy = replace(settings, inertia_kg_m2=0.02)
    device = SimulatedDevice(rig, Plant(heavy, np.random.default_rng(1)), np.random.default_rng(2))
    assert of(Slow, Unframer().feed(device.exchange(0.1, b"")))
