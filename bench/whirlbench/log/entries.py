"""What stands in the log: entries of a few kinds, and what a run took out of a blade set."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from enum import StrEnum

CYCLE_BIN = 0.1  # width of a class of load cycles, share of the permitted load


class EntryKind(StrEnum):
    """What an entry tells."""

    RUN = "run"
    BEGUN = "begun"  # the check-list was answered for a run; text: the recording's name, a line a answer
    NOT_ARMED = "not armed"  # the run that was begun never turned; text: the recording's name
    INSPECTION = "inspection"  # somebody looked, and found the set fit to go on
    NOTE = "note"
    PHOTO = "photo"  # the name of a picture's file; the picture stays where it is
    CALIBRATION = "calibration"  # a calibration in force from here on; text: channel, comma, what is known of it
    OVERRIDE = "override"  # somebody let the set run against what the program knew
    RETIRED = "retired"


@dataclass(frozen=True)
class LoadCycles:
    """So many cycles of centrifugal load whose range lies from ``low`` to ``low + CYCLE_BIN``.

    The range is a share of the load at the permitted speed. A closed cycle counts 1, an open one a half.
    """

    low: float
    count: float


@dataclass(frozen=True)
class RunUse:
    """What one run took out of the set that was fitted.

    ``turning_s`` seconds above rest; ``revolutions`` from tach pulses where there are some, else from the speed;
    ``peak_rpm`` None where no speed was recorded, ``peak_stderr_rpm`` what the tach's clock leaves open in it;
    ``permitted_rpm`` the 5 % figure in force, None when nobody judged the set, and then ``cycles`` is empty: a
    share of an unknown load is not a number. ``trips`` and ``cautions`` in words; ``set_digest`` names the set's
    description, ``calibration_digest`` the calibrations in force.
    """

    recording: str
    sha256: str
    simulated: bool
    turning_s: float
    starts: int
    revolutions: float
    peak_rpm: float | None
    permitted_rpm: float | None = None
    cycles: tuple[LoadCycles, ...] = ()
    trips: tuple[str, ...] = ()
    cautions: tuple[str, ...] = ()
    complete: bool = True
    set_digest: str = ""
    calibration_digest: str = ""
    peak_stderr_rpm: float | None = None


@dataclass(frozen=True)
class Entry:
    """One line of the log: ``at`` in UTC (ISO 8601), who wrote it, what it says; ``use`` with a run only."""

    number: int
    blade_set: str
    at: str
    kind: EntryKind
    operator: str
    text: str
    use: RunUse | None = None


@dataclass(frozen=True)
class SetTotals:
    """Sums over the runs of a set; ``peak_rpm`` None when no run told a speed."""

    runs: int
    starts: int
    turning_s: float
    revolutions: float
    peak_rpm: float | None
    trips: int
    peak_stderr_rpm: float | None = None

    @property
    def hours(self) -> float:
        """Hours above rest."""
        return self.turning_s / 3600.0


def totals(entries: Iterable[Entry]) -> SetTotals:
    """Sums over the runs among ``entries``; all zero, and no peak, without any."""
    uses = [entry.use for entry in entries if entry.use is not None]
    fastest = max((use for use in uses if use.peak_rpm is not None), key=lambda use: use.peak_rpm or 0.0, default=None)
    return SetTotals(
        runs=len(uses),
        starts=sum(use.starts for use in uses),
        turning_s=sum(use.turning_s for use in uses),
        revolutions=sum(use.revolutions for use in uses),
        peak_rpm=None if fastest is None else fastest.peak_rpm,
        trips=sum(len(use.trips) for use in uses),
        peak_stderr_rpm=None if fastest is None else fastest.peak_stderr_rpm,
    )


def calibrations_of(entries: Iterable[Entry]) -> dict[str, str]:
    """The calibrations in force by the last entry of each, text by channel; empty when the log holds none."""
    texts = [entry.text for entry in entries if entry.kind is EntryKind.CALIBRATION]
    return {text.partition(",")[0]: text for text in texts}


def cycles_of(entries: Iterable[Entry]) -> tuple[LoadCycles, ...]:
    """Load cycles of all runs, class by class, the lowest first."""
    sums: dict[float, float] = {}
    for entry in entries:
        for cycle in entry.use.cycles if entry.use else ():
            sums[cycle.low] = sums.get(cycle.low, 0.0) + cycle.count
    return tuple(LoadCycles(low, count) for low, count in sorted(sums.items()))
