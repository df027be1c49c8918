"""The compiled sketch as a partner in conversation: who it is, what it accepts in which state, and what it refuses."""

from __future__ import annotations

from collections.abc import Iterator
from itertools import pairwise

import pytest
from mcu import BOARDS, ESC, SERVO
from mcu_rotor import RawSensors, ScriptedRotor
from mcu_stand import McuStand
from mcu_talk import Talk

from whirlbench.link.channel_table import CHANNEL_TABLE
from whirlbench.link.framing import Unframer, frame
from whirlbench.link.limit_table import LimitId, checksum, start_values
from whirlbench.link.messages import (
    PROTOCOL_VERSION,
    Abort,
    Ack,
    Arm,
    Counters,
    DeviceEvent,
    Disarm,
    EventKind,
    GovernorId,
    Hello,
    Identify,
    Message,
    Pitch,
    ReadLimits,
    Reason,
    Reset,
    Restart,
    Result,
    SetGovernor,
    SetLimit,
    Slow,
    State,
    Throttle,
)
from whirlbench.session.engine.device_limits import device_limits

QUICK_REST = {LimitId.REST_MS: 100}


@pytest.fixture(params=list(BOARDS))
def talk(request: pytest.FixtureRequest) -> Iterator[Talk]:
    with McuStand(request.param, plant=ScriptedRotor(), sensors=RawSensors()) as stand:
        yield Talk(stand)


def rotor_of(talk: Talk) -> ScriptedRotor:
    assert isinstance(talk.stand.plant, ScriptedRotor)
    return talk.stand.plant


def results(talk: Talk, *commands: Message) -> list[Result]:
    return [Result(talk.ask(command).result) for command in commands]


def test_it_introduces_itself_unasked_after_power_on(talk: Talk) -> None:
    talk.beating = False
    talk.stand.run(0.2)
    messages = talk.conversation.receive(talk.stand.read(), 0.2)
    hello = messages[0]
    assert isinstance(hello, Hello)
    assert hello.protocol == PROTOCOL_VERSION and hello.restart_cause == Restart.POWER_ON
    assert (hello.state, hello.reason) == (State.LOCKED, Reason.NONE)
    assert hello.limits_crc == checksum(start_values())
    assert len(talk.conversation.channels) == hello.channels


def test_identify_brings_hello_channels_and_an_answer(talk: Talk) -> None:
    talk.run(0.1)
    talk.heard.clear()
    talk.identify()
    assert talk.conversation.channels == CHANNEL_TABLE
    assert talk.conversation.hello is not None
    assert talk.conversation.hello.slow_rate_hz == 500 and talk.conversation.hello.vibration_rate_hz == 1600


def test_another_protocol_version_is_refused_by_name_and_nothing_else_follows(talk: Talk) -> None:
    talk.stand.run(0.2)
    talk.stand.read()
    talk.stand.write(frame(Identify(PROTOCOL_VERSION + 1), 9))
    talk.stand.run(0.4)
    messages = Unframer().feed(talk.stand.read())
    answers = [message for message in messages if isinstance(message, Ack)]
    assert answers == [Ack(Identify.TYPE, 9, Result.WRONG_VERSION, PROTOCOL_VERSION)]
    assert not any(isinstance(message, Hello) for message in messages)


def test_limits_are_stored_echoed_and_their_checksum_agrees(talk: Talk) -> None:
    talk.identify()
    crc = talk.send_limits()
    assert crc == checksum(device_limits(talk.stand.rig))


def test_every_slot_admits_its_range_and_nothing_beyond(talk: Talk) -> None:
    talk.identify()
    for slot in LimitId:
        expected = {slot.lowest: True, slot.highest: True, slot.highest + 1: False}
        if slot.lowest > 0:
            expected |= {0: slot.zero, slot.lowest - 1: slot.zero and slot.lowest == 1}
        for value, admitted in expected.items():
            answer = talk.ask(SetLimit(slot, value))
            assert (answer.result == Result.DONE) is admitted, f"{slot.name} = {value}: {Result(answer.result).name}"
    assert talk.ask(SetLimit(len(LimitId), 0)).result == Result.BAD_VALUE


