"""The run's own healthy behaviour: scatter of each feature at each operating point, and what earlier runs say of it."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from whirlbench.analysis.onset.failure import find_failure
from whirlbench.analysis.onset.features import LOAD, SPEED, VIBRATION, Features
from whirlbench.analysis.onset.operating_points import LEAST_VISIT, Points, operating_points, same_point
from whirlbench.errors import AnalysisError, RigError
from whirlbench.rig.toml import parse_rig
from whirlbench.samples import Run

LAG = 8  # frames, 2 s: beyond most of the correlation of gusts
LEAST_KEEP, MOST_KEEP = 0.17, 0.95  # a Hann window half overlapping alone gives 1/6
LEAST_GUST_SUMS = {VIBRATION: 1.0, LOAD: 3.8, SPEED: 4.0}  # what gusts do even where a short run shows none; our choice
GUST_MARGIN = 1.2  # for the doubt of so few gusts in a run; chosen on the campaign in tests/benchmarks
GUST_FRAMES = 6.0  # 1.5 s, the time a gust takes to pass the disk of a stand outdoors; our choice
FIRST_FRAMES = 8  # that tell a level
# Of the run's largest level: friction and zero drift are no shares of an idling load; our choice.
FLOOR_OF_LARGEST = 0.002
LEAKAGE = 0.002  # of the strongest order: what speed that wanders within a frame spills into others; our choice
BETWEEN_RUNS = 0.15  # re-mounting changes a level by so much of itself where only one earlier run is known; our choice


@dataclass(frozen=True)
class Scatter:
    """Scatter ``sigma`` of each feature at each point ``(points, columns)``: of slow sums, so correlation is in it."""

    sigma: np.ndarray
    slow_sums: np.ndarray  # (columns,) how much larger it is than what differences between neighbours show


@dataclass(frozen=True)
class Expectation:
    """What earlier healthy runs expect at each point of this run.

    ``mean`` and ``spread`` are ``(points, columns)``, NaN where unknown.
    """

    mean: np.ndarray
    spread: np.ndarray


def scatter(features: Features, points: Points) -> Scatter:
    """Scatter of every feature at every point, from differences between frames, which growth hardly touches.

    First differences over one frame and second differences over two seconds (blind to any straight drift) give variance
    and correlation of a first-order process; sigma is what makes slow sums of such noise look white. Points with few
    frames lean on the others. Levels set a floor.
    """
    values = features.values
    near = _spread(np.abs(values[1:] - values[:-1]) / np.sqrt(2.0), points, 1)
    bend = values[2 * LAG :] - 2 * values[LAG:-LAG] + values[: -2 * LAG]
    far = _spread(np.abs(bend) / np.sqrt(6.0), points, 2 * LAG)
    with np.errstate(invalid="ignore", divide="ignore"):
        ratio = _pooled(far / near, points)
    slow_sums = _correlated(ratio)
    for signal in features.signals:
        if signal.gusty:
            columns, least = list(signal.columns), LEAST_GUST_SUMS[signal.kind]
            gusting = np.fmax(_gusting(ratio), least)[columns]
            slow_sums[columns] = gusting if signal.kind == LOAD else np.fmax(slow_sums[columns], gusting)
    return Scatter(np.hypot(_leaning(near, points) * slow_sums, _floors(features, points)), slow_sums)


def expectation(features: Features, points: Points, earlier: list[Features]) -> Expectation:
    """Levels of earlier healthy runs of the same blade set at the points of this run.

    Spread is what several runs show between them, never below 15 % of the level for one run or scatter of its mean.
    Raises AnalysisError when an earlier run has other signals (another sensor set). Unknown points stay NaN.
    """
    names = [(one.name, len(one.columns)) for one in features.signals]
    stacks = np.full((len(earlier), len(points.rpm), features.values.shape[1]), np.nan)
    for row, other in enumerate(earlier):
        if [(one.name, len(one.columns)) for one in other.signals] != names:
            raise AnalysisError(
                f"earlier run {row + 1} has other signals ({', '.join(one.name for one in other.signals)}): "
                "compare runs with the same channels recorded"
            )
        stacks[row] = _levels_at(other, points)
    count = np.isfinite(stacks).sum(axis=0)
    total = np.where(np.isfinite(stacks), stacks, 0.0)
    with np.errstate(invalid="ignore", divide="ignore"):
        mean = np.where(count > 0, total.sum(axis=0) / count, np.nan)
        square = np.where(np.isfinite(stacks), (stacks - mean) ** 2, 0.0).sum(axis=0)
        between = np.sqrt(square / np.maximum(count - 1, 1))
    assumed = BETWEEN_RUNS * _typical_level(features, points)
    spread = np.where(count >= 3, np.maximum(between, assumed / 5), np.maximum(between, assumed))
    return Expectation(mean, np.where(count > 0, spread, np.nan))


def refuse_earlier(run: Run, earlier: tuple[Run, ...]) -> None:
    """Raises AnalysisError for an earlier run that is ``run`` itself, failed, or was made with another blade set."""
    for number, one in enumerate(earlier, start=1):
        failure = find_failure(one)
        if _same_samples(run, one):
            raise AnalysisError(f"earlier run {number} is the run that is judged: give another one")
        if any(_same_samples(one, other) for other in earlier[: number - 1]):
            raise AnalysisError(f"earlier run {number} was given twice: each counts once")
        if failure is not None and failure.sure:
            raise AnalysisError(
                f"earlier run {number} failed itself ({failure.kind} at {failure.at_s:.1f} s): "
                "compare with runs that are known to be healthy"
            )
        other = [f"{name} {there} there, {here} here" for name, here, there in _fitted(run, one) if here != there]
        if other:
            raise AnalysisError(f"earlier run {number} was made with another propeller: {', '.join(other)}")


def _same_samples(one: Run, other: Run) -> bool:
    pairs = ((one.slow.time_s, other.slow.time_s), (one.slow.rpm, other.slow.rpm), (one.tach.time_s, other.tach.time_s))
    axes = [(getattr(one.vibration, axis), getattr(other.vibration, axis)) for axis in one.vibration.axes()]
    return all(np.array_equal(first, second, equal_nan=True) for first, second in (*pairs, *axes))


def _fitted(run: Run, other: Run) -> list[tuple[str, object, object]]:
    """(key, here, there) of what was fitted, as far as both recordings' rigs tell it."""
    try:
        here, there = (parse_rig(one.rig_text).propeller for one in (run, other))
    except RigError:
        return []
    pairs = [(key, getattr(here, key), getattr(there, key)) for key in ("blade_set", "blades", "diameter_m")]
    return [pair for pair in pairs if pair[1] is not None and pair[2] is not None]


