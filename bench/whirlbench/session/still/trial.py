"""The trial of the trips: each is provoked in turn on a stand whose motor cannot be driven, and it is seen to come.

A trip proves itself by the device's own report: the reason, and the second cut open. One that does not come within its
time, or with another reason, has failed; one that could not be provoked is not proved. Nothing here calls it good.
"""

from __future__ import annotations

import math
from collections.abc import Callable

import msgspec

from whirlbench.link.conversation import Phase as Talk
from whirlbench.link.messages import Abort, EventKind, Flag, Reason
from whirlbench.log import Proof, TripTrial, protection
from whirlbench.rig.description import Rig, servo_ends
from whirlbench.rig.limits import Limits
from whirlbench.safety.state_table import Stand
from whirlbench.samples import Event
from whirlbench.session.engine.host_ring import HostRing
from whirlbench.session.engine.stand_watch import reason_name
from whirlbench.session.still.limit_tables import still_table
from whirlbench.session.still.still_stand import Procedure, StillStand, agree, arm, identify, lock, pause, read
from whirlbench.session.still.trips_on_trial import (
    ABORT,
    CUT,
    FROM_INSIDE,
    HEARTBEAT,
    HOST,
    HOST_LIMIT,
    PROVOCATIONS,
    SECOND_CUT,
    Provocation,
    Readings,
    unwatched,
)

CHECK_S = 0.5  # of readings before each provocation
SECOND_CUT_S = 0.2  # for telemetry to tell that the output is off


