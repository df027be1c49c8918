"""What the device says of itself: state, reason, rest. Every change becomes an event, an unlawful one a trip."""

from __future__ import annotations

import functools
import math
from collections.abc import Callable

from whirlbench.link.messages import EventKind, Flag, Reason
from whirlbench.rig.description import Rig
from whirlbench.safety.reading_errors import reading_stderr, with_stderr
from whirlbench.safety.state_table import UNEXPECTED, Happening, Stand, reachable
from whirlbench.samples import Event
from whirlbench.session.engine.telemetry import DatedEvent, DatedSlow, Heard

TICKS_PER_MINUTE = 60 * 2_000_000
OPEN_ISOLATOR = "CUT FAILED: OPEN THE ISOLATOR"
NOT_BY_ITSELF = UNEXPECTED | {Happening.ARM, Happening.RESET}


# what the device tells of a trip, and where to look
HINTS: dict[int, str] = {
    Reason.OVER_CURRENT: "{value} counts: blade stalled or jammed, or the limit too low",
    Reason.CURRENT_SENSOR: "at its rail, {value} counts: look at sensor and wire",
    Reason.STUCK_SERVO: "feedback {value} counts: look at servo, linkage and its supply",
    Reason.ACCELEROMETER: "one axis frozen at {value} counts: look at the part and its wires",
    Reason.LOAD_CELL: "silent for {value} ms, or at its rail with so many counts: look at converter and wires",
    Reason.SUPPLY_LOW: "{value} mV: look at the board's supply; 0: it was not measured",
    Reason.PACK_LOW: "{value} counts: the pack is empty, or weak",
    Reason.LOOP_OVERRUN: "one turn of the device's loop took {value} us",
    Reason.LIMITS_CORRUPT: "limits in the device's memory changed by themselves: do not run on this board",
}


def reason_name(reason: int) -> str:
    """A trip's reason in words, as in "heartbeat lost"."""
    try:
        return Reason(reason).name.lower().replace("_", " ")
    except ValueError:
        return f"unknown reason {reason}"


