"""A second blade set beside the first: coefficients over pitch, or why nothing could be compared."""

from __future__ import annotations

from dataclasses import dataclass

from whirlbench.analysis.pitch_limits import Difference, PitchLimits, compare_sets
from whirlbench.errors import AnalysisError
from whirlbench.results.answer import Column, NotJudged, Table, fixed

COEFFICIENT_COLUMNS = (
    Column("quantity", figures=False),
    Column("pitch", "deg"),
    Column("second against first", "%"),
    Column("confidence that it is real", "%"),
)
COEFFICIENTS = "Second set against the first: thrust and power coefficient over pitch (CT, CP), one standard error"
WHAT = "the second set against the first"


@dataclass(frozen=True)
class SecondSet:
    """What tells two sets apart; ``why`` says why nothing does, empty otherwise."""

    differences: tuple[Difference, ...] = ()
    why: str = ""

    @classmethod
    def compared(cls, first: PitchLimits, second: PitchLimits) -> SecondSet:
        """Both sets at the pitches that both were measured at."""
        try:
            found = compare_sets(first, second)
        except AnalysisError as error:
            return cls(why=str(error))
        return cls(found) if found else cls(why="neither thrust nor power was measured in both")

    @property
    def table(self) -> Table:
        """A row for each coefficient and pitch."""
        rows = tuple(
            (one.quantity, fixed(one.pitch_deg), _share(one), fixed(100.0 * one.confidence, 0))
            for one in self.differences
        )
        return Table("coefficients", COEFFICIENTS, COEFFICIENT_COLUMNS, rows)

    @property
    def words(self) -> str:
        """The greatest difference in a sentence; empty where nothing was compared."""
        if not self.differences:
            return ""
        most = max(self.differences, key=lambda one: one.confidence * abs(one.difference_pct))
        where = f"{most.quantity} {_share(most)} % at {most.pitch_deg:.1f} deg"
        return f"second set against the first: at most {where}, real with {100.0 * most.confidence:.0f} % confidence"

    @property
    def not_judged(self) -> tuple[NotJudged, ...]:
        """What stays open."""
        return (NotJudged(WHAT, self.why),) if self.why else ()


def _share(one: Difference) -> str:
    return f"{one.difference_pct:+.1f} ± {one.stderr_pct:.1f}"
