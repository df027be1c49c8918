"""The session's engine: one step from bytes, commands and the surface's age to bytes, records and an outcome.

No clock, no thread, no I/O. The life of a sample inside a step: conversation (frames, messages) -> telemetry (device
clock, calibration) -> host ring (trips) -> stand watch (state) -> commands and plan -> heartbeat -> bytes. Whoever
calls ``step`` writes the bytes first, then records, then shows: safety comes before disk and display.

One state machine. Its tables: ``Phase`` says which phases there are, ``_TURNS`` (last in this file) what is done in
each, ``PERMITTED`` (``phases``) which command of the operator is carried out in each.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import replace
from functools import lru_cache
from types import MappingProxyType

from whirlbench.calibration.sensor_ranges import check_ranges, check_watched
from whirlbench.errors import BenchError, LinkError, PlanError
from whirlbench.link.conversation import Conversation
from whirlbench.link.limit_table import LimitId
from whirlbench.link.messages import Abort, Arm, Disarm, Heartbeat, Limits, Reason, Reset, Result, Throttle
from whirlbench.link.outbox import Exchange
from whirlbench.rig.description import Rig, servo_ends
from whirlbench.safety.host_rules import Trip
from whirlbench.safety.reading_errors import read_as, trip_words
from whirlbench.safety.state_table import Happening, Stand
from whirlbench.samples import Event
from whirlbench.session.engine.actions import (
    Actions,
    CountersRecord,
    Ending,
    IdentityRecord,
    Outcome,
    Progress,
    Record,
)
from whirlbench.session.engine.agreement import Agreement, scale_objection
from whirlbench.session.engine.commands import Command, CommandKind
from whirlbench.session.engine.device_limits import device_limits
from whirlbench.session.engine.governor_parameters import governor_parameter, governor_parameters
from whirlbench.session.engine.heartbeat import SELF_TEST_S, HeartbeatKeeper, LatenessCheck, SelfTest
from whirlbench.session.engine.host_ring import HostRing, RecordingWatch
from whirlbench.session.engine.phases import LIVE_PHASES, PERMITTED, REFUSALS, Phase
from whirlbench.session.engine.set_point_sender import SetPointSender
from whirlbench.session.engine.stand_watch import OPEN_ISOLATOR, StandWatch, reason_name
from whirlbench.session.engine.telemetry import Heard, Telemetry
from whirlbench.session.plan import (
    NO_CLEARANCE,
    Clearance,
    Controls,
    Override,
    Plan,
    PlanRun,
    SetPoints,
    Situation,
    Wish,
    check_plan,
    governor_mode,
    greatest_permitted_rpm,
    narrowed,
    override_complaint,
    refusal,
)

# No sample for so long: the link is lost. A boot loader after a restart is silent for two (from memory).
SILENCE_S = 4.0
SILENT_TURNS = 100  # without a sample as well: a computer that was suspended has not listened
OUT_OF_RANGE = (Result.BAD_VALUE, Result.ABOVE_OVERSPEED)
COUNTERS_S = 1.0
COAST_LEAST_S = 3.0  # recorded after a trip even when the tach says "at rest": the tach may be what failed
COAST_MOST_S = 180.0
RECORDING_PATIENCE_S = 30.0  # for its file to be begun: a computer that needs longer is in no state to supervise
REST_SHOWN_S = 1.0  # of rest, so that the recording holds the end of the coast-down
ARM_PATIENCE_S = 2.0  # beyond the time that rest takes to be known
ARM_AGAIN_S = 0.1
INSPECTING = (Wish.LOCK, Wish.WORD, Wish.ARM)


class Engine:
    """One session on one device; see the module's text."""

    def __init__(
        self,
        rig: Rig,
        plan: Plan | None = None,
        keep_open: bool = False,
        reset_first: bool = False,
        clearance: Clearance | None = None,
    ) -> None:
        """Checks rig and plan as a whole: RigError or PlanError before anything is sent.

        ``keep_open`` keeps the session alive at rest, after a run or a trip, until the operator finishes it.
        ``reset_first`` resets a device that is met tripped from an earlier run, which is refused otherwise.
        ``clearance`` of the fitted blade set; without one nothing is armed.
        """
        rig = narrowed(rig, plan)
        check_watched(rig)
        check_ranges(rig)
        if plan is not None:
            check_plan(plan, rig)
        self.rig, self.plan, self.keep_open, self.clearance = rig, plan, keep_open, clearance
        self.phase = Phase.CONNECTING
        self.message = ""
        self.conversation = Conversation()
        self.telemetry = Telemetry(rig)
        self.watch = StandWatch.of(rig)
        self.ring = HostRing(rig)
        self.recording = RecordingWatch()
        self.keeper = HeartbeatKeeper(rig.limits.heartbeat_ms / 1e3, rig.limits.surface_ms / 1e3)
        self.controls = Controls(rig, governor_mode(plan, rig))
        self.sender = SetPointSender(self.controls)
        self.set_points = SetPoints(rig.throttle.safe_us, 0.0)
        self.plan_run: PlanRun | None = None
        self.agreement: Agreement | None = None
        self.finish_wanted = False
        self.now_s = 0.0
        self._reset_wanted = reset_first
        self._lateness = LatenessCheck(self.conversation, self.keeper)
        self._limits = device_limits(rig)
        self._arming: Exchange | None = None  # the latest Arm, Disarm, Reset and Abort
        self._disarming: Exchange | None = None
        self._resetting: Exchange | None = None
        self._cut: Exchange | None = None
        self._cut_wanted = False  # an abort is on its way: no heartbeat may keep the power on, should it get lost
        self._parameters: list[tuple[Command, Exchange]] = []  # of the governor, whose answers are awaited
        self._wish = Wish.NONE
        self._uncleared = ""  # why the fitted set may not be armed with, as it was asked last
        self._phase_since_s: float | None = None
        self._heard_at_s: float | None = None
        self._silent_turns = 0  # since then
        self._rest_since_s: float | None = None
        self._counted_at_s = 0.0
        self._host_trip: Trip | None = None
        self._stop_reason = ""  # why the host itself stopped the run
        self._late = ""  # who was late when the device missed the heartbeat
        self._self_test: SelfTest | None = None  # of the present arming
        self._link_failure = ""
        self._aborted_locked = False  # the operator's last word was an abort, though nothing was armed
        self._introduced = False
        self._records: list[Record] = []
        self._outcome: Outcome | None = None

    # --- one step ---------------------------------------------------------------------------------------------------

    def step(self, now_s: float, data: bytes, commands: Sequence[Command] = (), surface_age_s: float = 0.0) -> Actions:
        """Everything that follows from ``data`` having arrived by ``now_s`` (host's monotonic seconds).

        ``surface_age_s`` is how long the operator's surface has been silent. After an outcome, steps do nothing.
        """
        if self._outcome is not None:
            return Actions(outcome=self._outcome)
        if self._phase_since_s is None:
            self._phase_since_s = now_s
        self.now_s = now_s
        self._silent_turns += 1
        self.keeper.turn(now_s)
        heard = self._listen(data)
        self._judge(heard)
        self._follow(heard)
        self._watch_recording()
        self._obey(commands)
        self._check_silence()
        if self._outcome is None:
            _TURNS[self.phase](self)
        self._feed_heartbeat(heard, surface_age_s)
        self._count()
        return Actions(self._due(), self._taken_records(), self._outcome)

    def judge_trends(self) -> None:
        """Does, in the pause after a step's bytes are written, what else the next step would do first."""
        self.ring.judge_trends()

    def lose_link(self, now_s: float, reason: str) -> Actions:
        """The port failed: the session ends here, with what was recorded."""
        self.now_s = now_s
        self._fail_link(reason)
        self._end_with_link()
        return Actions(b"", self._taken_records(), self._outcome)

    def lose_recording(self, reason: str) -> None:
        """Nothing can be written any more: a run that leaves no record is not begun, and not carried on."""
        if self.watch.live or self.watch.tripped_at_s is not None:
            self._stop_reason = self._stop_reason or f"the recording failed: {reason}"
        if self.watch.live:
            if not self._cut_wanted:
                self._stop(self._stop_reason)
        elif self.watch.tripped_at_s is not None:  # a trip stays one, whatever the disk does
            self._end(*self._last_ending())
        else:
            self._end(Ending.REFUSED, reason)

    @property
    def link_lost_turning(self) -> bool:
        """Whether the link failed while the stand was not known to be at rest: its coast-down is still to be seen."""
        watch = self.watch
        known = watch.state is not None and self._introduced
        return bool(self._link_failure) and known and (watch.live or not watch.at_rest)

    def note(self, kind: str, name: str, detail: str = "", time_s: float | None = None) -> None:
        """Records an event with the next step, dated now unless ``time_s`` says when."""
        self._records.append(Event(self.telemetry.time_s if time_s is None else time_s, kind, name, detail))

    def counters(self) -> dict[str, int]:
        """Losses on the way from the device, by name."""
        return {**self.conversation.counters.as_dict(), "stale": self.telemetry.stale, "heartbeats": self.keeper.sent}

    def progress(self) -> Progress:
        """Where the session stands, in the words of its surface."""
        run, watch = self.plan_run, self.watch
        return Progress(
            phase=self.phase.value,
            state=watch.state.name.lower() if watch.state is not None else "",
            reason=self._reason_shown(),
            time_s=self.telemetry.time_s,
            step=run.number if run else 0,
            steps=len(self.plan.steps) if self.plan else 0,
            step_text=run.step.kind if run and run.step else "",
            values={
                **self.telemetry.latest,
                "vibration_g_rms": self.ring.vibration_g_rms,
                "recorder_lag_s": self.recording.lag_s,
                **self.ring.trends(),
            },
            counters=self.counters(),
            waits=self._wish is Wish.WORD and run is not None,
            withheld=self.keeper.withheld,
            message=OPEN_ISOLATOR if watch.cut_failed else self.message,
            held=self._held(),
        )

    def _held(self) -> Mapping[str, int]:
        """The device's limits by slot, as it read them back; empty while they are not known."""
        return _by_slot(echo) if (echo := self.conversation.limits) is not None else {}

    def _reason_shown(self) -> str:
        """The trip's reason, and above all that a cut failed."""
        parts = [OPEN_ISOLATOR] if self.watch.cut_failed else []
        return "; ".join([*parts, reason_name(self.watch.reason)] if self.watch.reason else parts)

    def _taken_records(self) -> tuple[Record, ...]:
        records, self._records = tuple(self._records), []
        return records

    def _listen(self, data: bytes) -> Heard:
        try:
            messages = self.conversation.receive(data, self.now_s)
        except LinkError as error:
            self._end(Ending.REFUSED, str(error))
            messages = []
        if self.conversation.identified and not self._introduced and self.conversation.hello is not None:
            self._introduced = True
            self._records.append(IdentityRecord.of(self.conversation.hello))
        return self.telemetry.take(messages, self.now_s)

    def _judge(self, heard: Heard) -> None:
        """The host's ring: a rule that fires aborts at once, and again if live with no cut under way."""
        self._records += heard.records
        trip = self.ring.judge(heard.batch, self.watch.live)
        for caution in self.ring.cautions:
            self.message = caution.text()
            self.note("caution", caution.rule, self.message, caution.at_s)
        if trip is not None and not (self._host_trip is not None and self._cut_wanted):
            self._host_trip = trip
            words = trip_words(trip, read_as(self.rig, trip, heard.batch.time_s, heard.batch.slow))
            self.note("limit", trip.rule, words, trip.at_s)
            self._stop(words)

    def _follow(self, heard: Heard) -> None:
        """What the device says of itself; a trip that the host alone has seen is made true on the device."""
        was_tripped = self.watch.tripped_at_s is not None
        self._records += self.watch.follow(heard)
        self._cut_wanted = self._cut_wanted and (self.watch.live or self._cutting())
        if heard.slow:
            self._heard_at_s, self._silent_turns = self.now_s, 0
        if heard.restarts:
            self.keeper.restart()
            self.agreement = None
        if self.watch.tripped_at_s is not None and not was_tripped:
            self.plan_run = None
            self._tell_who_was_late()
            self._enter(Phase.COASTING)
            self.conversation.drop_waiting()
            if self.watch.state is not Stand.TRIPPED:
                self._abort(Reason.HOST_RULE)
        elif heard.restarts and self.phase is not Phase.COASTING:
            self._enter(Phase.CONNECTING)
        elif was_tripped and self.watch.live and not self._cutting():
            self._abort(Reason.HOST_RULE)

    def _watch_recording(self) -> None:
        """What falls behind, or soon has no room, stops a run while its coast-down can still be recorded."""
        objection = self.recording.objection() if self.watch.live and not self._cut_wanted else ""
        if objection:
            self._stop(objection)

    def _tell_who_was_late(self) -> None:
        """Beside the device's reason, when that is a heartbeat missed: it cannot know who made it late."""
        if self.watch.reason == Reason.HEARTBEAT_LOST:
            self._late = self.message = self.keeper.chain.verdict()
            self.note("link", "heartbeat late", self._late, self.watch.tripped_at_s)

    def _cutting(self) -> bool:
        """Whether an abort still waits for its answer."""
        return self._cut is not None and self._cut.pending

    def _check_silence(self) -> None:
        if self._heard_at_s is None or self._silent_turns < SILENT_TURNS:
            return
        if self.now_s - self._heard_at_s > SILENCE_S:
            self._link_failure = ""  # silence says more than the unanswered command that it caused
            self._fail_link(f"nothing heard from the device for {SILENCE_S:g} s")
            self._end_with_link()

    def _feed_heartbeat(self, heard: Heard, surface_age_s: float) -> None:
        """Last in the step: everything that came has been checked by now."""
        if heard.slow:
            self.keeper.checked(self.now_s, heard.slow[-1].time_s)
            self._lateness.turn(self.now_s, heard.slow[-1].time_s, may_ask=self.phase in LIVE_PHASES)
        well = self.conversation.identified and not (self._link_failure or self._cut_wanted or self._outcome)
        # After a trip nothing may live on, least of all a device that does not know of it.
        if well and self.phase is not Phase.COASTING and self.keeper.due(self.now_s, surface_age_s):
            self.conversation.send(Heartbeat(self.keeper.sent & 0xFFFF))

    def _due(self) -> bytes:
        try:
            return self.conversation.due(self.now_s)
        except LinkError as error:
            self._fail_link(str(error))
            if not self.watch.live and self.phase is not Phase.COASTING:
                self._end_with_link()
            return b""

    def _count(self) -> None:
        if self.now_s - self._counted_at_s >= COUNTERS_S and self._heard_at_s is not None:
            self._counted_at_s = self.now_s
            self._records.append(CountersRecord(self.telemetry.time_s, self.counters()))

    # --- the operator's commands --------------------------------------------------------------------------------------

    def _obey(self, commands: Sequence[Command]) -> None:
        """Carries out ``commands``, an abort before any other, or refuses them with a reason in plain words."""
        for command in sorted(commands, key=lambda command: command.kind is not CommandKind.ABORT):
            try:
                why = self._objection(command.kind)
                if not why:
                    _CARRY_OUT[command.kind](self, command)
            except BenchError as error:
                why = str(error)
            if why:
                self._refuse(command, why)
        self._follow_parameters()

    def _objection(self, kind: CommandKind) -> str:
        """Why a command is refused here and now, empty when it is not; its value is looked at later."""
        if kind is CommandKind.START and self.plan is None:
            return "there is no plan"
        return "" if self._permits(kind) else REFUSALS[kind].format(phase=self.phase)

    def _permits(self, kind: CommandKind) -> bool:
        """What the table says, and what it cannot say."""
        if kind not in PERMITTED[self.phase]:
            return False
        if kind is CommandKind.START:
            return self.plan_run is None
        if kind is CommandKind.CONTINUE:
            return self.plan_run is not None and self.plan_run.told()
        return kind is not CommandKind.RESET or self.watch.state is Stand.TRIPPED

    def _refuse(self, command: Command, why: str) -> None:
        self.message = f"{command.kind}: {why}"
        self.note("note", f"{command.kind} refused", why)

    def _abort_by_operator(self, _: Command) -> None:
        self.plan_run, self._wish = None, Wish.NONE
        self._abort(Reason.OPERATOR_ABORT)
        self._aborted_locked = not self.watch.live and self.watch.tripped_at_s is None
        if self.watch.state in (None, Stand.LOCKED) and self.phase is not Phase.COASTING and not self.keep_open:
            self._end(Ending.ABORTED, "aborted while locked")
        elif self.phase is Phase.ARMING:
            self._leave_arming()

    def _finish(self, _: Command) -> None:
        self.finish_wanted = True
        if self.phase in (Phase.RUNNING, Phase.ARMING):
            self._wind_down()
        elif self.phase in (Phase.CONNECTING, Phase.AGREEING):
            self._end(Ending.DONE, "finished before arming")

    def _start_plan(self, _: Command) -> None:
        """Begins the plan from the set-points in force."""
        if self.plan is not None:
            self.plan_run = PlanRun(self.plan, self.controls, self.set_points)

    def _move_by_hand(self, command: Command) -> None:
        """Throttle, servo, pitch, request: where no plan has the levers, but a throttle closed by hand ends a plan."""
        points, throttle = self.set_points, self.rig.throttle
        if self.plan_run is not None:
            if command.kind is not CommandKind.THROTTLE or command.value > throttle.safe_us:
                raise PlanError("a plan has the levers; abort or disarm")
            self._wind_down()
        elif command.kind is CommandKind.REQUEST:
            limit_rpm = self.rig.limits.overspeed_rpm or float("inf")
            _within("request_rpm", command.value, 0.0, min(limit_rpm, greatest_permitted_rpm(self.clearance)))
            points.request_rpm = command.value
        elif command.kind is CommandKind.THROTTLE:
            _within("throttle_us", command.value, throttle.safe_us, throttle.max_us)
            asked_rpm = self.controls.asked_rpm(command.value)
            _within("request_rpm of this pulse", asked_rpm, 0.0, greatest_permitted_rpm(self.clearance))
            points.throttle_us = command.value
            if self.controls.governor_mode != "pitch" and points.request_rpm:  # beside a pitch governor it is no rival:
                points.request_rpm = 0.0  # without a request that one would let go, and the speed follow the throttle
        else:
            self._move_servo(command)

    def _move_servo(self, command: Command) -> None:
        controls = self.controls
        pulse_us = controls.servo_us(command.value) if command.kind is CommandKind.PITCH else command.value
        controls.pitch_curve()  # nobody moves a servo without a table
        _within("servo_us", pulse_us, *servo_ends(self.rig))
        self.set_points.servo_us = pulse_us

    def _set_governor(self, command: Command) -> None:
        parameter = governor_parameter(command.text, command.value)
        self._parameters.append((command, self.conversation.send(parameter)))

    def _follow_parameters(self) -> None:
        """A governor's parameter is on record once the device holds it, not before."""
        for command, exchange in self._parameters:
            if exchange.done:
                self.note("note", f"governor {command.text}", f"{command.value:g}")
            elif exchange.complaint():
                self._refuse(command, exchange.complaint())
        self._parameters = [(command, exchange) for command, exchange in self._parameters if exchange.pending]

    def _write_note(self, command: Command) -> None:
        self.note("note", "note", _signed(command))  # kept in full length, and shown

    def _confirm(self, command: Command) -> None:
        """A line of the check-list, answered by the operator."""
        self.note("note", "check-list", _signed(command))

    def _continue(self, command: Command) -> None:
        """The plan was told when it was asked whether it waits."""
        self.note("plan", "inspected", _signed(command))

    def _override(self, command: Command) -> None:
        """Somebody lets the set spin against the gate; PlanError unless its very name and a reason are given."""
        if self.clearance is None:
            raise PlanError("nobody has judged the fitted blade set: there is nothing to override")
        word = Override(command.blade_set, command.text, command.operator)
        overridden = replace(self.clearance, override=word)
        complaint = override_complaint(overridden)
        if complaint:
            raise PlanError(complaint)
        self.clearance = overridden

    # --- turns of the phases ------------------------------------------------------------------------------------------

    def _turn_connecting(self) -> None:
        if not self.conversation.identified or self.watch.state is None:
            return
        if self.watch.state is Stand.LOCKED:
            self._agree()
        elif self.watch.state is Stand.TRIPPED:
            self._enter(Phase.TRIPPED)
        elif not self.message:
            # Someone else's run, under limits this host did not agree to: throttle to safe, locked once at rest.
            self.message = "the device is armed already: locking it first"
            self.conversation.send(Disarm())

    def _turn_agreeing(self) -> None:
        agreement = self.agreement
        if agreement is None or not agreement.complete:
            return
        objection = agreement.objection()
        if not objection and agreement.values[LimitId.VIBRATION_COUNTS]:
            objection = scale_objection(self.conversation.hello, self.rig.vibration.g_per_count)
        if objection:
            self._end(Ending.REFUSED, f"limits are not agreed: {objection}")
            return
        if self.recording.awaited:
            self._await_recording()
            return
        self.message = ""
        self.note("limit", "agreed", f"checksum {agreement.crc:08x}")
        self.note("limit", "gate", self.clearance.sentence if self.clearance is not None else NO_CLEARANCE)
        self.keeper.chain.begin_test(self.now_s)
        self._enter(Phase.READY)

    def _await_recording(self) -> None:
        """Nothing is offered for arming before the file is on disk."""
        self.message = self.recording.objection()
        if self._in_phase_s() > RECORDING_PATIENCE_S:
            self._end(Ending.REFUSED, f"{self.message} after {RECORDING_PATIENCE_S:g} s: is the disk busy?")

    def _turn_ready(self) -> None:
        if self.watch.live:  # an Arm that was given up has arrived after all
            self._stop("the device armed itself unasked")
        elif self.finish_wanted:
            self._end(*self._last_ending())

    def _turn_arming(self) -> None:
        asked = self._arming
        if self._uncleared and not self.watch.live:
            self._refuse_arming(self._uncleared)
        elif self.watch.live:
            self._take_over()
        elif not self._tested():
            return
        elif self._in_phase_s() > self.rig.tach.rest_ms / 1e3 + ARM_PATIENCE_S:
            silent = asked.complaint() or "the device does not show itself armed" if asked else ""
            self._refuse_arming(silent or f"no heartbeat may leave: {self.keeper.withheld}")
        elif asked is None:
            self._ask_to_arm()
        elif asked.complaint() and not self._may_ask_again(asked):
            self._refuse_arming(asked.complaint())

    def _tested(self) -> bool:
        """Whether the computer has shown that it is not later than the heartbeat limit bears."""
        if self._self_test is None:
            self._self_test = self.keeper.chain.self_test(self.now_s)
            if self._self_test is None:
                self.message = f"measuring for {SELF_TEST_S:g} s how late this computer is"
                self._phase_since_s = self.now_s  # the patience with the device begins afterwards
                return False
            self.message = self._self_test.text()
            self.note("link", "self-test", self.message)
            if not self._self_test.passed:
                self._refuse_arming(self.message)
        return self._self_test.passed

    def _ask_to_arm(self) -> None:
        objection = self.recording.objection()
        if objection:
            self._refuse_arming(objection)
        elif self.keeper.flowing(self.now_s) and self.agreement is not None:
            self.watch.asked.add(Happening.ARM)
            self._arming = self.conversation.send(Arm(self.agreement.crc))

    def _may_ask_again(self, asked: Exchange) -> bool:
        """Whether patience cures the refusal: rest takes its time to be known, a heartbeat its way."""
        if asked.answer is None or asked.answer.result not in (Result.NOT_AT_REST, Result.HEARTBEAT_MISSING):
            return False
        if self.now_s - asked.sent_at_s >= ARM_AGAIN_S:
            self._arming = None
        return True

    def _refuse_arming(self, why: str) -> None:
        self.message = f"not armed: {why}"
        self.note("link", "not armed", why)
        if self.keep_open and self.plan_run is None:
            self._leave_arming()
        else:
            self._end(Ending.REFUSED, self.message)

    def _take_over(self) -> None:
        """Armed: the set-points begin where the device is, so that nothing jumps; the servo inside its end points."""
        test = self._self_test
        self.message = test.text() if test is not None and test.close else ""
        throttle_us, servo_us = (self.telemetry.latest[name] for name in ("throttle_us", "servo_us"))
        if self.plan_run is None:
            start_us = self.controls.permitted_servo_us(servo_us) if servo_us else self.controls.first_servo_us()
            self.set_points = SetPoints(throttle_us, start_us)
        self.sender.assume(round(throttle_us), round(servo_us))
        self._enter(Phase.RUNNING)

    def _turn_running(self) -> None:
        if self.watch.state is Stand.LOCKED and self._wish not in INSPECTING:
            self.plan_run = None
            if self.keep_open:
                self._enter(Phase.READY)
            else:
                self._end(Ending.ABORTED, "the device locked itself")
            return
        refused = self.sender.refused()
        if refused is not None:
            self._answer_refusal(refused)
        if not self.sender.ready(self.now_s):
            return
        if self.plan_run is not None:
            self._run_plan(self.plan_run)
        if self.phase is Phase.RUNNING and self.watch.live:
            self._check_request()
            for command in self.sender.commands(self.now_s, self.set_points):
                self.sender.watch(self.conversation.send(command))

    def _check_request(self) -> None:
        """Last before the wire: no hand and no plan asks for more than the fitted set is permitted."""
        points, most_rpm = self.set_points, greatest_permitted_rpm(self.clearance)
        asked_rpm = max(points.request_rpm or 0.0, self.controls.asked_rpm(points.throttle_us))
        if asked_rpm > most_rpm:
            self._stop(f"a request of {asked_rpm:.0f} rpm is above the permitted {most_rpm:.0f} rpm of the blade set")

    def _answer_refusal(self, refused: Exchange) -> None:
        """A set-point that the device did not take: a plan that is not carried out is stopped, a hand is told."""
        complaint = refused.complaint()
        out_of_range = refused.answer is not None and refused.answer.result in OUT_OF_RANGE
        if self.plan_run is not None and out_of_range:
            self._stop(f"plan stopped in step {self.plan_run.number}: {complaint}")
        else:
            self.message = complaint
            self.note("note", "set-point refused", complaint)

    def _run_plan(self, run: PlanRun) -> None:
        stop = self.ring.plan_stop(self.telemetry.latest, run.stop_above()) if self.watch.live else ""
        if stop:
            self._stop(f"plan stopped in step {run.number}: {stop}")
            return
        situation = Situation(self.watch.at_rest, self.watch.state is Stand.LOCKED, self.watch.live)
        before, self._wish = self._wish, run.advance(self.now_s, situation)
        self.set_points = replace(run.set_points)
        for note in run.notes:
            self.note("plan", note.name, note.detail)
        run.notes.clear()
        self._grant(fresh=before is not self._wish)

    def _grant(self, fresh: bool) -> None:
        """What the plan wishes besides set-points; ``fresh`` when it began to in this turn."""
        if self._wish is Wish.LOCK and fresh:
            self.conversation.send(Disarm())
        elif self._wish is Wish.WORD:
            self.message = "locked for inspection: open the isolator before going near"
            if self.finish_wanted:
                self._end(*self._last_ending())
        elif self._wish is Wish.ARM:
            self._arm()
        elif self._wish is Wish.END:
            self._wind_down()

    def _turn_stopping(self) -> None:
        asked = self._disarming
        if self.watch.state is not Stand.LOCKED or (asked is not None and asked.pending):
            return  # an Arm may be on its way before the Disarm
        if self.keep_open and not self.finish_wanted:
            self._enter(Phase.READY)
        elif self._in_phase_s() >= REST_SHOWN_S:
            self._end(*self._last_ending())

    def _turn_coasting(self) -> None:
        """After a trip: recorded until rest, whoever is still there to see it."""
        rest_s, elapsed_s = self._rest_s(), self._in_phase_s()
        if (rest_s < REST_SHOWN_S or elapsed_s < COAST_LEAST_S) and elapsed_s < COAST_MOST_S:
            return
        if self.keep_open and not self.finish_wanted:
            self._enter(Phase.TRIPPED)
        else:
            self._end(*self._last_ending())

    def _turn_tripped(self) -> None:
        if self.watch.state is Stand.LOCKED:
            self._forget_stop()
            self._resetting, self.message = None, ""
            self._agree()
        elif self.finish_wanted:
            self._end(*self._last_ending())
        elif self._reset_wanted:
            self._reset_first()
        elif self._resetting is not None and self._resetting.complaint():
            self._refuse_reset(self._resetting.complaint())
        elif not self.keep_open and self.watch.tripped_at_s is None:
            name = reason_name(self.watch.reason)
            self._end(Ending.REFUSED, f"the device tripped in an earlier run ({name}): find the cause, then reset it")

    def _reset_first(self) -> None:
        asked = self._resetting
        if asked is None and self.watch.at_rest:
            self._reset()
        elif asked is not None and asked.complaint():
            self._end(Ending.REFUSED, f"the device stays tripped: {asked.complaint()}")

    def _refuse_reset(self, why: str) -> None:
        self._resetting = None
        self.watch.asked.discard(Happening.RESET)
        self.message = f"still tripped: {why}"
        self.note("note", "reset refused", why)

    # --- what commands, plan and turns do -----------------------------------------------------------------------------

    def _stop(self, reason: str) -> None:
        """The host's own decision to cut the power."""
        self._stop_reason = self._stop_reason or reason
        self.plan_run = None
        self._abort(Reason.HOST_RULE)

    def _abort(self, reason: Reason) -> None:
        """Sends the cut; it overtakes everything and is repeated until the device answered."""
        self.set_points = replace(self.set_points, throttle_us=self.rig.throttle.safe_us, request_rpm=None)
        self._cut_wanted = True
        self._cut = self.conversation.send(Abort(reason))

    def _end(self, ending: Ending, reason: str = "") -> None:
        """Ends the session after this step; the first ending counts."""
        if self._outcome is None:
            self._outcome = Outcome(ending, reason)
            self.phase = Phase.ENDED

    def _reset(self) -> None:
        """Asks the device to leave tripped for locked; it refuses unless at rest and its throttle command safe.

        A trip that the device made by itself leaves the command where it was, so the safe one goes first.
        """
        self.watch.asked.add(Happening.RESET)
        self.conversation.send(Throttle(round(self.rig.throttle.safe_us)))
        self._resetting = self.conversation.send(Reset())

    def _arm(self) -> None:
        """Begins arming, from ready; what stopped an earlier run is history."""
        self._forget_stop()
        self._arming = self._self_test = None
        self._uncleared = refusal(self.clearance, self.rig, self.plan)
        if self.clearance is not None and self.clearance.override_sentence:
            self.note("limit", "gate overridden", self.clearance.override_sentence)
        self._enter(Phase.ARMING)

    def _leave_arming(self) -> None:
        """Back from arming: an Arm that is still on its way is answered with a Disarm."""
        self._arming = None
        self._disarm()
        self._enter(Phase.READY)

    def _disarm(self) -> None:
        """Asks the device to lock itself, which it does at rest."""
        self._disarming = self.conversation.send(Disarm())

    def _wind_down(self) -> None:
        """Throttle to safe, rest, locked."""
        self.plan_run, self._wish = None, Wish.NONE
        self.set_points = replace(self.set_points, throttle_us=self.rig.throttle.safe_us, request_rpm=None)
        self._disarm()
        self._enter(Phase.STOPPING)

    def _agree(self) -> None:
        """Begins a round of agreement on limits and governor."""
        parameters = governor_parameters(self.rig, self.controls.governor_mode != "pass_through")
        self.agreement = Agreement(self.conversation, self._limits, parameters)
        self._enter(Phase.AGREEING)

    def _enter(self, phase: Phase) -> None:
        """Goes to ``phase``, which begins now."""
        self.phase, self._phase_since_s, self._rest_since_s = phase, self.now_s, None

    def _in_phase_s(self) -> float:
        """Seconds since the phase began."""
        return self.now_s - (self._phase_since_s if self._phase_since_s is not None else self.now_s)

    def _rest_s(self) -> float:
        """Seconds of rest without a break, counted by the looks at it since the phase began."""
        if not self.watch.at_rest:
            self._rest_since_s = None
            return 0.0
        if self._rest_since_s is None:
            self._rest_since_s = self.now_s
        return self.now_s - self._rest_since_s

    def _forget_stop(self) -> None:
        """A reset or a new arming begins anew: the host's own reason of the last stop is history."""
        self._host_trip, self._stop_reason, self._late, self._aborted_locked = None, "", "", False

    def _fail_link(self, reason: str) -> None:
        if not self._link_failure:
            self._link_failure = reason
            self.note("link", "lost", reason)

    def _why(self) -> str:
        """One line on why the run ended."""
        parts = []
        if self.watch.tripped_at_s is not None:
            parts.append(self._reason_shown())
        parts += [self._late, self._stop_reason, self._link_failure]
        return "; ".join(part for part in parts if part)

    def _last_ending(self) -> tuple[Ending, str]:
        """How the session ends when it ends now: by what happened to the stand."""
        if self.watch.tripped_at_s is None:
            return (Ending.ABORTED, "aborted while locked") if self._aborted_locked else (Ending.DONE, "")
        aborted = self.watch.reason == Reason.OPERATOR_ABORT
        return (Ending.ABORTED if aborted else Ending.TRIPPED), self._why()

    def _end_with_link(self) -> None:
        """Ends for a link that failed: a trip stays one, and a device that never said who it is was no link to lose."""
        if self.watch.tripped_at_s is not None:
            self._end(*self._last_ending())
        else:
            self._end(Ending.LINK_LOST if self._introduced else Ending.REFUSED, self._why())


