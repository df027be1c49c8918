"""The simulated device's state machine: commands in, answers, pulses and trips out. Twin of the sketch's ``machine.*``.

locked -> armed -> turning -> tripped by ``safety.state_table``; the trip rules are those of ``safety.device_rules``.
Times are whole microseconds since the device started; ``watch`` runs in every turn of its loop, ``tick`` every 2 ms.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import Any, NamedTuple
from zlib import crc32

import numpy as np

from whirlbench.errors import LinkError
from whirlbench.link.channel_table import CHANNEL_TABLE
from whirlbench.link.limit_table import LimitId, admits, checksum, missing_for_arming, start_values
from whirlbench.link.messages import (
    FROM_HOST,
    PROTOCOL_VERSION,
    Abort,
    Accelerometer,
    Ack,
    Arm,
    Board,
    DeviceEvent,
    Disarm,
    EventKind,
    Flag,
    GovernorId,
    Heartbeat,
    Hello,
    Identify,
    Limits,
    LoadConverter,
    Message,
    Pitch,
    ReadLimits,
    Reason,
    Request,
    Reset,
    Result,
    SetGovernor,
    SetLimit,
    Slow,
    State,
    Throttle,
    decode,
)
from whirlbench.physics.governor_law import speed_rpm
from whirlbench.safety.device_rules import (
    CutLimits,
    CutProof,
    FrozenRule,
    HeartbeatRule,
    LostTachRule,
    OverspeedRule,
    SlowCounts,
    SlowLimits,
    SlowRules,
    TachRule,
    VibrationRule,
)
from whirlbench.safety.state_table import Happening, Stand, advance
from whirlbench.simulator.device.governor import DeviceGovernor
from whirlbench.simulator.device.telemetry import U32, Sender

FIRMWARE_MAJOR, FIRMWARE_MINOR = 0, 1
TICKS_PER_S = 500
SAMPLE_SILENCE_US = 100_000  # an accelerometer that falls silent while its limit is in force is a broken limit
LONGEST_TURN_US = 20_000  # a turn of the loop that takes longer delays every rule but overspeed
Q16 = 16


@dataclass(frozen=True)
class Identity:
    """What the device says of itself in Hello."""

    restart_cause: int
    slow_rate_hz: int
    vibration_rate_hz: int
    build_id: int
    accelerometer_ug_per_count: int = 3906


Readings = SlowCounts


class DeviceMachine:
    """State, limits, trips and pulses of the device; it knows no plant and no clock."""

    def __init__(self, identity: Identity, unexpected: bool, kept_us: int = 0) -> None:
        """``unexpected``: started again by watchdog or brown-out, hence tripped from the start.

        ``kept_us``: the safe pulse that was kept over the restart; 0: never set, then no pulse goes out.
        """
        self.identity = identity
        self.sender = Sender()
        self.limits = list(start_values())
        if admits(LimitId.THROTTLE_SAFE_US, kept_us):
            self.limits[LimitId.THROTTLE_SAFE_US] = kept_us
        self.safe_us = self.limits[LimitId.THROTTLE_SAFE_US]  # as it goes out; the table may hold a new one
        self.checksum = checksum(self.limits)
        self._next_slot = self._rechecked = 0
        self.state = Stand.LOCKED
        self.reason = Reason.NONE
        self.detail = 0
        self.guarding = False
        self.overspeed = OverspeedRule(0)
        self.heartbeat = HeartbeatRule(0)
        self.vibration = VibrationRule(0, self.limits[LimitId.VIBRATION_WINDOW])
        self.frozen = FrozenRule()
        self.tach = TachRule()
        self.lost_tach = LostTachRule()
        self.slow = SlowRules()
        self.cut_proof = CutProof()
        self.governor = DeviceGovernor(self.limits)
        self.sinking = False  # the governor lost its tach: the throttle falls to safe until an edge comes
        self.at_rest = False  # known only after REST_MS without an edge
        self.disarming = False  # disarm was commanded while turning: locked follows at rest
        self.period_ticks = 0
        self.servo_us = 0  # no pulse before the first command
        self.request_rpm = 0
        self.throttle_command_us = self.throttle_q16 = 0
        self._last_turn_us: int | None = None  # None: the turn in which the stand was armed is not judged
        self._last_edge_us = self._last_sample_us = self._last_judged_us = 0
        self._judge_within_us = SAMPLE_SILENCE_US
        self._greeting = True
        self._row = len(CHANNEL_TABLE)
        self._identify_sequence: int | None = None
        self.make_throttle_safe()
        if unexpected:
            self.state = advance(self.state, Happening.RESTART).state
            self.reason, self.detail = Reason.RESTART, identity.restart_cause
            self.cut_proof.begin()

    @property
    def throttle_us(self) -> int:
        """Throttle pulse going out."""
        return self.throttle_q16 >> Q16

    @property
    def driving(self) -> bool:
        """Armed or turning: pulses follow commands, rules may trip."""
        return self.state in (Stand.ARMED, Stand.TURNING)

    @property
    def throttle_is_safe(self) -> bool:
        """Whether the commanded throttle stops the motor."""
        return self.throttle_command_us <= self.safe_us

    def limits_crc(self) -> int:
        """Checksum of the limit table in force."""
        return self.checksum

    def set_limit(self, slot: int, value: int) -> None:
        """Writes one slot; a longer safe pulse does not go out while locked."""
        self.limits[slot] = value
        self.checksum, self._next_slot, self._rechecked = checksum(self.limits), 0, 0
        if slot == LimitId.THROTTLE_SAFE_US and (self.safe_us == 0 or value < self.safe_us):
            self.take_safe_pulse()

    def take_safe_pulse(self) -> None:
        """The table's safe pulse goes out from now on, after a restart too."""
        self.safe_us = self.limits[LimitId.THROTTLE_SAFE_US]
        self.make_throttle_safe()

    # --- what the sensors report ---------------------------------------------------------------------------------

    def saw_edge(self, time_us: int, period_ticks: int, turn_ticks: int | None = None, is_mark: bool = True) -> None:
        """Takes a tach edge: ticks since the one before (0 for the first after rest), and of the latest whole turn.

        ``turn_ticks`` is 0 while none is known; None: one mark a turn, it is the period. ``is_mark``: whether the edge
        is believed to be one.
        """
        turn_ticks = period_ticks if turn_ticks is None else turn_ticks
        if self.guarding and is_mark and self.overspeed.feed(turn_ticks):
            self.trip(Reason.OVERSPEED, turn_ticks, time_us)
        self._last_edge_us = time_us
        if turn_ticks or self.at_rest:
            self.period_ticks = turn_ticks  # a turn that cannot be told now is no rest: the one before stays
        self.at_rest = False
        self.sinking = self.sinking and period_ticks == 0
        # marks may be uneven: with several, whole turns are compared
        single = self.limits[LimitId.PULSES_PER_REV] == 1
        compared = period_ticks if single or period_ticks == 0 else turn_ticks
        if (compared or period_ticks == 0) and self.tach.feed(compared) and self.guarding:
            self.trip(Reason.LOST_TACH, -compared, time_us)

    def saw_samples(self, first_index: int, counts: np.ndarray, now_us: int) -> None:
        """Takes accelerometer samples ``(n, 3)`` in order."""
        self._last_sample_us = now_us
        judged = self.vibration.windows_judged
        over = self.vibration.feed(first_index, counts) is not None
        if self.vibration.windows_judged != judged:
            self._last_judged_us = now_us
        if over and self.guarding:
            self.trip(Reason.VIBRATION, int(self.vibration.rms_counts()), now_us)
        if self.frozen.feed(counts) is not None and self.guarding:
            self.trip(Reason.ACCELEROMETER, self.frozen.counts, now_us)

    def begin_guarding(self, now_us: int) -> None:
        """Armed: from here on rules may trip."""
        self._last_sample_us = self._last_judged_us = now_us
        window, rate_hz = self.limits[LimitId.VIBRATION_WINDOW], self.identity.vibration_rate_hz
        # arming falls into a window, which is not judged; the one after it is
        self._judge_within_us = SAMPLE_SILENCE_US + (2 * window * 1_000_000 // rate_hz if rate_hz else 0)
        self._place_servo()
        self._load_rules()
        self._last_turn_us = None
        self.guarding = True

    def _place_servo(self) -> None:
        """To its safe pulse when none went out before; and within its range, which may be another one since."""
        pulse_us = self.servo_us or self.limits[LimitId.SERVO_SAFE_US]
        if pulse_us:
            self.put_servo(pulse_us)

    def _load_rules(self) -> None:
        own = {slot.name.lower(): self.limits[slot] for slot in LimitId}
        self.frozen = FrozenRule(own["frozen_samples"])
        self.tach = TachRule(own["tach_jump_periods"])
        self.lost_tach = LostTachRule(own["lost_tach_ms"], own["start_tach_ms"], own["driven_us"])
        self.slow = SlowRules(SlowLimits(**{name: own[name] for name in SlowLimits._fields}))

    # --- every turn of the loop ----------------------------------------------------------------------------------

    def watch(self, now_us: int) -> None:
        """Rest, silence of host or accelerometer, change between armed and turning, the introduction."""
        self._judge_turn(now_us)
        if not self.at_rest and self._silence_us(now_us) > self.limits[LimitId.REST_MS] * 1000:
            self.at_rest = True
            self.period_ticks = 0
        if self.guarding and self.heartbeat.silent(now_us):
            self.trip(Reason.HEARTBEAT_LOST, (self.heartbeat.silence_us(now_us) or 0) // 1000, now_us)
        if self.guarding and self._vibration_is_unwatched(now_us):
            self.trip(Reason.VIBRATION, -1, now_us)
        self.settle_turning(now_us)
        self._introduce(now_us)

    def _silence_us(self, now_us: int) -> int:
        """Since the latest edge, which may be younger than ``now_us``."""
        return max(0, now_us - self._last_edge_us)

    def _judge_turn(self, now_us: int) -> None:
        """A turn that took too long has delayed the rules; the one in which the stand was armed may."""
        before_us, self._last_turn_us = self._last_turn_us, now_us
        if before_us is not None and self.guarding and now_us - before_us > LONGEST_TURN_US:
            self.trip(Reason.LOOP_OVERRUN, now_us - before_us, now_us)

    def _vibration_is_unwatched(self, now_us: int) -> bool:
        """A limit that nobody watches is a broken one: no samples, or so many gaps that no window is whole."""
        if not self.limits[LimitId.VIBRATION_COUNTS]:
            return False
        is_silent = now_us - self._last_sample_us > SAMPLE_SILENCE_US
        return is_silent or now_us - self._last_judged_us > self._judge_within_us

    def settle_turning(self, now_us: int) -> None:
        """Armed becomes turning and back, by the pulse going out and by the tach."""
        if not self.driving:
            return
        turning = self.throttle_q16 > self.safe_us << Q16 or not self.at_rest
        if turning:
            self.happen(Happening.DRIVE, now_us)
        else:
            self.happen(Happening.REST_DISARMED if self.disarming else Happening.REST, now_us)

    def tick(self, now_us: int, readings: Readings) -> None:
        """Rules on slow channels, proof of a cut, governor, slew of the throttle, one slow sample."""
        if self.guarding:
            self._judge_slow(now_us, readings)
        self._prove_cut(now_us, readings)
        if self.driving:
            self._step_governor(now_us)
            self._slew_throttle()
        self.sender.send(
            Slow(
                now_us & U32,
                self.period_ticks,
                readings.current_counts,
                readings.voltage_counts,
                readings.servo_counts,
                readings.load_counts,
                self.throttle_us,
                self.servo_us,
                self.request_rpm,
                self.state,
                self.reason,
                readings.supply_mv,
                readings.load_age_ms,
                self.flags(),
            )
        )

    def flags(self) -> int:
        """Bits of Flag, as Slow carries them."""
        bits = {
            Flag.SECOND_CUT_CLOSED: self.driving,
            Flag.CUT_FAILED: self.cut_proof.failed,
            Flag.DISARMING: self.disarming,
            Flag.TACH_DOUBTED: self.tach.doubted,
        }
        return sum(flag for flag, is_set in bits.items() if is_set)

    def _judge_slow(self, now_us: int, readings: Readings) -> None:
        silence_ms = self._silence_us(now_us) // 1000
        quiet_ms = LostTachRule.AT_REST if self.at_rest else min(silence_ms, LostTachRule.AT_REST)
        broken = self.slow.feed(readings, self.throttle_us, self.servo_us)
        # a governor that sinks for want of its tach takes its pulse below DRIVEN_US before the time is over
        driven_us = max(self.throttle_us, self.limits[LimitId.DRIVEN_US]) if self.sinking else self.throttle_us
        lost = self.lost_tach.feed(driven_us, quiet_ms)
        if self._limits_are_corrupt():
            self.trip(Reason.LIMITS_CORRUPT, 0, now_us)
        elif broken is not None:
            self.trip(Reason[broken.name], self.slow.detail, now_us)
        elif lost:
            self.trip(Reason.LOST_TACH, self.lost_tach.quiet_ms, now_us)

    def _limits_are_corrupt(self) -> bool:
        """Whether the table no longer fits its checksum, or the rules' copies.

        One slot a tick is added to the sum, as the sketch does it: what falls over behind it is found a round later.
        """
        self._rechecked = crc32(self.limits[self._next_slot].to_bytes(4, "little"), self._rechecked)
        self._next_slot = (self._next_slot + 1) % len(self.limits)
        wrong = self._next_slot == 0 and self._rechecked != self.checksum
        if self._next_slot == 0:
            self._rechecked = 0
        limits = self.limits
        return (
            wrong
            or self.overspeed.limit_ticks != limits[LimitId.OVERSPEED_TICKS]
            or self.vibration.limit_counts != limits[LimitId.VIBRATION_COUNTS]
            or self.heartbeat.limit_us != limits[LimitId.HEARTBEAT_MS] * 1000
        )

    def _prove_cut(self, now_us: int, readings: Readings) -> None:
        """After a cut, and after a disarm: whether the rotor slows, and the current stops."""
        unknown = self.at_rest or self.period_ticks == 0
        period_ticks = 0 if unknown else max(self.period_ticks, 2 * self._silence_us(now_us))
        limits = CutLimits(
            self.limits[LimitId.CUT_PROOF_MS],
            self.limits[LimitId.CUT_CURRENT_COUNTS],
            self.limits[LimitId.CURRENT_ZERO_COUNTS],
        )
        if not self.cut_proof.feed(limits, period_ticks, readings.current_counts):
            return
        if self.guarding:
            self.trip(Reason.CUT_FAILED, self.cut_proof.detail, now_us)  # the second cut may succeed
        self.announce(EventKind.CUT_FAILED, self.cut_proof.detail, now_us)

    # --- states and trips ----------------------------------------------------------------------------------------

    def happen(self, event: Happening, now_us: int) -> None:
        """Steps through the table of states; a change is announced."""
        before, after = self.state, advance(self.state, event).state
        if after == before:
            return
        self.state = after
        if after == Stand.LOCKED:
            self.guarding = self.disarming = False
            self.cut_proof.end()
            self.make_throttle_safe()
        self.announce(EventKind.STATE, before, now_us)

    def trip(self, reason: Reason, detail: int, now_us: int) -> None:
        """The one latched way to a power cut: the first reason is kept until a reset."""
        if self.reason != Reason.NONE:
            return
        self.reason, self.detail, self.guarding = reason, detail, False
        by_hand = reason in (Reason.OPERATOR_ABORT, Reason.HOST_RULE)
        self.state = advance(self.state, Happening.ABORT if by_hand else Happening.TRIP).state
        self.release_governor()
        self.throttle_q16 = self.safe_us << Q16
        if not self.cut_proof.active:  # after a disarm it may be the reason
            self.cut_proof.begin()
        if self.limits[LimitId.SERVO_SAFE_US]:
            self.put_servo(self.limits[LimitId.SERVO_SAFE_US])
        self.disarming = False
        self.announce(EventKind.TRIP, detail, now_us)

    def announce(self, kind: EventKind, detail: int, now_us: int) -> None:
        """Sends an event."""
        self.sender.send(DeviceEvent(now_us & U32, kind, self.state, self.reason, detail))

    # --- outputs -------------------------------------------------------------------------------------------------

    def make_throttle_safe(self) -> None:
        """Safe pulse at once, commanded and going out."""
        self.release_governor()
        self.throttle_command_us = self.safe_us
        self.throttle_q16 = self.throttle_command_us << Q16

    def put_servo(self, pulse_us: int) -> None:
        """Never outside its range, also where a trip in locked finds a safe pulse that arming would refuse."""
        least_us, most_us = self.limits[LimitId.SERVO_MIN_US], self.limits[LimitId.SERVO_MAX_US]
        self.servo_us = min(max(pulse_us, least_us), most_us)

    def release_governor(self) -> None:
        """The governor lets go; the pulses stay until the next command moves them."""
        self.governor.running = False
        self.request_rpm = 0

    def _step_governor(self, now_us: int) -> None:
        """One step, as long as the latest period tells something.

        Once the next edge is overdue the output is held. Silent for two periods, the tach is lost: the throttle falls
        to safe, and stays there until an edge comes.
        """
        if not self.governor.running:
            return
        period_ticks, silence_ticks = self.period_ticks, 2 * self._silence_us(now_us)
        if period_ticks and silence_ticks // 2 > period_ticks:
            period_ticks, self.sinking = 0, True
        elif period_ticks and (silence_ticks > period_ticks or self.tach.doubted):
            return
        floor_us = self.safe_us if self.sinking and self.governor.by_throttle else None
        pulse_us = self.governor.step(self.request_rpm, period_ticks, floor_us)
        if self.governor.by_throttle:
            self.throttle_q16 = pulse_us << Q16
        else:
            self.put_servo(pulse_us)

    def _slew_throttle(self) -> None:
        """Rising follows the limit table's slew, falling is immediate."""
        if self.governor.running and self.governor.by_throttle:
            return
        aim, slew = self.throttle_command_us << Q16, self.limits[LimitId.THROTTLE_SLEW_US_PER_S]
        step = (slew << Q16) // TICKS_PER_S if slew else aim
        self.throttle_q16 = min(aim, self.throttle_q16 + step)

    # --- introduction: Hello, the channel table row by row, then the answer to Identify ---------------------------

    def greet(self, identify_sequence: int) -> None:
        """An Identify came: the introduction begins, its answer closes it."""
        self._greeting, self._identify_sequence = True, identify_sequence

    def acknowledge(self, type_byte: int, sequence: int, answer: Answer) -> None:
        """Answers the frame of this type that came under ``sequence``."""
        self.sender.send(Ack(type_byte, sequence, answer.result, answer.detail & U32))

    def _introduce(self, now_us: int) -> None:
        if self._greeting:
            self._send_hello(now_us)
            self._greeting, self._row = False, 0
        elif self._row < len(CHANNEL_TABLE):
            self.sender.send(CHANNEL_TABLE[self._row])
            self._row += 1
        elif self._identify_sequence is not None:
            self.acknowledge(Identify.TYPE, self._identify_sequence, Answer(Result.DONE))
            self._identify_sequence = None

    def _send_hello(self, now_us: int) -> None:
        own = self.identity
        self.sender.send(
            Hello(
                protocol=PROTOCOL_VERSION,
                board=Board.SIMULATED_STAND,
                firmware_major=FIRMWARE_MAJOR,
                firmware_minor=FIRMWARE_MINOR,
                restart_cause=own.restart_cause,
                channels=len(CHANNEL_TABLE),
                build_id=own.build_id,
                time_us=now_us & U32,
                limits_crc=self.limits_crc(),
                slow_rate_hz=own.slow_rate_hz,
                vibration_rate_hz=own.vibration_rate_hz,
                vibration_axes=3,
                state=State(self.state),
                reason=self.reason,
                accelerometer=Accelerometer.SIMULATED,
                accelerometer_ug_per_count=own.accelerometer_ug_per_count,
                load_converter=LoadConverter.SIMULATED,
                load_counts_per_mv_v=0,
            )
        )


# --- commands: one function for each, as the sketch's machine answers them -----------------------------------------


class Answer(NamedTuple):
    """Result and detail of an acknowledgement."""

    result: Result
    detail: int = 0


DONE = Answer(Result.DONE)
COMMANDS = frozenset(message.TYPE for message in FROM_HOST)


def receive(machine: DeviceMachine, payload: bytes, now_us: int) -> None:
    """Carries out what an intact frame holds and queues its acknowledgement; a heartbeat has none.

    A type that is no command, and a command of the wrong length, are answered, too (PROTOCOL.md, section 5).
    """
    type_byte, sequence = payload[0], payload[1]
    if type_byte not in COMMANDS:
        machine.acknowledge(type_byte, sequence, Answer(Result.UNKNOWN_COMMAND))
        return
    try:
        command = decode(payload)
    except LinkError:
        machine.acknowledge(type_byte, sequence, Answer(Result.BAD_VALUE))
        return
    if isinstance(command, Heartbeat):
        machine.heartbeat.heard(now_us)
    elif isinstance(command, Identify) and command.protocol == PROTOCOL_VERSION:
        machine.greet(sequence)  # the answer follows the channel table
    else:
        machine.acknowledge(type_byte, sequence, HANDLERS[type(command)](machine, command, now_us))


def _wrong_state(machine: DeviceMachine) -> Answer:
    return Answer(Result.WRONG_STATE, machine.state)


def _identify(machine: DeviceMachine, command: Identify, now_us: int) -> Answer:
    return Answer(Result.WRONG_VERSION, PROTOCOL_VERSION)


def _set_limit(machine: DeviceMachine, command: SetLimit, now_us: int) -> Answer:
    if machine.state != Stand.LOCKED:
        return _wrong_state(machine)
    if not admits(command.limit, command.value):
        return Answer(Result.BAD_VALUE, command.limit)
    machine.set_limit(command.limit, command.value)
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
    if machine.safe_us != limits[LimitId.THROTTLE_SAFE_US]:
        machine.take_safe_pulse()
    machine.happen(Happening.ARM, now_us)
    machine.begin_guarding(now_us)
    return DONE


def _arming_refusal(machine: DeviceMachine, command: Arm, now_us: int) -> Answer | None:
    """Why arming is not possible now, in the order in which the device asks."""
    if machine.state != Stand.LOCKED:
        return _wrong_state(machine)
    if command.limits_crc != machine.limits_crc() or checksum(machine.limits) != machine.limits_crc():
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
        if not machine.disarming:
            machine.cut_proof.begin()
        machine.disarming = True
        machine.settle_turning(now_us)
    return DONE


def _abort(machine: DeviceMachine, command: Abort, now_us: int) -> Answer:
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
    stops = pulse_us in (safe_us, machine.safe_us)  # never refused
    if not stops and (not machine.driving or machine.disarming):
        return _wrong_state(machine)
    if not stops and not safe_us <= pulse_us <= machine.limits[LimitId.THROTTLE_MAX_US]:
        return Answer(Result.BAD_VALUE)
    machine.throttle_command_us = machine.safe_us if stops else pulse_us
    if machine.governor.running and machine.governor.by_throttle:
        machine.release_governor()
    machine.throttle_q16 = min(machine.throttle_q16, machine.throttle_command_us << Q16)
    return DONE


def _pitch(machine: DeviceMachine, command: Pitch, now_us: int) -> Answer:
    if not machine.driving:
        return _wrong_state(machine)
    if not machine.limits[LimitId.SERVO_MIN_US] <= command.pulse_us <= machine.limits[LimitId.SERVO_MAX_US]:
        return Answer(Result.BAD_VALUE)
    if machine.governor.running and not machine.governor.by_throttle:
        machine.release_governor()
    machine.put_servo(command.pulse_us)
    return DONE


def _request(machine: DeviceMachine, command: Request, now_us: int) -> Answer:
    if command.speed_rpm and (not machine.driving or machine.disarming):
        return _wrong_state(machine)
    if command.speed_rpm == 0:
        machine.release_governor()
        return DONE
    limits = machine.limits
    most_rpm = speed_rpm(limits[LimitId.OVERSPEED_TICKS], limits[LimitId.PULSES_PER_REV])
    if command.speed_rpm > most_rpm:
        return Answer(Result.ABOVE_OVERSPEED, most_rpm)
    present_us = machine.throttle_us if machine.governor.by_throttle else machine.servo_us
    was_running = machine.governor.running
    if not machine.governor.engage(present_us):
        return Answer(Result.BAD_VALUE)  # no range, or no servo pulse yet to go on from
    machine.sinking = machine.sinking and was_running
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