def _correlated(far_over_near: np.ndarray) -> np.ndarray:
    """Scatter of slow sums over that of neighbours' differences, for a first-order process ``(columns,)``, by table.

    near^2 = r0 (1 - k) and far^2 = r0 (1 - k^L) (3 - k^L) / 3, whose ratio rises with k; slow sums see r0 (1 +
    k)/(1 - k).
    """
    table = np.linspace(LEAST_KEEP, MOST_KEEP, 157)
    ratio = (1 - table**LAG) * (3 - table**LAG) / (3 * (1 - table))
    with np.errstate(invalid="ignore", divide="ignore"):
        found = np.interp(far_over_near**2, ratio, table)
    keep = np.where(np.isfinite(found), found, LEAST_KEEP)
    return np.sqrt(1.0 + keep) / (1.0 - keep)


def _gusting(far_over_near: np.ndarray) -> np.ndarray:
    """The same for white noise plus gusts of 1.5 s, whose shares follow from the two spreads; at most all gust."""
    keep = np.exp(-1.0 / GUST_FRAMES)
    far_share = 1.0 - 4.0 / 3.0 * keep**LAG + keep ** (2 * LAG) / 3.0
    own = 1.0 - LEAST_KEEP
    with np.errstate(invalid="ignore", divide="ignore"):
        gust = np.maximum(far_over_near**2 - 1.0 / own, 0.0) / (far_share - (1.0 - keep) / own)
        white = np.maximum(1.0 - (1.0 - keep) * gust, 0.0) / own
        total = white * (1 + LEAST_KEEP) / (1 - LEAST_KEEP) + gust * (1 + keep) / (1 - keep)
        result: np.ndarray = GUST_MARGIN * np.minimum(np.sqrt(total), np.sqrt((1 + keep) / (1 - keep) / (1 - keep)))
        return result


def _spread(magnitudes: np.ndarray, points: Points, lag: int) -> np.ndarray:
    """Robust deviation of differences that reach over ``lag`` frames of one visit, ``(points, columns)``."""
    same = (points.visit[lag:] == points.visit[:-lag]) & (points.visit[lag:] >= 0)
    result = np.full((len(points.rpm), magnitudes.shape[1]), np.nan)
    for point in range(len(points.rpm)):
        chosen = magnitudes[same & (points.of_frame[lag:] == point)]
        if len(chosen) >= LEAST_VISIT:
            result[point] = _robust(chosen)
    return result


