"""The session's engine: one step from bytes, orders and the surface's age to bytes, records and an outcome.

No clock, no thread, no I/O. The life of a sample inside a step: conversation (frames, messages) -> telemetry (device
clock, calibration) -> host ring (trips) -> stand watch (state) -> orders and plan -> heartbeat -> bytes. Whoever calls
``step`` writes the bytes first, then records, then shows: safety comes before disk and display.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

from whirlbench.calibration.sensor_ranges import check_ranges, check_watched
from whirlbench.errors import LinkError
from whirlbench.link.conversation import Conversation
from whirlbench.link.messages import Abort, Disarm, Heartbeat, Reason, Reset, Throttle
from whirlbench.link.outbox import Exchange
from whirlbench.rig.description import Rig
from whirlbench.safety.host_rules import Trip
from whirlbench.safety.state_table import Happening, Stand
from whirlbench.samples import Event
from whirlbench.session.engine.actions import Actions, CountersRecord, Ending, IdentityRecord, Outcome, Progress, Record
from whirlbench.session.engine.agreement import Agreement
from whirlbench.session.engine.commands import Order
from whirlbench.session.engine.desk import Desk
from whirlbench.session.engine.governor_parameters import governor_parameters
from whirlbench.session.engine.heartbeat import HeartbeatKeeper
from whirlbench.session.engine.host_ring import HostRing
from whirlbench.session.engine.identity import firmware_identity
from whirlbench.session.engine.lateness_check import LatenessCheck
from whirlbench.session.engine.limit_table import limit_table
from whirlbench.session.engine.phases import Phase
from whirlbench.session.engine.set_point_sender import SetPointSender
from whirlbench.session.engine.stand_watch import StandWatch, reason_name
from whirlbench.session.engine.status import progress_of
from whirlbench.session.engine.telemetry import Heard, Telemetry
from whirlbench.session.engine.turns import turn
from whirlbench.session.plan.controls import Controls, SetPoints
from whirlbench.session.plan.rules import check_plan, governor_mode
from whirlbench.session.plan.steps import Plan
from whirlbench.session.plan.supervision import PlanRun, Wish

SILENCE_S = (
    4.0  # no sample for so long: the link is lost. A boot loader after a restart is silent for two (from memory)
)
COUNTERS_S = 1.0
LIVE_PHASES = (Phase.READY, Phase.ARMING, Phase.RUNNING, Phase.STOPPING)


class Engine:
    """One session on one device; see the module's text."""

    def __init__(self, rig: Rig, plan: Plan | None = None, keep_open: bool = False, reset_first: bool = False) -> None:
        """Checks rig and plan as a whole: RigError or PlanError before anything is sent.

        ``keep_open`` keeps the session alive at rest, after a run or a trip, until the operator finishes it.
        ``reset_first`` resets a device that is met tripped from an earlier run, which is refused otherwise.
        """
        check_watched(rig)
        check_ranges(rig)
        if plan is not None:
            check_plan(plan, rig)
        self.rig, self.plan, self.keep_open = rig, plan, keep_open
        self.phase = Phase.CONNECTING
        self.message = ""
        self.conversation = Conversation()
        self.telemetry = Telemetry(rig)
        self.watch = StandWatch(rig.tach.pulses_per_rev, rig.throttle.safe_us, rig.vibration.g_per_count)
        self.ring = HostRing(rig)
        self.keeper = HeartbeatKeeper(rig.limits.heartbeat_ms / 1e3, rig.limits.surface_ms / 1e3)
        self.controls = Controls(rig, governor_mode(plan, rig))
        self.sender = SetPointSender(self.controls)
        self.set_points = SetPoints(rig.throttle.safe_us, 0.0)
        self.plan_run: PlanRun | None = None
        self.finish_wanted = False
        self.reset_first = reset_first
        self.now_s = 0.0
        self._lateness = LatenessCheck(self.conversation, self.keeper)
        self._desk = Desk(self)
        self._limits = limit_table(rig)
        self.agreement: Agreement | None = None
        self.arm_exchange: Exchange | None = None
        self.disarm_exchange: Exchange | None = None
        self.reset_exchange: Exchange | None = None
        self.wish = Wish.NONE
        self._phase_since_s: float | None = None
        self._heard_at_s: float | None = None
        self._rest_since_s: float | None = None
        self._counted_at_s = 0.0
        self._host_trip: Trip | None = None
        self._stop_reason = ""  # why the host itself stopped the run
        self._link_failure = ""
        self._cut: Exchange | None = None
        self._cut_wanted = False  # an abort is on its way: no heartbeat may keep the power on, should it get lost
        self._introduced = False
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
            turn(self)
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
        if self.conversation.identified and not self._introduced and self.conversation.hello is not None:
            self._introduced = True
            self._records.append(IdentityRecord(firmware_identity(self.conversation.hello)))
        return self.telemetry.take(messages, self.now_s)

    def _judge(self, heard: Heard) -> None:
        """The host's ring: a rule that fires aborts at once, and again if live with no cut under way."""
        self._records += heard.records
        trip = self.ring.judge(heard.batch, self.watch.live)
        if trip is not None and not (self._host_trip is not None and self._cut_wanted):
            self._host_trip = trip
            self.note("limit", trip.rule, trip.text(), trip.at_s)
            self.stop(trip.text())

    def _follow(self, heard: Heard) -> None:
        """What the device says of itself; a trip that the host alone has seen is made true on the device."""
        was_tripped = self.watch.tripped_at_s is not None
        self._records += self.watch.follow(heard)
        self._cut_wanted = self._cut_wanted and (self.watch.live or self._cutting())
        if heard.slow:
            self._heard_at_s = self.now_s
        if heard.restarts:
            self.keeper.restart()
            self.agreement = None
        if self.watch.tripped_at_s is not None and not was_tripped:
            self.plan_run = None
            self.enter(Phase.COASTING)
            if self.watch.state is not Stand.TRIPPED:
                self.abort(Reason.HOST_RULE)
        elif heard.restarts and self.phase is not Phase.COASTING:
            self.enter(Phase.CONNECTING)
        elif was_tripped and self.watch.live and not self._cutting():
            self.abort(Reason.HOST_RULE)

    def _cutting(self) -> bool:
        """Whether an abort still waits for its answer."""
        return self._cut is not None and self._cut.pending

    def _check_silence(self) -> None:
        if self._heard_at_s is not None and self.now_s - self._heard_at_s > SILENCE_S:
            self._link_failure = ""  # silence says more than the unanswered command that it caused
            self._fail_link(f"nothing heard from the device for {SILENCE_S:g} s")
            self.end(Ending.TRIPPED if self.watch.tripped_at_s is not None else Ending.LINK_LOST, self._why())

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

    def lose_recording(self, reason: str) -> None:
        """Nothing can be written any more: a run that leaves no record is not begun, and not carried on."""
        if self.watch.live or self.watch.tripped_at_s is not None:
            self._stop_reason = self._stop_reason or f"the recording failed: {reason}"
        if self.watch.live:
            if not self._cut_wanted:
                self.stop(self._stop_reason)
        elif self.watch.tripped_at_s is not None:  # a trip stays one, whatever the disk does
            self.end(*self.last_ending())
        else:
            self.end(Ending.REFUSED, reason)

    def abort(self, reason: Reason) -> None:
        """Sends the cut; it overtakes everything and is repeated until the device answered."""
        self.set_points = replace(self.set_points, throttle_us=self.rig.throttle.safe_us, request_rpm=None)
        self._cut_wanted = True
        self._cut = self.conversation.send(Abort(reason))

    def end(self, ending: Ending, reason: str = "") -> None:
        """Ends the session after this step; the first ending counts."""
        if self._outcome is None:
            self._outcome = Outcome(ending, reason)
            self.phase = Phase.ENDED

    def reset(self) -> None:
        """Asks the device to leave tripped for locked; it refuses unless at rest and its throttle command safe.

        A trip that the device made by itself leaves the command where it was, so the safe one goes first.
        """
        self.watch.asked.add(Happening.RESET)
        self.conversation.send(Throttle(round(self.rig.throttle.safe_us)))
        self.reset_exchange = self.conversation.send(Reset())

    def arm(self) -> None:
        """Begins arming, from ready; what stopped an earlier run is history."""
        self.forget_stop()
        self.arm_exchange = None
        self.enter(Phase.ARMING)

    def leave_arming(self) -> None:
        """Back from arming: an Arm that is still on its way is answered with a Disarm."""
        self.arm_exchange = None
        self.disarm()
        self.enter(Phase.READY)

    def disarm(self) -> None:
        """Asks the device to lock itself, which it does at rest."""
        self.disarm_exchange = self.conversation.send(Disarm())

    def start_plan(self) -> None:
        """Begins the plan from the set-points in force."""
        if self.plan is not None:
            self.plan_run = PlanRun(self.plan, self.controls, self.set_points)

    def wind_down(self) -> None:
        """Throttle to safe, rest, locked."""
        self.plan_run, self.wish = None, Wish.NONE
        self.set_points = replace(self.set_points, throttle_us=self.rig.throttle.safe_us, request_rpm=None)
        self.disarm()
        self.enter(Phase.STOPPING)

    def agree(self) -> None:
        """Begins a round of agreement on limits and governor."""
        parameters = governor_parameters(self.rig, self.controls.governor_mode != "pass_through")
        self.agreement = Agreement(self.conversation, self._limits, parameters)
        self.enter(Phase.AGREEING)

    def enter(self, phase: Phase) -> None:
        """Goes to ``phase``, which begins now."""
        self.phase, self._phase_since_s, self._rest_since_s = phase, self.now_s, None

    def in_phase_s(self) -> float:
        """Seconds since the phase began."""
        return self.now_s - (self._phase_since_s if self._phase_since_s is not None else self.now_s)

    def rest_s(self) -> float:
        """Seconds of rest without a break, counted by the looks at it since the phase began."""
        if not self.watch.at_rest:
            self._rest_since_s = None
            return 0.0
        if self._rest_since_s is None:
            self._rest_since_s = self.now_s
        return self.now_s - self._rest_since_s

    def forget_stop(self) -> None:
        """A reset or a new arming begins anew: the host's own reason of the last stop is history."""
        self._host_trip, self._stop_reason = None, ""

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

    def last_ending(self) -> tuple[Ending, str]:
        """How the session ends when it ends now: by what happened to the stand."""
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
        return progress_of(self)
