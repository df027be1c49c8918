"""How the simulated device answers its host, one function for each command.

Twin of the sketch's ``machine_commands``.
"""

from __future__ import annotations

from collections.abc import Callable
from typing import Any, NamedTuple

from whirlbench.link.limit_table import LimitId, admits, missing_for_arming
from whirlbench.link.messages import (
    PROTOCOL_VERSION,
    Abort,
    Arm,
    Disarm,
    GovernorId,
    Heartbeat,
    Identify,
    Limits,
    Message,
    Pitch,
    ReadLimits,
    Reason,
    Request,
    Reset,
    Result,
    SetGovernor,
    SetLimit,
    Throttle,
)
from whirlbench.safety.device_rules import HeartbeatRule, OverspeedRule, VibrationRule
from whirlbench.safety.state_table import Happening, Stand
from whirlbench.simulator.device.machine import Q16, DeviceMachine


class Answer(NamedTuple):
    """Result and detail of an acknowledgement."""

    result: Result
    detail: int = 0


DONE = Answer(Result.DONE)


def obey(machine: DeviceMachine, sequence: int, command: Message, now_us: int) -> None:
    """Carries out one command and queues its acknowledgement; a heartbeat has none."""
    if isinstance(command, Heartbeat):
        machine.heartbeat.heard(now_us)
        return
    if isinstance(command, Identify) and command.protocol == PROTOCOL_VERSION:
        machine.greet(sequence)  # the answer follows the channel table
        return
    handler = HANDLERS.get(type(command), _unknown)
    answer = handler(machine, command, now_us)
    machine.acknowledge(type(command), sequence, answer.result, answer.detail)


def _unknown(machine: DeviceMachine, command: Message, now_us: int) -> Answer:
    return Answer(Result.UNKNOWN_COMMAND)


def _wrong_state(machine: DeviceMachine) -> Answer:
    return Answer(Result.WRONG_STATE, machine.state)


def _identify(machine: DeviceMachine, command: Identify, now_us: int) -> Answer:
    return Answer(Result.WRONG_VERSION, PROTOCOL_VERSION)


def _set_limit(machine: DeviceMachine, command: SetLimit, now_us: int) -> Answer:
    if machine.state != Stand.LOCKED:
        return _wrong_state(machine)
    if not admits(command.limit, command.value):
        return Answer(Result.BAD_VALUE, command.limit)
    machine.limits[command.limit] = command.value
    if command.limit == LimitId.THROTTLE_SAFE_US:
        machine.make_throttle_safe()
    return DONE


def _read_limits(machine: DeviceMachine, command: ReadLimits, now_us: int) -> Answer:
    machine.sender.send(Limits(machine.limits_crc(), tuple(machine.limits)))
    return DONE


def _arm(machine: DeviceMachine, command: Arm, now_us: int) -> Answer:
    refusal = _arming_refusal(machine, command, now_us)
    if refusal is not None:
        return refusal
    limits = machine.limits
    machine.overspeed = OverspeedRule(limits[LimitId.OVERSPEED_TICKS], limits[LimitId.OVERSPEED_CONFIRM])
    machine.vibration = VibrationRule(limits[LimitId.VIBRATION_COUNTS], limits[LimitId.VIBRATION_WINDOW])
    machine.happen(Happening.ARM, now_us)
    machine.begin_guarding(now_us)
    return DONE


def _arming_refusal(machine: DeviceMachine, command: Arm, now_us: int) -> Answer | None:
    """Why arming is not possible now, in the order in which the device asks."""
    if machine.state != Stand.LOCKED:
        return _wrong_state(machine)
    if command.limits_crc != machine.limits_crc():
        return Answer(Result.LIMITS_DIFFER, machine.limits_crc())
    missing = missing_for_arming(machine.limits)
    if missing is not None:
        return Answer(Result.BAD_VALUE, missing)
    if not machine.at_rest:
        return Answer(Result.NOT_AT_REST)
    if not machine.throttle_is_safe:
        return Answer(Result.THROTTLE_NOT_SAFE)
    heard_us = machine.heartbeat.heard_us
    machine.heartbeat = HeartbeatRule(machine.limits[LimitId.HEARTBEAT_MS])
    machine.heartbeat.heard_us = heard_us
    return None if machine.heartbeat.fresh(now_us) else Answer(Result.HEARTBEAT_MISSING)


