"""Why the stand tripped, kept with what the computer knew of it until the stand is armed again. No Qt here."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass

from whirlbench.results.labels import event_words, spoken
from whirlbench.samples import Event

AGREED = ("agreed", "gate")  # limit events that are no finding
HEARTBEAT_LATE = "heartbeat late"


@dataclass(frozen=True)
class TripCause:
    """The trip or abort of the present arming with what was found around it; nothing while there is none."""

    events: tuple[Event, ...] = ()

    def after(self, news: Iterable[Event]) -> TripCause:
        """The cause with ``news`` taken in, which come in the order of the session."""
        kept = self.events
        for event in news:
            if event.kind == "state" and event.name == "armed":
                kept = ()
            elif event.kind in ("trip", "abort") or _explains(event):
                kept = (*kept, event)
        return TripCause(kept)

    def names(self) -> frozenset[str]:
        """Names of the trips and rules that fired."""
        return frozenset(event.name for event in self.events)

    def words(self) -> str:
        """One line: the trip with its time, then what host and computer knew; empty while there is no cause."""
        trips = [event for event in self.events if event.kind in ("trip", "abort")]
        if not trips:
            return ""
        first = trips[0]
        known = (spoken(event.detail) or event_words(event) for event in self.events if event not in trips)
        return "; ".join([f"{first.kind} at {first.time_s:.3f} s: {event_words(first)}", *dict.fromkeys(known)])


def _explains(event: Event) -> bool:
    return (event.kind == "limit" and event.name not in AGREED) or (
        event.kind == "link" and event.name == HEARTBEAT_LATE
    )