class TripsTrial:
    """The trial of one stand; ``trials`` grows as it goes on, so that an interrupted one is still a record."""

    def __init__(self, stand: StillStand) -> None:
        self.stand, self.rig = stand, stand.rig
        self.trials: list[TripTrial] = []
        self._table: tuple[int, ...] = ()
        self._not_tried: list[TripTrial] = []  # told last
        self._second_cut: list[bool] = []  # after each trip, whether its output is off
        self._second_cut_was_on = False

    def due(self) -> tuple[Provocation, ...]:
        """What this rig watches, in the order of trial; the rest is entered as not watched."""
        due = []
        for provocation in PROVOCATIONS:
            why = unwatched(provocation, self.rig)
            if why:
                self._not_tried.append(TripTrial(provocation.trip, "", None, remark=why, can_be=False))
            else:
                due.append(provocation)
        self._not_tried += [TripTrial(trip, "", None, remark=why, can_be=False) for trip, why in FROM_INSIDE.items()]
        return tuple(due)

    def abort(self) -> None:
        """Cuts what is armed, where the trial is left in the middle of it; the next turn of the loop sends it."""
        self.stand.beating, self.stand.ring = False, None
        self.stand.conversation.send(Abort(Reason.OPERATOR_ABORT))

    def skip(self, provocation: Provocation, why: str) -> None:
        """Enters a trip that was not tried."""
        self.trials.append(TripTrial(provocation.trip, "", None, remark=why))

    def prepare(self, provocation: Provocation) -> Procedure[None]:
        """Locks and reads the stand, and writes the limits of this trial; CannotBeProvoked says why not."""
        stand = self.stand
        yield from identify(stand)
        yield from lock(stand)
        readings = (yield from read(stand, provocation.reads, CHECK_S)) if provocation.reads else {}
        self._table = self._limits(provocation, readings)
        yield from agree(stand, self._table)

    def _limits(self, provocation: Provocation, readings: Readings) -> tuple[int, ...]:
        slots = provocation.slots(self.rig, readings)
        ends = servo_ends(self.rig) if self.rig.pitch.table else None
        return still_table(self.rig, ends, **slots)

    def provoke(self, provocation: Provocation, begin: Callable[[], None] = lambda: None) -> Procedure[TripTrial]:
        """Arms and provokes; ``begin`` is called once the stand is armed, where somebody has to act then."""
        stand = self.stand
        stand.records.append(Event(stand.time_s, "note", f"trial: {provocation.trip}", provocation.how))
        stand.events.clear()
        stand.ring = HostRing(_host_limit_lowered(self.rig)) if provocation.trip == HOST else None
        yield from arm(stand, self._table)
        began_s = stand.time_s
        if provocation.trip in (ABORT, CUT):
            began_s = yield from self._abort()
        elif provocation.trip == HEARTBEAT:
            stand.beating = False
        begin()
        found = yield from self._outcome(provocation, began_s)
        stand.beating, stand.ring = False, None
        if found.tripped and stand.slow is not None:
            self._second_cut.append(not stand.slow.flags & Flag.SECOND_CUT_CLOSED)
        self.trials.append(found)
        return found

    def _abort(self) -> Procedure[float]:
        """Once armed is seen, and the output of the second cut is on: then the abort is one of an armed stand."""
        stand = self.stand
        yield from pause(stand, SECOND_CUT_S)
        self._look_at_second_cut()
        began_s = stand.time_s
        stand.conversation.send(Abort(Reason.OPERATOR_ABORT))
        return began_s

    def _outcome(self, provocation: Provocation, began_s: float) -> Procedure[TripTrial]:
        """Waits for the trip, at most as long as the provocation may take."""
        stand, by_s = self.stand, self.stand.now_s + provocation.wait_s
        wanted = EventKind.CUT_FAILED if provocation.trip == CUT else EventKind.TRIP
        while not self._told(wanted):
            self._look_at_second_cut()
            if stand.now_s > by_s:
                return TripTrial(
                    provocation.trip, provocation.how, False, remark=f"no trip in {provocation.wait_s:g} s"
                )
            yield
        yield from pause(stand, SECOND_CUT_S)  # edges of the tach come after the trip that they made
        if wanted == EventKind.CUT_FAILED:
            return TripTrial(provocation.trip, provocation.how, True, self._latency_ms(provocation, began_s, wanted))
        while stand.conversation.phase is not Talk.TALKING or stand.state is not Stand.TRIPPED:
            if stand.now_s > by_s:
                return TripTrial(provocation.trip, provocation.how, False, remark="the device does not tell its state")
            yield
        return self._judged(provocation, began_s, wanted)

    def _look_at_second_cut(self) -> None:
        slow = self.stand.slow
        if slow is not None and self.stand.watch.live:
            self._second_cut_was_on = self._second_cut_was_on or bool(slow.flags & Flag.SECOND_CUT_CLOSED)

    def _told(self, kind: EventKind) -> bool:
        """Whether the device told of it; a restart comes without an event of its former life."""
        stand = self.stand
        return any(dated.event.kind == kind for dated in stand.events) or (
            kind == EventKind.TRIP and stand.state is Stand.TRIPPED
        )

    def _judged(self, provocation: Provocation, began_s: float, kind: EventKind) -> TripTrial:
        slow = self.stand.slow
        reason = slow.reason if slow is not None else Reason.NONE
        if reason in provocation.reasons:
            latency_ms = self._latency_ms(provocation, began_s, kind)
            return TripTrial(provocation.trip, provocation.how, True, latency_ms)
        return TripTrial(provocation.trip, provocation.how, False, remark=f"tripped by {reason_name(reason)} instead")

    def _latency_ms(self, provocation: Provocation, began_s: float, kind: EventKind) -> float | None:
        """By the device's clock; None where nobody knows when the limit was broken."""
        stand = self.stand
        at_s = next((dated.time_s for dated in stand.events if dated.event.kind == kind), math.nan)
        if provocation.start == "armed":
            began_s = next(
                (dated.time_s for dated in stand.events if dated.event.state in (Stand.ARMED, Stand.TURNING)), math.nan
            )
        elif provocation.start == "beat":
            silent_ms = next((dated.event.detail for dated in stand.events if dated.event.kind == kind), math.nan)
            began_s = at_s - silent_ms / 1e3
        elif provocation.start == "edge":
            began_s = max((edge_s for edge_s in stand.edges_s if edge_s <= at_s + 1e-3), default=math.nan)
        elif not provocation.start:
            return None
        latency_ms = max(0.0, (at_s - began_s) * 1e3)
        return None if math.isnan(latency_ms) else round(latency_ms, 1)

    def judge_second_cut(self, seen_by_hand: bool | None) -> None:
        """Enters the second cut: the device's own word after every trip, and what somebody saw of the contactor.

        ``seen_by_hand`` None: nobody looked; then it is not proved, whatever the device says.
        """
        how = "looked at after every trip"
        if not self._second_cut:
            self.trials.append(TripTrial(SECOND_CUT, "", None, remark="no trip came after which to look"))
        elif not self._second_cut_was_on:
            self.trials.append(TripTrial(SECOND_CUT, how, False, remark="its output was never on while armed"))
        elif not all(self._second_cut):
            self.trials.append(TripTrial(SECOND_CUT, how, False, remark="its output stayed on after a trip"))
        elif seen_by_hand is None:
            self.trials.append(TripTrial(SECOND_CUT, how, None, remark="nobody saw or heard whether it opens"))
        else:
            remark = "" if seen_by_hand else "it did not open, though its output was off"
            self.trials.append(TripTrial(SECOND_CUT, how, seen_by_hand, remark=remark))

    def proof(self, operator: str, recording: str, complete: bool) -> Proof:
        """What goes into the log."""
        return Proof(
            self.rig.name,
            self.stand.device_name(),
            protection(self.rig),
            (*self.trials, *self._not_tried),
            complete,
            operator,
            recording,
        )


def _host_limit_lowered(rig: Rig) -> Rig:
    """No limit of the host but that of thrust, which whatever the load cell shows breaks."""
    return msgspec.structs.replace(rig, limits=Limits(thrust_n=HOST_LIMIT, load_cell_ms=rig.limits.load_cell_ms))
