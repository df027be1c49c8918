"""A straight line through known points: zero, gain, hysteresis, and what is wrong with the points.

The known values are taken as exact, the counts as read with an error: counts are fitted on values and the line is
turned round afterwards (Miller & Miller, Statistics and Chemometrics for Analytical Chemistry, ch. 5, from memory).
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from functools import cached_property
from itertools import combinations

import numpy as np

from whirlbench.calibration.known_points import WHOLE_COUNT, KnownPoint, Series
from whirlbench.errors import CalibrationError

# A point further from the line of the others than this chance would have it is a mistake of the hand: 1 in 1000 over
# all points together. Judgement, no source.
MISTAKE_CHANCE = 1e-3
# Departure from a straight line, share of the span: told from here, refused from there. Judgement, no source.
BENT_SHARE, REFUSED_SHARE = 0.01, 0.05
NO_LINE = 0.5  # share of the span, from where no line is worth a figure
FAR_BETTER = 5.0  # times less scatter, for two readings to be called exchanged; judgement, no source
LEAST_FOR_MISTAKES = 5  # points: with fewer, no one of them can be told from the rest


@dataclass(frozen=True)
class LineFit:
    """``value = (counts - zero_counts) * units_per_count``, with standard errors and the points behind it.

    ``slope`` (counts a unit) and ``offset`` (counts) are the line as fitted, ``covariance`` (2, 2) theirs, in that
    order; ``scatter_counts`` is the standard deviation about the line, mid-way between up and down where both were
    taken. ``hysteresis`` in units, the greatest gap between up and down; None when only one way was gone.
    ``residuals`` in units, (n,), in the order of the points.
    """

    unit: str
    slope: float
    offset: float
    covariance: np.ndarray
    scatter_counts: float
    hysteresis: float | None
    series: Series

    @property
    def zero_counts(self) -> float:
        """Counts at the value zero."""
        return self.offset

    @property
    def units_per_count(self) -> float:
        """The gain."""
        return 1.0 / self.slope

    @property
    def stderr_zero(self) -> float:
        """Standard error of the zero, units."""
        return float(np.sqrt(self.covariance[1, 1])) / abs(self.slope)

    @property
    def stderr_gain_pct(self) -> float:
        """Standard error of the gain, per cent of it (first order)."""
        return 100.0 * float(np.sqrt(self.covariance[0, 0])) / abs(self.slope)

    @property
    def residual(self) -> float:
        """Standard uncertainty of one reading, units: scatter, and half the hysteresis taken as even chance.

        Hysteresis does not average out, whatever the number of points: JCGM 100:2008, 4.3.7 (half-width over root 3).
        """
        half = (self.hysteresis or 0.0) / 2.0
        return float(np.hypot(self.scatter_counts / abs(self.slope), half / np.sqrt(3.0)))

    @cached_property
    def residuals(self) -> np.ndarray:
        """What each point reads, less what is known, units (n,)."""
        residuals: np.ndarray = (self.series.counts - self.offset) / self.slope - self.series.values
        return residuals

    @property
    def span(self) -> tuple[float, float]:
        """Least and greatest known value: beyond them the line is prolonged, not calibrated."""
        return float(self.series.values.min()), float(self.series.values.max())

    @property
    def departure(self) -> float:
        """Greatest distance of a point from the line, share of the span."""
        return float(np.abs(self.residuals).max()) / (self.span[1] - self.span[0])


def fit_line(points: Sequence[KnownPoint], unit: str, channel: str, ends: tuple[float, float] | None = None) -> LineFit:
    """The line through ``points`` in the order in which they were taken, at least three different values.

    CalibrationError names what is wrong: a sensor at the end of its range, a point that does not belong, two points
    exchanged, a line that is not straight.
    """
    series = Series.of(points, channel, ends)
    _refuse_mistakes(series, channel, unit)
    fit = _fitted(series, unit)
    if fit.departure > REFUSED_SHARE:
        worst = int(np.argmax(np.abs(fit.residuals)))
        if fit.departure > NO_LINE:
            raise CalibrationError(
                f"{channel}: the counts do not follow the known values at all (a fold, a step, or another sensor's "
                f"readings); worst at point {worst + 1}: check mounting and wiring, read again"
            )
        raise CalibrationError(
            f"{channel}: point {worst + 1} lies {fit.departure * 100:.0f} % of the span from a straight line; "
            f"a sensor of this kind keeps within {REFUSED_SHARE * 100:g} %: check mounting, mass and wiring, read again"
        )
    return fit


def _fitted(series: Series, unit: str) -> LineFit:
    values, counts, gap = _mid_line(series)
    slope, offset, covariance, scatter = least_squares(values, counts, series.resolution_counts)
    hysteresis = None if gap is None else gap / abs(slope)
    return LineFit(unit, slope, offset, covariance, scatter, hysteresis, series)


def _mid_line(series: Series) -> tuple[np.ndarray, np.ndarray, float | None]:
    """Values with both ways: the middle of up and down, and the greatest gap; else the points as they are."""
    up = series.going_up()
    both = np.intersect1d(series.values[up], series.values[~up])
    if len(both) < 3:
        return series.values, series.counts, None
    rises = np.array([series.counts[up & (series.values == value)].mean() for value in both])
    falls = np.array([series.counts[~up & (series.values == value)].mean() for value in both])
    return both, (rises + falls) / 2.0, float(np.abs(rises - falls).max())


def least_squares(
    values: np.ndarray, counts: np.ndarray, least_scatter: float = 0.0
) -> tuple[float, float, np.ndarray, float]:
    """Slope, offset, their covariance (2, 2) and the standard deviation about the line; at least three points.

    Points may lie on a line by chance, or by rounding: less than ``least_scatter`` is not believed.
    """
    design = np.stack([values, np.ones_like(values)], axis=1)
    (slope, offset), *_ = np.linalg.lstsq(design, counts, rcond=None)
    scatter = float(np.sqrt(np.sum((counts - design @ [slope, offset]) ** 2) / (len(values) - 2)))
    scatter = max(scatter, least_scatter)
    covariance = scatter**2 * np.linalg.inv(design.T @ design)
    return float(slope), float(offset), covariance, scatter


def inverse_reading(fit: LineFit, counts: float, chance: float = 0.05) -> tuple[float, float, float]:
    """The value that ``counts`` mean, and its confidence interval at ``1 - chance`` (Fieller's theorem).

    CalibrationError when the slope is not known well enough for any interval.
    """
    from scipy.special import stdtrit

    degrees = len(fit.series.values) - 2
    students = float(stdtrit(degrees, 1.0 - chance / 2.0))
    values, n = fit.series.values, len(fit.series.values)
    middle, spread = float(values.mean()), float(np.sum((values - values.mean()) ** 2))
    value = (counts - fit.offset) / fit.slope
    share = students**2 * fit.scatter_counts**2 / (fit.slope**2 * spread)
    if share >= 1.0:
        raise CalibrationError("the gain is not known well enough for an interval of the value")
    root = students * fit.scatter_counts / abs(fit.slope)
    root *= float(np.sqrt((1.0 - share) * (1.0 + 1.0 / n) + (value - middle) ** 2 / spread))
    centre = middle + (value - middle) / (1.0 - share)
    return value, centre - root / (1.0 - share), centre + root / (1.0 - share)


def _refuse_mistakes(series: Series, channel: str, unit: str) -> None:
    """Looks for two readings exchanged, then for the point that all the others speak against: a wrong mass."""
    if len(series.values) < LEAST_FOR_MISTAKES:
        return
    exchanged = _exchanged(series)
    if exchanged is not None:
        first, second = (number + 1 for number in exchanged)
        raise CalibrationError(
            f"{channel}: the readings of points {first} and {second} look exchanged; read both again"
        )
    worst = _worst(series)
    if worst is None:
        return
    others = np.arange(len(series.values)) != worst
    slope, offset, *_ = least_squares(series.values[others], series.counts[others])
    raise CalibrationError(
        f"{channel}: point {worst + 1} was given as {series.values[worst]:g} {unit}, but reads as "
        f"{(series.counts[worst] - offset) / slope:.4g} {unit} by the others: a wrong value, or it was still moving; "
        "read it again"
    )


def _worst(series: Series) -> int | None:
    """The point whose deletion residual chance cannot explain; None when there is none.

    Externally studentised residuals with Bonferroni's bound (Weisberg, Applied Linear Regression, ch. 9, from memory).
    The two ways of a hysteresis each lie to their side of the line and widen the scatter; they are no mistakes.
    """
    from scipy.special import stdtrit

    values, counts = series.values, series.counts
    n = len(values)
    design = np.stack([values, np.ones_like(values)], axis=1)
    hat = np.diag(design @ np.linalg.inv(design.T @ design) @ design.T)
    residuals = counts - design @ np.linalg.lstsq(design, counts, rcond=None)[0]
    squares, degrees = float(np.sum(residuals**2)), n - 3
    left = np.maximum((squares - residuals**2 / (1.0 - hat)) / degrees, _resolution(counts) ** 2)
    students = np.abs(residuals) / np.sqrt(left * (1.0 - hat))
    bound = float(stdtrit(degrees, 1.0 - MISTAKE_CHANCE / (2.0 * n)))
    worst = int(np.argmax(students))
    share = abs(residuals[worst]) / float(np.ptp(counts))
    return worst if students[worst] > bound and share > BENT_SHARE else None


def _resolution(counts: np.ndarray) -> float:
    """Scatter below which nobody can read: a whole count is uniform within itself, and a ten-thousandth of the span."""
    return float(max(WHOLE_COUNT, np.ptp(counts) * 1e-4))


def _exchanged(series: Series) -> tuple[int, int] | None:
    """The pair of readings that, exchanged, lie far better on a line; None when the points are good as they are."""
    values, counts = series.values, series.counts
    as_read = least_squares(values, counts)[3]
    if as_read <= BENT_SHARE * np.ptp(counts):
        return None
    best = min(
        (least_squares(values, _swapped(counts, pair))[3], pair)
        for pair in combinations(range(len(values)), 2)
        if values[pair[0]] != values[pair[1]]
    )
    return best[1] if best[0] < as_read / FAR_BETTER else None


def _swapped(counts: np.ndarray, pair: tuple[int, int]) -> np.ndarray:
    swapped = counts.copy()
    swapped[list(pair)] = counts[list(reversed(pair))]
    return swapped