class StandWatch:
    """Follows one device through its telemetry; the device is the authority, this is its shadow."""

    def __init__(
        self,
        clock_correction: float = 1.0,
        safe_us: float = 1000.0,
        g_per_count: float = 0.0039,
        stderr: Callable[[str, float], float] = lambda channel, value: math.nan,
    ) -> None:
        self.state: Stand | None = None  # None until the first telemetry
        self.reason = Reason.NONE.value
        self.at_rest = False
        self.restarted = False  # in mid-run, since it was last armed
        self.tripped_at_s: float | None = None
        self.cut_failed = False  # the device cut the power, and rotor or current did not fall; until its reset
        self.asked: set[Happening] = set()  # Arm, Reset: what the host asked for and may therefore see happen
        self._per_minute = TICKS_PER_MINUTE * clock_correction
        self._safe_us, self._g_per_count, self._stderr = safe_us, g_per_count, stderr
        self._time_s = 0.0

    @classmethod
    def of(cls, rig: Rig) -> StandWatch:
        """For the stand of ``rig``."""
        error_of = functools.partial(reading_stderr, rig)
        return cls(rig.tach.clock_correction, rig.throttle.safe_us, rig.vibration.g_per_count, error_of)

    @property
    def live(self) -> bool:
        """Armed or turning: limits are watched."""
        return self.state in (Stand.ARMED, Stand.TURNING)

    def follow(self, heard: Heard) -> list[Event]:
        """Events that ``heard`` tells of, in order."""
        events: list[Event] = []
        if heard.restarts:
            events += self._restart()
        for dated in heard.told:
            events += self._hear_slow(dated) if isinstance(dated, DatedSlow) else self._hear_event(dated)
        return events

    def _restart(self) -> list[Event]:
        was_live, self.state = self.live, None
        self.asked.clear()
        if not was_live:
            return [Event(self._time_s, "link", "device restarted")]
        self.restarted = True
        return self._trip(self._time_s, Reason.RESTART, "the device restarted by itself while live")

    def _hear_event(self, dated: DatedEvent) -> list[Event]:
        event = dated.event
        self._time_s = dated.time_s
        if event.kind == EventKind.TRIP:
            return self._trip(dated.time_s, event.reason, self._detail(event.reason, event.detail)) + self._move(
                dated.time_s, event.state
            )
        if event.kind == EventKind.CUT_FAILED:
            return self._fail_cut(dated.time_s, self._cut_detail(event.detail))
        if event.kind == EventKind.RESTARTED:
            return [Event(dated.time_s, "link", "device started", f"cause {event.detail}")]
        return self._move(dated.time_s, event.state)

    def _fail_cut(self, time_s: float, detail: str) -> list[Event]:
        """Told once, by event or by flag, whichever comes first."""
        if self.cut_failed:
            return []
        self.cut_failed = True
        return [Event(time_s, "limit", OPEN_ISOLATOR, detail)]

    def _cut_detail(self, value: int) -> str:
        if value > 0:
            return f"the rotor does not slow from {self._per_minute / value:.0f} rpm"
        return f"the current does not stop, {-1 - value} counts" if value < 0 else "the rotor does not slow"

    def _detail(self, reason: int, value: int) -> str:
        if reason == Reason.CUT_FAILED:
            return self._cut_detail(value)
        if reason == Reason.LOST_TACH:
            if value < 0:
                return f"the tach jumped to {self._per_minute / -value:.0f} rpm and stayed: edges missing, or too many"
            return f"no edge for {value} ms"
        if reason in HINTS:
            return HINTS[Reason(reason)].format(value=value)
        if reason == Reason.OVERSPEED and value > 0:
            return f"{self._read('rpm', self._per_minute / value, 0)} rpm over one turn"
        if reason == Reason.VIBRATION and value >= 0:
            return f"{self._read('vibration_g_rms', value * self._g_per_count, 2)} g rms"
        if reason == Reason.VIBRATION:
            return "no whole window of vibration in time"
        if reason == Reason.HEARTBEAT_LOST:
            return f"host silent for {value} ms"
        return ""

    def _read(self, channel: str, value: float, decimals: int) -> str:
        return with_stderr(f"{value:.{decimals}f}", self._stderr(channel, value))

    def _hear_slow(self, dated: DatedSlow) -> list[Event]:
        slow = dated.slow
        self._time_s = dated.time_s
        self.at_rest = slow.period_ticks == 0 and slow.throttle_us <= self._safe_us
        failed = bool(slow.flags & Flag.CUT_FAILED)
        self.cut_failed = self.cut_failed and failed
        events = self._fail_cut(dated.time_s, "") if failed else []
        if slow.state == self.state:
            return events
        if self.state is None:  # met as it is: a trip of an earlier run is not one of this run
            self.reason = self.reason or slow.reason
        elif slow.state == Stand.TRIPPED and self.tripped_at_s is None:  # the trip's own message was lost
            events += self._trip(dated.time_s, slow.reason, "")
        return events + self._move(dated.time_s, slow.state)

    def _trip(self, time_s: float, reason: int, detail: str) -> list[Event]:
        """The first reason is kept, as on the device."""
        if self.tripped_at_s is not None:
            return []
        self.tripped_at_s, self.reason = time_s, reason
        kind = "abort" if reason == Reason.OPERATOR_ABORT else "trip"
        return [Event(time_s, kind, reason_name(reason), detail)]

    def _move(self, time_s: float, state: int) -> list[Event]:
        if state == self.state:
            return []
        if not Stand.LOCKED <= state <= Stand.TRIPPED:
            return [Event(time_s, "link", "unknown state", f"the device sent state {state}")]
        before, self.state = self.state, Stand(state)
        events = [Event(time_s, "state", self.state.name.lower())]
        if before is not None and not self._lawful(before):
            events.append(Event(time_s, "link", "unlawful change", f"from {before.name.lower()}"))
            if before in (Stand.ARMED, Stand.TURNING, Stand.TRIPPED):
                events += self._trip(time_s, Reason.RESTART, f"{before.name.lower()} to {self.state.name.lower()}")
        if self.state in (Stand.ARMED, Stand.LOCKED):
            self._clear(before)
        return events

    def _lawful(self, before: Stand) -> bool:
        return self.state in reachable(before, NOT_BY_ITSELF - self.asked)

    def _clear(self, before: Stand | None) -> None:
        """A reset and a new arming forget the old reason."""
        if self.state is Stand.LOCKED and before is Stand.TRIPPED and Happening.RESET in self.asked:
            self.tripped_at_s, self.reason, self.restarted = None, Reason.NONE.value, False
            self.asked.discard(Happening.RESET)
        if self.state is Stand.ARMED:
            self.asked.discard(Happening.ARM)
            if before is Stand.LOCKED:
                self.tripped_at_s, self.reason, self.restarted = None, Reason.NONE.value, False