def _robust(magnitudes: np.ndarray) -> np.ndarray:
    """Standard deviation from magnitudes of zero-mean values: rms of those below three robust deviations."""
    median = np.nanmedian(np.where(np.isfinite(magnitudes).any(axis=0), magnitudes, 0.0), axis=0) / 0.6745
    inside = magnitudes <= 3 * median
    square = np.where(inside, magnitudes, 0.0) ** 2
    result: np.ndarray = (
        np.sqrt(square.sum(axis=0) / np.maximum(inside.sum(axis=0), 1)) * 1.014
    )  # what the cut takes away
    return result


def _counts(points: Points) -> np.ndarray:
    return np.bincount(points.of_frame[points.of_frame >= 0], minlength=len(points.rpm)).astype(float)


def _pooled(spread: np.ndarray, points: Points) -> np.ndarray:
    """Rms over points, weighted by frames."""
    weight = _counts(points)[:, None] * np.isfinite(spread)
    with np.errstate(invalid="ignore", divide="ignore"):
        result: np.ndarray = np.sqrt(np.nansum(weight * spread**2, axis=0) / weight.sum(axis=0))
        return result


def _leaning(spread: np.ndarray, points: Points, leaning_frames: float = 12.0) -> np.ndarray:
    """Each point's own spread, drawn to the pooled one by as much as its frames are few; a margin for the doubt."""
    count = _counts(points)[:, None]
    pooled = _pooled(spread, points)
    own = np.where(np.isfinite(spread), spread, pooled)
    variance = (count * own**2 + leaning_frames * pooled**2) / (count + leaning_frames)
    result: np.ndarray = np.sqrt(variance * (1.0 + 4.0 / np.maximum(count, 4.0)))
    return result


def first_levels(values: np.ndarray, points: Points) -> np.ndarray:
    """Median of each column over the first eight frames at each point; zero where nothing is known."""
    result = np.zeros((len(points.rpm), values.shape[1]))
    for point in range(len(points.rpm)):
        head = values[np.flatnonzero(points.of_frame == point)[:FIRST_FRAMES]]
        known = np.isfinite(head).any(axis=0)
        result[point, known] = np.nanmedian(head[:, known], axis=0)
    return result


def _typical_level(features: Features, points: Points) -> np.ndarray:
    """Median level at the first frames of each point, ``(points, columns)``."""
    result = np.full((len(points.rpm), features.values.shape[1]), np.nan)
    for point in range(len(points.rpm)):
        head = np.flatnonzero(points.of_frame == point)[:32]
        finite = np.isfinite(features.level[head]).any(axis=0)
        result[point, finite] = np.nanmedian(features.level[head][:, finite], axis=0)
    return result


def _floors(features: Features, points: Points) -> np.ndarray:
    """Least scatter that is believed: a share of the level, and of the run's largest for what an idling one is not."""
    level, floors = _typical_level(features, points), np.zeros((len(points.rpm), features.values.shape[1]))
    for signal in features.signals:
        columns, scale = list(signal.columns), (points.rpm[:, None] / 1000.0) ** signal.speed_power
        floors[:, columns] = np.nan_to_num(signal.floor * level[:, columns])
        if signal.speed_power and len(points.rpm):
            largest = np.nan_to_num(level[:, columns] * scale).max(axis=0)
            floors[:, columns] = np.hypot(floors[:, columns], FLOOR_OF_LARGEST * largest / scale)
    orders = [column for signal in features.signals if signal.axes for column in signal.columns]
    if orders:
        strongest = np.nan_to_num(level[:, orders]).max(axis=1, keepdims=True)
        floors[:, orders] = np.hypot(floors[:, orders], LEAKAGE * strongest)
    return floors


def _levels_at(other: Features, points: Points) -> np.ndarray:
    """Means of another run's features at its points that match these; NaN where it never was."""
    theirs = operating_points(other)
    result = np.full((len(points.rpm), other.values.shape[1]), np.nan)
    for point in range(len(points.rpm)):
        for number in range(len(theirs.rpm)):
            key = (points.rpm[point], points.command[point], points.pitch_deg[point])
            if same_point(*key, theirs.rpm[number], theirs.command[number], theirs.pitch_deg[number]):
                frames = other.values[theirs.of_frame == number]
                good = np.isfinite(frames).any(axis=0)
                result[point, good] = np.nanmean(frames[:, good], axis=0)
                break
    return result
