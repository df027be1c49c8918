"""What happened in a run, as marks on its strips: trips, notes, plan steps, moments of a diagnosis. No Qt here."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass

from whirlbench.results.labels import event_words
from whirlbench.results.onset import Moment
from whirlbench.samples import Event
from whirlbench.window import shown_units

# ink and shape of each kind: never told by the colour alone
LOOKS = {
    "onset": ("cursor", "diamond"),
    "caution": ("caution", "triangle"),
    "trip": ("over", "square"),
    "abort": ("over", "square"),
    "failure": ("ink", "cross"),
    "note": ("measured", "disc"),
    "plan": ("faint", "bar"),
    "state": ("calm", "bar"),
}
OTHER_LOOK = ("faint", "bar")
WEIGHT = (
    "failure",
    "trip",
    "abort",
    "onset",
    "caution",
    "note",
    "state",
    "plan",
)  # whose words come first where room lacks


@dataclass(frozen=True)
class Mark:
    """A moment of a run: its kind, what is to be read there, and whether it was ``found`` later by the diagnosis."""

    at_s: float
    kind: str
    text: str
    found: bool = False

    @property
    def look(self) -> tuple[str, str]:
        """Name of its ink, and its shape."""
        return LOOKS.get(self.kind, OTHER_LOOK)

    @property
    def line(self) -> str:
        """The mark in a list."""
        return shown_units.text(f"{self.at_s:9.3f} s  {self.kind}: {self.text}")


def recorded_marks(events: Iterable[Event]) -> tuple[Mark, ...]:
    """A mark for each recorded event, in order of time."""
    found = [Mark(event.time_s, event.kind, event_words(event)) for event in events]
    return tuple(sorted(found, key=lambda mark: mark.at_s))


def with_moments(marks: Sequence[Mark], moments: Iterable[Moment]) -> tuple[Mark, ...]:
    """``marks`` and those moments of a diagnosis that were not recorded themselves, in order of time."""
    recorded = {(mark.at_s, mark.kind) for mark in marks if not mark.found}
    found = [Mark(one.at_s, one.kind, one.text, found=True) for one in moments]
    new = [mark for mark in found if (mark.at_s, mark.kind) not in recorded]
    return tuple(sorted([*(mark for mark in marks if not mark.found), *new], key=lambda mark: mark.at_s))
