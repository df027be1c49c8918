"""The session's engine: one step from bytes, orders and the surface's age to bytes, records and an outcome.

No clock, no thread, no I/O. The life of a sample inside a step: conversation (frames, messages) -> telemetry (device
clock, calibration) -> host ring (trips) -> stand watch (state) -> orders and plan -> heartbeat -> bytes. Whoever calls
``step`` writes the bytes first, then records, then shows: safety comes before disk and display.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import replace

from bench.errors import LinkError
from bench.link.conversation import Conversation
from bench.link.messages import Abort, Arm, Disarm, Heartbeat, Reason, Result
from bench.link.outbox import Exchange
from bench.rig.description import Rig
from bench.safety.host_rules import Trip
from bench.safety.limits import check_watched
from bench.safety.machine import Happening, Stand
from bench.samples import Event
from bench.session.actions import Actions, CountersRecord, Ending, Outcome, Progress, Record
from bench.session.agreement import Agreement
from bench.session.controls import Controls, SetPoints
from bench.session.desk import Desk
from bench.session.governor_table import governor_parameters
from bench.session.heartbeat import HeartbeatKeeper
from bench.session.host_ring import HostRing
from bench.session.limit_table import limit_table
from bench.session.orders import Order
from bench.session.phases import Phase
from bench.session.plan import Plan
from bench.session.plan_rules import check_plan, governor_mode
from bench.session.plan_run import PlanRun, Wish
from bench.session.plan_run import Stand as PlanStand
from bench.session.set_point_sender import SetPointSender
from bench.session.stand_watch import StandWatch, reason_name
from bench.session.telemetry import Heard, Telemetry

SILENCE_S = 2.0  # no sample for so long: the link is lost, whatever the port says
COAST_LEAST_S = 3.0  # recorded after a trip even when the tach says "at rest": the tach may be what failed
COAST_MOST_S = 180.0
REST_SHOWN_S = 1.0  # of rest, so that the recording holds the end of the coast-down
ARM_PATIENCE_S = 2.0  # beyond the time that rest takes to be known
ARM_AGAIN_S = 0.1
COUNTERS_S = 1.0


class Engine:
    """One session on one device; see the module's text."""

    def __init__(self, rig: Rig, plan: Plan | None = None, keep_open: bool = False) -> None:
        """Checks rig and plan as a whole: RigError or PlanError before anything is sent.

        ``keep_open`` keeps the session alive at rest, after a run or a trip, until the operator finishes it.
        """
        check_watched(rig)
        if plan is not None:
            check_plan(plan, rig)
        self.rig, self.plan, self.keep_open = rig, plan, keep_open
        self.phase = Phase.CONNECTING
        self.message = ""
        self.conversation = Conversation()
        self.telemetry = Telemetry(rig)
        self.watch = StandWatch(rig.tach.pulses_per_rev, rig.throttle.safe_us)
        self.ring = HostRing(rig)
        self.keeper = HeartbeatKeeper(rig.limits.heartbeat_ms / 1e3, rig.limits.surface_ms / 1e3)
        self.controls = Controls(rig, governor_mode(plan, rig))
        self.sender = SetPointSender(self.controls)
        self.set_points = SetPoints(rig.throttle.safe_us, 0.0)
        self.plan_run: PlanRun | None = None
        self.finish_wanted = False
        self.now_s = 0.0
        self._desk = Desk(self)
        self._limits = limit_table(rig)
        self._arm_patience_s = rig.tach.rest_ms / 1e3 + ARM_PATIENCE_S
        self._agreement: Agreement | None = None
        self._arming: Exchange | None = None
        self._wish = Wish.NONE
        self._phase_since_s: float | None = None
        self._heard_at_s: float | None = None
        self._rest_since_s: float | None = None
        self._counted_at_s = 0.0
        self._host_trip: Trip | None = None
        self._stop_reason = ""  # why the host itself stopped the run
        self._link_failure = ""
        self._records: list[Record] = []
        self._outcome: Outcome | None = None

    # --- one step ---------------------------------------------------------------------------------------------------

    def step(self, now_s: float, data: bytes, orders: Sequence[Order] = (), surface_age_s: float = 0.0) -> Actions:
        """Everything that follows from ``data`` having arrived by ``now_s`` (host's monotonic seconds).

        ``surface_age_s`` is how long the operator's surface has been silent. After an outcome, steps do nothing.
        """
        if self._outcome is not None:
            return Actions(outcome=self._outcome)
        self.now_s = now_s
        if self._phase_since_s is None:
            self._phase_since_s = now_s
        self._records = []
        heard = self._listen(data)
        self._judge(heard)
        self._follow(heard)
        self._desk.obey(orders)
        self._check_silence()
        if self._outcome is None:
            _PROCEED[self.phase](self)
        self._feed_heartbeat(heard, surface_age_s)
        self._count()
        return Actions(self._due(), tuple(self._records), self._outcome)

    def lose_link(self, now_s: float, reason: str) -> Actions:
        """The port failed: the session ends here, with what was recorded."""
        self.now_s, self._records = now_s, []
        self._fail_link(reason)
        self.end(Ending.TRIPPED if self.watch.tripped_at_s is not None else Ending.LINK_LOST, self._why())
        return Actions(b"", tuple(self._records), self._outcome)

    def _listen(self, data: bytes) -> Heard:
        try:
            messages = self.conversation.receive(data, self.now_s)
        except LinkError as error:
            self.end(Ending.REFUSED, str(error))
            messages = []
        return self.telemetry.take(messages, self.now_s)

    def _judge(self, heard: Heard) -> None:
        """The host's ring: a rule that fires aborts at once."""
        self._records += heard.records
        trip = self.ring.judge(heard.batch, self.watch.live)
        if trip is not None and self._host_trip is None:
            self._host_trip = trip
            self.note("limit", trip.rule, trip.text(), trip.at_s)
            self.stop(trip.text())

    def _follow(self, heard: Heard) -> None:
        was_tripped = self.watch.tripped_at_s is not None
        self._records += self.watch.follow(heard)
        if heard.slow:
            self._heard_at_s = self.now_s
        if heard.restarts:
            self.keeper.restart()
            self._agreement = None
        if self.watch.tripped_at_s is not None and not was_tripped:
            self.plan_run = None
            self._enter(Phase.COASTING)
        elif heard.restarts and self.phase is not Phase.COASTING:
            self._enter(Phase.CONNECTING)

    def _check_silence(self) -> None:
        if self._heard_at_s is not None and self.now_s - self._heard_at_s > SILENCE_S:
            self._fail_link(f"nothing heard from the device for {SILENCE_S:g} s")
            self.end(Ending.TRIPPED if self.watch.tripped_at_s is not None else Ending.LINK_LOST, self._why())

    def _feed_heartbeat(self, heard: Heard, surface_age_s: float) -> None:
        """Last in the step: everything that came has been checked by now."""
        if heard.slow:
            self.keeper.checked(self.now_s, heard.slow[-1].time_s)
        well = self.conversation.identified and not self._link_failure and self._outcome is None
        if well and self.keeper.due(self.now_s, surface_age_s):
            self.conversation.send(Heartbeat(self.keeper.sent & 0xFFFF))

    def _due(self) -> bytes:
        try:
            return self.conversation.due(self.now_s)
        except LinkError as error:
            self._fail_link(str(error))
            if not self.watch.live and self.phase is not Phase.COASTING:
                self.end(Ending.LINK_LOST, str(error))
            return b""

    def _count(self) -> None:
        if self.now_s - self._counted_at_s >= COUNTERS_S and self._heard_at_s is not None:
            self._counted_at_s = self.now_s
            self._records.append(CountersRecord(self.telemetry.time_s, self.counters()))

    # --- what orders, plan and phases use -----------------------------------------------------------------------------

    def note(self, kind: str, name: str, detail: str = "", time_s: float | None = None) -> None:
        """Records an event, now unless ``time_s`` says when."""
        self._records.append(Event(self.telemetry.time_s if time_s is None else time_s, kind, name, detail))

    def record(self, record: Record) -> None:
        """Adds a record of this step."""
        self._records.append(record)

    def stop(self, reason: str) -> None:
        """The host's own decision to cut the power."""
        self._stop_reason = self._stop_reason or reason
        self.plan_run = None
        self.abort(Reason.HOST_RULE)

    def abort(self, reason: Reason) -> None:
        """Sends the cut; it overtakes everything and is repeated until the device answered."""
        self.set_points = replace(self.set_points, throttle_us=self.rig.throttle.safe_us, request_rpm=None)
        self.conversation.send(Abort(reason))

    def end(self, ending: Ending, reason: str = "") -> None:
        """Ends the session after this step; the first ending counts."""
        if self._outcome is None:
            self._outcome = Outcome(ending, reason)
            self.phase = Phase.ENDED

    def arm(self) -> None:
        """Begins arming, from ready."""
        self._arming = None
        self._enter(Phase.ARMING)

    def start_plan(self) -> None:
        """Begins the plan from the set-points in force."""
        if self.plan is not None:
            self.plan_run = PlanRun(self.plan, self.controls, self.set_points)

    def wind_down(self) -> None:
        """Throttle to safe, rest, locked."""
        self.plan_run = None
        self.set_points = replace(self.set_points, throttle_us=self.rig.throttle.safe_us)
        self.conversation.send(Disarm())
        self._enter(Phase.STOPPING)

    def agree(self) -> None:
        """Begins a round of agreement on limits and governor."""
        parameters = governor_parameters(self.rig, self.controls.governor_mode != "pass_through")
        self._agreement = Agreement(self.conversation, self._limits, parameters)
        self._enter(Phase.AGREEING)

    def _enter(self, phase: Phase) -> None:
        self.phase, self._phase_since_s, self._rest_since_s = phase, self.now_s, None

    def _in_phase_s(self) -> float:
        return self.now_s - (self._phase_since_s if self._phase_since_s is not None else self.now_s)

    def _fail_link(self, reason: str) -> None:
        if not self._link_failure:
            self._link_failure = reason
            self.note("link", "lost", reason)

    def _why(self) -> str:
        """One line on why the run ended."""
        parts = []
        if self.watch.tripped_at_s is not None:
            parts.append(reason_name(self.watch.reason))
        parts += [self._stop_reason, self._link_failure]
        return "; ".join(part for part in parts if part)

    # --- phases -------------------------------------------------------------------------------------------------------

    def _connecting(self) -> None:
        if not self.conversation.identified or self.watch.state is None:
            return
        if self.watch.state is Stand.LOCKED:
            self.agree()
        elif self.watch.state is Stand.TRIPPED:
            self._enter(Phase.TRIPPED)
        elif not self.message:
            # Someone else's run: this host knows nothing of its limits, and sends no heartbeat for it to live on.
            self.message = "the device is armed already: locking it first"
            self.conversation.send(Disarm())

    def _agreeing(self) -> None:
        if self._agreement is None or not self._agreement.complete:
            return
        objection = self._agreement.objection()
        if objection:
            self.end(Ending.REFUSED, f"limits are not agreed: {objection}")
            return
        self.note("limit", "agreed", f"checksum {self._agreement.crc:08x}")
        self._enter(Phase.READY)

    def _ready(self) -> None:
        if self.finish_wanted:
            self.end(*self._last_ending())

    def _arming_turn(self) -> None:
        if self.watch.live:
            self._take_over()
        elif self._arming is None:
            if self.keeper.flowing(self.now_s) and self._agreement is not None:
                self.watch.asked.add(Happening.ARM)
                self._arming = self.conversation.send(Arm(self._agreement.crc))
            elif self._in_phase_s() > self._arm_patience_s:
                self._refuse_arming(f"no heartbeat may leave: {self.keeper.withheld}")
        elif self._in_phase_s() > self._arm_patience_s:
            self._refuse_arming(self._arming.complaint() or "the device does not show itself armed")
        elif self._arming.complaint() and not self._may_ask_again(self._arming):
            self._refuse_arming(self._arming.complaint())

    def _may_ask_again(self, arming: Exchange) -> bool:
        """Whether patience cures the refusal: rest takes its time to be known, a heartbeat its way."""
        if arming.answer is None or arming.answer.result not in (Result.NOT_AT_REST, Result.HEARTBEAT_MISSING):
            return False
        if self.now_s - arming.sent_at_s >= ARM_AGAIN_S:
            self._arming = None
        return True

    def _refuse_arming(self, why: str) -> None:
        self.message = f"not armed: {why}"
        self.note("link", "not armed", why)
        if self.keep_open:
            self._enter(Phase.READY)
        else:
            self.end(Ending.REFUSED, self.message)

    def _take_over(self) -> None:
        """Armed: the set-points begin where the device is, so that nothing jumps."""
        self.message = ""
        if self.plan_run is None:
            latest = self.telemetry.latest
            held_us = latest["servo_us"]
            self.set_points = SetPoints(latest["throttle_us"], held_us or self.controls.first_servo_us())
            self.sender.assume(round(latest["throttle_us"]), round(held_us))
        self._enter(Phase.RUNNING)

    def _running(self) -> None:
        if self.watch.state is Stand.LOCKED and self._wish not in (Wish.LOCK, Wish.WORD, Wish.ARM):
            self._enter(Phase.READY)
            return
        if not self.sender.ready(self.now_s):
            return
        if self.plan_run is not None:
            self._run_plan(self.plan_run)
        if self.phase is Phase.RUNNING and self.watch.live:
            for command in self.sender.commands(self.now_s, self.set_points):
                self.conversation.send(command)

    def _run_plan(self, run: PlanRun) -> None:
        stop = self.ring.plan_stop(self.telemetry.latest, run.stop_above())
        if stop:
            self.stop(f"plan stopped in step {run.number}: {stop}")
            return
        stand = PlanStand(self.watch.at_rest, self.watch.state is Stand.LOCKED, self.watch.live)
        before, self._wish = self._wish, run.advance(self.now_s, stand)
        self.set_points = replace(run.set_points)
        for note in run.notes:
            self.note("plan", note.name, note.detail)
        run.notes.clear()
        _GRANT[self._wish](self, before is not self._wish)

    def _grant_lock(self, fresh: bool) -> None:
        if fresh:
            self.conversation.send(Disarm())

    def _grant_word(self, _fresh: bool) -> None:
        self.message = "locked for inspection: open the isolator before going near, then continue"

    def _grant_arm(self, _fresh: bool) -> None:
        self.arm()

    def _grant_end(self, _fresh: bool) -> None:
        self.wind_down()

    def _stopping(self) -> None:
        if self.watch.state is not Stand.LOCKED:
            return
        if not self.keep_open or self.finish_wanted:
            if self._in_phase_s() >= REST_SHOWN_S:
                self.end(*self._last_ending())
            return
        self._enter(Phase.READY)

    def _coasting(self) -> None:
        """After a trip: recorded until rest, whoever is still there to see it."""
        if not self.watch.at_rest:
            self._rest_since_s = None
        elif self._rest_since_s is None:
            self._rest_since_s = self.now_s
        rest_s = self.now_s - self._rest_since_s if self._rest_since_s is not None else 0.0
        elapsed_s = self._in_phase_s()
        if (rest_s < REST_SHOWN_S or elapsed_s < COAST_LEAST_S) and elapsed_s < COAST_MOST_S:
            return
        if self.keep_open and not self.finish_wanted:
            self._enter(Phase.TRIPPED)
        else:
            self.end(*self._last_ending())

    def _tripped(self) -> None:
        if self.watch.state is Stand.LOCKED:
            self._host_trip, self._stop_reason = None, ""
            self.agree()
        elif self.finish_wanted:
            self.end(*self._last_ending())
        elif not self.keep_open and self.watch.tripped_at_s is None:
            name = reason_name(self.watch.reason)
            self.end(Ending.REFUSED, f"the device tripped in an earlier run ({name}): find the cause, then reset it")

    def _last_ending(self) -> tuple[Ending, str]:
        if self.watch.tripped_at_s is None:
            return Ending.DONE, ""
        aborted = self.watch.reason == Reason.OPERATOR_ABORT
        return (Ending.ABORTED if aborted else Ending.TRIPPED), self._why()

    # --- for the surface ----------------------------------------------------------------------------------------------

    def counters(self) -> dict[str, int]:
        """Losses on the way from the device, by name."""
        return {**self.conversation.counters.as_dict(), "stale": self.telemetry.stale, "heartbeats": self.keeper.sent}

    def progress(self) -> Progress:
        """Where the session stands."""
        run = self.plan_run
        state = self.watch.state.name.lower() if self.watch.state is not None else ""
        return Progress(
            phase=self.phase.value,
            state=state,
            reason=reason_name(self.watch.reason) if self.watch.reason else "",
            time_s=self.telemetry.time_s,
            step=run.number if run else 0,
            steps=len(self.plan.steps) if self.plan else 0,
            step_text=run.step.kind if run and run.step else "",
            values={**self.telemetry.latest, "vibration_g_rms": self.ring.vibration_g_rms},
            counters=self.counters(),
            waits=self._wish is Wish.WORD and run is not None,
            withheld=self.keeper.withheld,
            message=self.message,
        )


_PROCEED: dict[Phase, Callable[[Engine], None]] = {
    Phase.CONNECTING: Engine._connecting,
    Phase.AGREEING: Engine._agreeing,
    Phase.READY: Engine._ready,
    Phase.ARMING: Engine._arming_turn,
    Phase.RUNNING: Engine._running,
    Phase.STOPPING: Engine._stopping,
    Phase.COASTING: Engine._coasting,
    Phase.TRIPPED: Engine._tripped,
    Phase.ENDED: lambda engine: None,
}
_GRANT: dict[Wish, Callable[[Engine, bool], None]] = {
    Wish.NONE: lambda engine, fresh: None,
    Wish.LOCK: Engine._grant_lock,
    Wish.WORD: Engine._grant_word,
    Wish.ARM: Engine._grant_arm,
    Wish.END: Engine._grant_end,
}