def test_arming_refuses_each_missing_condition_by_name(talk: Talk) -> None:
    talk.identify()
    start_crc = checksum(start_values())
    assert results(talk, Arm(start_crc)) == [Result.BAD_VALUE]  # no overspeed limit yet
    crc = talk.send_limits(QUICK_REST)
    answer = talk.ask(Arm(crc ^ 1))
    assert (answer.result, answer.detail) == (Result.LIMITS_DIFFER, crc)
    rotor_of(talk).rpm = 1500
    talk.run(0.2)
    assert results(talk, Arm(crc)) == [Result.NOT_AT_REST]
    rotor_of(talk).rpm = 0
    talk.run(0.2)
    talk.beating = False
    talk.run(0.3)
    assert results(talk, Arm(crc)) == [Result.HEARTBEAT_MISSING]
    talk.beating = True
    talk.run(0.05)
    assert results(talk, Arm(crc)) == [Result.DONE]
    assert not talk.trips


def test_the_way_from_locked_to_turning_and_back(talk: Talk) -> None:
    talk.identify()
    assert results(talk, Throttle(1200), Pitch(1400), Throttle(1000)) == [
        Result.WRONG_STATE,
        Result.WRONG_STATE,
        Result.WRONG_STATE,  # it was never told which pulse stops the motor
    ]
    talk.arm(QUICK_REST)
    assert results(talk, SetLimit(LimitId.HEARTBEAT_MS, 500), Reset()) == [Result.WRONG_STATE] * 2
    assert results(talk, Throttle(1901), Throttle(999), Pitch(999), Pitch(2001)) == [Result.BAD_VALUE] * 4
    assert results(talk, Throttle(1300), Pitch(1400)) == [Result.DONE] * 2
    talk.run(0.1)
    assert talk.state is State.TURNING
    talk.command(Throttle(1000))
    talk.run(0.05)
    assert talk.state is State.ARMED
    talk.command(Disarm())
    talk.run(0.05)
    assert talk.state is State.LOCKED
    changes = [(event.detail, event.state) for event in talk.all_of(DeviceEvent) if event.kind == EventKind.STATE]
    assert changes == [
        (State.LOCKED, State.ARMED),
        (State.ARMED, State.TURNING),
        (State.TURNING, State.ARMED),
        (State.ARMED, State.LOCKED),
    ]


def test_disarming_while_turning_waits_for_rest(talk: Talk) -> None:
    talk.arm(QUICK_REST)
    talk.command(Throttle(1300))
    rotor_of(talk).rpm = 3000
    talk.run(0.1)
    talk.command(Disarm())
    talk.run(0.2)
    assert talk.state is State.TURNING
    assert talk.stand.mcu.width_us(ESC) == pytest.approx(1000, abs=1)
    assert results(talk, Throttle(1300)) == [Result.WRONG_STATE]
    rotor_of(talk).rpm = 0
    talk.run(0.2)
    assert talk.state is State.LOCKED


def test_pulses_follow_their_commands_to_the_microsecond(talk: Talk) -> None:
    talk.arm({**QUICK_REST, LimitId.THROTTLE_SLEW_US_PER_S: 0})
    for throttle_us, servo_us in ((1100, 1000), (1437, 1999), (1900, 1501), (1001, 2000)):
        talk.command(Throttle(throttle_us))
        talk.command(Pitch(servo_us))
        talk.run(0.02)
        assert talk.stand.mcu.width_us(ESC) == pytest.approx(throttle_us, abs=0.25)  # four cycles
        assert talk.stand.mcu.width_us(SERVO) == pytest.approx(servo_us, abs=0.25)
        slow = talk.latest(Slow)
        assert (slow.throttle_us, slow.servo_us) == (throttle_us, servo_us)
    rises_s = [pulse.rise_s for pulse in talk.stand.mcu.pulses if pulse.output == ESC][-50:]
    periods_s = [later - earlier for earlier, later in pairwise(rises_s)]
    assert all(period == pytest.approx(0.0025, abs=1e-6) for period in periods_s)
    assert talk.stand.counters["stray_pulses"] == 0


