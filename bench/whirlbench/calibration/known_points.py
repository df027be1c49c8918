"""Known points of a calibration: what was put on the sensor, and the counts it gave."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from whirlbench.errors import CalibrationError

WHOLE_COUNT = 1.0 / 12.0**0.5  # standard deviation of a reading that is known to a whole count (JCGM 100:2008, 4.3.7)
LEAST_VALUES = 3  # different known values: with two, a straight line passes through any mistake


@dataclass(frozen=True)
class KnownPoint:
    """One reading: the known ``value`` in the channel's unit, the mean ``counts``, their scatter where it was taken.

    Readings stand in the order in which they were made: from that it follows which were made going up, which down.
    """

    value: float
    counts: float
    scatter_counts: float = 0.0


@dataclass(frozen=True)
class Series:
    """Readings as arrays ``(n,)`` in the order in which they were made."""

    values: np.ndarray
    counts: np.ndarray

    @classmethod
    def of(cls, points: Sequence[KnownPoint], channel: str, ends: tuple[float, float] | None) -> Series:
        """The series of ``points``; CalibrationError names the first reading that cannot be one.

        ``ends`` are the least and the greatest counts of the converter: a reading there is a sensor that is not
        plugged in, or overloaded.
        """
        values = np.array([point.value for point in points], dtype=float)
        counts = np.array([point.counts for point in points], dtype=float)
        _refuse_unusable(channel, values, counts, ends)
        return cls(values, counts)

    @property
    def resolution_counts(self) -> float:
        """Scatter below which readings do not tell: whole counts are uniform within themselves; 0 for means of many."""
        return WHOLE_COUNT if np.array_equal(self.counts, np.round(self.counts)) else 0.0

    def going_up(self) -> np.ndarray:
        """Whether each reading was reached from below, (n,) bool; the first counts as the second does.

        A value repeated keeps the direction in which it was reached.
        """
        steps = np.sign(np.diff(self.values))
        up = np.ones(len(self.values), dtype=bool)
        for index, step in enumerate(steps, start=1):
            up[index] = up[index - 1] if step == 0 else step > 0
        if len(steps) and steps[0] < 0:
            up[0] = False
        return up


def _refuse_unusable(channel: str, values: np.ndarray, counts: np.ndarray, ends: tuple[float, float] | None) -> None:
    if not (np.isfinite(values).all() and np.isfinite(counts).all()):
        raise CalibrationError(f"{channel}: a known point is not a finite number")
    different = len(np.unique(values))
    if different < LEAST_VALUES:
        raise CalibrationError(
            f"{channel}: {different} different known value(s); at least {LEAST_VALUES} are needed: "
            "with two, a straight line passes through any mistake"
        )
    if ends is not None:
        for number, reading in enumerate(counts, start=1):
            if not ends[0] < reading < ends[1]:
                raise CalibrationError(
                    f"{channel}: point {number} reads {reading:g} counts, an end of the converter ({ends[0]:g} to "
                    f"{ends[1]:g}): the sensor is unplugged or overloaded; nothing was fitted"
                )
    if np.ptp(counts) == 0.0:
        raise CalibrationError(
            f"{channel}: every point reads {counts[0]:g} counts: the sensor does not answer, or is not the one wired"
        )