def _disarm(machine: DeviceMachine, command: Disarm, now_us: int) -> Answer:
    if machine.driving:
        machine.make_throttle_safe()
        machine.disarming = True
        machine.settle_turning(now_us)
    return DONE


def _abort(machine: DeviceMachine, command: Abort, now_us: int) -> Answer:
    if machine.state == Stand.LOCKED:
        return _wrong_state(machine)
    by_rule = command.reason == Reason.HOST_RULE  # an odd reason is no reason to refuse
    machine.trip(Reason.HOST_RULE if by_rule else Reason.OPERATOR_ABORT, 0, now_us)
    return DONE


def _reset(machine: DeviceMachine, command: Reset, now_us: int) -> Answer:
    if machine.state != Stand.TRIPPED:
        return _wrong_state(machine)
    if not machine.at_rest:
        return Answer(Result.NOT_AT_REST)
    if not machine.throttle_is_safe:
        return Answer(Result.THROTTLE_NOT_SAFE)
    machine.reason, machine.detail = Reason.NONE, 0
    machine.happen(Happening.RESET, now_us)
    return DONE


def _throttle(machine: DeviceMachine, command: Throttle, now_us: int) -> Answer:
    pulse_us, safe_us = command.pulse_us, machine.limits[LimitId.THROTTLE_SAFE_US]
    if pulse_us != safe_us and (not machine.driving or machine.disarming):
        return _wrong_state(machine)
    if pulse_us < safe_us or safe_us < pulse_us > machine.limits[LimitId.THROTTLE_MAX_US]:
        return Answer(Result.BAD_VALUE)
    machine.throttle_command_us = pulse_us
    if machine.governor.running and machine.governor.by_throttle:
        machine.release_governor()
    if machine.driving:
        machine.throttle_q16 = min(machine.throttle_q16, pulse_us << Q16)
    return DONE


def _pitch(machine: DeviceMachine, command: Pitch, now_us: int) -> Answer:
    if not machine.driving:
        return _wrong_state(machine)
    if not machine.limits[LimitId.SERVO_MIN_US] <= command.pulse_us <= machine.limits[LimitId.SERVO_MAX_US]:
        return Answer(Result.BAD_VALUE)
    if machine.governor.running and not machine.governor.by_throttle:
        machine.release_governor()
    machine.servo_us = command.pulse_us
    return DONE


def _request(machine: DeviceMachine, command: Request, now_us: int) -> Answer:
    if command.speed_rpm and (not machine.driving or machine.disarming):
        return _wrong_state(machine)
    if command.speed_rpm == 0:
        machine.release_governor()
        return DONE
    present_us = machine.throttle_us if machine.governor.by_throttle else machine.servo_us
    if not machine.governor.engage(present_us):
        return Answer(Result.BAD_VALUE)  # no range, or no servo pulse yet to go on from
    machine.request_rpm = command.speed_rpm
    return DONE


def _set_governor(machine: DeviceMachine, command: SetGovernor, now_us: int) -> Answer:
    governor = machine.governor
    if not governor.admits(command.parameter, command.value):
        return Answer(Result.BAD_VALUE, command.parameter)
    changes_mode = command.parameter == GovernorId.MODE and command.value != governor.parameters[GovernorId.MODE]
    if changes_mode and machine.state not in (Stand.LOCKED, Stand.ARMED):
        return _wrong_state(machine)
    if changes_mode:
        machine.release_governor()
    return DONE if governor.set(command.parameter, command.value) else Answer(Result.BAD_VALUE, command.parameter)


HANDLERS: dict[type[Message], Callable[[DeviceMachine, Any, int], Answer]] = {
    Identify: _identify,
    SetLimit: _set_limit,
    ReadLimits: _read_limits,
    Arm: _arm,
    Disarm: _disarm,
    Throttle: _throttle,
    Pitch: _pitch,
    Request: _request,
    SetGovernor: _set_governor,
    Abort: _abort,
    Reset: _reset,
}