def test_throttle_rises_at_its_slew_and_falls_at_once(talk: Talk) -> None:
    talk.arm(QUICK_REST)
    slew = device_limits(talk.stand.rig)[LimitId.THROTTLE_SLEW_US_PER_S]
    talk.command(Throttle(1300))
    talk.run(0.2)
    first, last = talk.heard.index(talk.latest(Slow)) - 40, -1
    slow = [message for message in talk.heard[first:last] if isinstance(message, Slow)]
    rate = (slow[-1].throttle_us - slow[0].throttle_us) / ((slow[-1].time_us - slow[0].time_us) * 1e-6)
    assert rate == pytest.approx(slew, rel=0.05)
    talk.run(0.6)
    assert talk.stand.mcu.width_us(ESC) == pytest.approx(1300, abs=0.25)
    talk.command(Throttle(1050))
    talk.run(0.006)
    assert talk.stand.mcu.width_us(ESC) == pytest.approx(1050, abs=0.25)


def test_reset_needs_rest_and_a_safe_throttle_and_keeps_the_limits(talk: Talk) -> None:
    talk.arm(QUICK_REST)
    crc = talk.conversation.limits.crc  # type: ignore[union-attr]
    talk.command(Throttle(1300))
    rotor_of(talk).rpm = 3000
    talk.run(0.1)
    talk.command(Abort(Reason.OPERATOR_ABORT))
    talk.run(0.02)
    assert talk.state is State.TRIPPED
    refused = (Throttle(1300), Pitch(1400), Arm(crc), SetLimit(LimitId.REST_MS, 200))
    assert results(talk, *refused) == [Result.WRONG_STATE] * 4
    assert results(talk, Reset()) == [Result.NOT_AT_REST]
    rotor_of(talk).rpm = 0
    talk.run(0.2)
    assert results(talk, Reset()) == [Result.THROTTLE_NOT_SAFE]
    assert results(talk, Throttle(1000), Reset()) == [Result.DONE] * 2
    talk.run(0.02)
    slow = talk.latest(Slow)
    assert (slow.state, slow.reason) == (State.LOCKED, Reason.NONE)
    talk.command(ReadLimits())
    talk.run(0.02)
    assert talk.conversation.limits.crc == crc  # type: ignore[union-attr]
    assert results(talk, Arm(crc)) == [Result.DONE]


def test_an_abort_of_the_host_rules_is_told_apart(talk: Talk) -> None:
    talk.arm(QUICK_REST)
    talk.command(Abort(Reason.HOST_RULE))
    talk.run(0.02)
    assert talk.trips == [(Reason.HOST_RULE, 0)]
    assert results(talk, Abort(Reason.OPERATOR_ABORT)) == [Result.DONE]
    talk.run(0.02)
    assert talk.latest(Slow).reason == Reason.HOST_RULE  # the first reason is kept


def test_the_write_that_stops_the_program_comes_while_locked_or_with_arm_alone(talk: Talk) -> None:
    """Keeping a safe pulse takes some 3.4 ms a byte: no rule may wait for that, least of all while it turns."""

    def kept() -> int:
        return talk.stand.counters["kept_bytes"]

    def latest_loop_ms() -> float:
        talk.run(1.0)
        return max(counters.longest_loop_us for counters in talk.all_of(Counters)[-1:]) / 1000

    talk.identify()
    assert kept() == 0
    crc = talk.send_limits({**QUICK_REST, LimitId.THROTTLE_SAFE_US: 800})
    assert kept() == 4  # the pulse and its complement, of which the bytes that change are written
    crc = talk.send_limits({**QUICK_REST, LimitId.THROTTLE_SAFE_US: 1100})
    assert kept() == 4  # a longer one waits for Arm
    talk.heard.clear()
    talk.command(Arm(crc))
    assert kept() == 8 and latest_loop_ms() > 10.0 and talk.state is State.ARMED  # and that turn is not judged
    rotor_of(talk).rpm = 3000.0
    assert results(talk, SetLimit(LimitId.THROTTLE_SAFE_US, 950)) == [Result.WRONG_STATE]
    for command in (Throttle(1300), Pitch(1400), SetGovernor(GovernorId.THROTTLE_KP, 5), Throttle(1100), Disarm()):
        talk.command(command)
        talk.run(0.02)
    assert talk.state is State.TURNING
    talk.command(Abort(Reason.OPERATOR_ABORT))
    assert results(talk, SetLimit(LimitId.THROTTLE_SAFE_US, 950)) == [Result.WRONG_STATE]
    rotor_of(talk).rpm = 0.0
    talk.run(0.15)
    for command in (Throttle(1100), Reset(), Arm(crc)):
        talk.command(command)
    assert kept() == 8