@lru_cache(maxsize=1)  # asked for at every step, and another answer only at every agreement
def _by_slot(echo: Limits) -> Mapping[str, int]:
    return MappingProxyType({slot.name: value for slot, value in zip(LimitId, echo.values, strict=False)})


def _signed(command: Command) -> str:
    """What the operator said, with the name of who said it."""
    return f"{command.operator}: {command.text}" if command.operator else command.text


def _within(name: str, value: float, low: float, high: float) -> None:
    if not low <= value <= high:
        raise PlanError(f"{name} {value:g} is outside {low:g} to {high:g}")


# command -> how it is carried out where it is permitted
_CARRY_OUT: dict[CommandKind, Callable[[Engine, Command], None]] = {
    CommandKind.ABORT: Engine._abort_by_operator,
    CommandKind.ARM: lambda engine, _: engine._arm(),
    CommandKind.START: Engine._start_plan,
    CommandKind.CONTINUE: Engine._continue,
    CommandKind.DISARM: lambda engine, _: engine._wind_down(),
    CommandKind.RESET: lambda engine, _: engine._reset(),
    CommandKind.FINISH: Engine._finish,
    CommandKind.THROTTLE: Engine._move_by_hand,
    CommandKind.SERVO: Engine._move_by_hand,
    CommandKind.PITCH: Engine._move_by_hand,
    CommandKind.REQUEST: Engine._move_by_hand,
    CommandKind.GOVERNOR: Engine._set_governor,
    CommandKind.NOTE: Engine._write_note,
    CommandKind.CONFIRM: Engine._confirm,
    CommandKind.OVERRIDE: Engine._override,
}

# phase -> what a step does in it, and where it goes from there (a trip goes to COASTING, a restart to CONNECTING)
_TURNS: dict[Phase, Callable[[Engine], None]] = {
    Phase.CONNECTING: Engine._turn_connecting,  # -> AGREEING when met locked, TRIPPED when met tripped
    Phase.AGREEING: Engine._turn_agreeing,  # -> READY, or the end when the device holds other limits
    Phase.READY: Engine._turn_ready,  # -> ARMING by command, the end when finished
    Phase.ARMING: Engine._turn_arming,  # -> RUNNING, READY or the end when refused
    Phase.RUNNING: Engine._turn_running,  # -> STOPPING after the plan, ARMING after an inspection
    Phase.STOPPING: Engine._turn_stopping,  # -> READY or the end, once locked
    Phase.COASTING: Engine._turn_coasting,  # -> TRIPPED or the end, once at rest
    Phase.TRIPPED: Engine._turn_tripped,  # -> AGREEING after a reset
    Phase.ENDED: lambda engine: None,
}
