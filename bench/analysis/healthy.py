"""The run's own healthy behaviour: operating points, scatter of each feature there, and what earlier runs say of
them."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from bench.analysis.features import LOAD, SPEED, TURNING_RPM, VIBRATION, Features
from bench.errors import AnalysisError

MOVING_PER_S = 0.02  # an operating point moves when speed changes by more than 2 % in a second; our choice
COMMAND_STEP = 0.75  # us or rpm within three seconds: less is rounding
COMMAND_NOISE = 6.0  # times the usual change between frames, where a command was measured and is not exact
SETTLE_FRAMES = 2  # frames left out on either side of a move: a frame reaches one step beyond its middle
ANSWER_FRAMES = 8  # frames in which the rotor answers a command, where its own speed does not tell
SAME_RPM = 0.04
SAME_COMMAND = (6.0, 4.0)
SAME_PITCH_DEG = 0.5
LEAST_VISIT = 4  # frames; shorter visits teach nothing
LAG = 8  # frames, 2 s: beyond most of the correlation of gusts
LEAST_KEEP, MOST_KEEP = 0.17, 0.95  # a Hann window half overlapping alone gives 1/6
LEAST_GUST_SUMS = {VIBRATION: 1.0, LOAD: 3.5, SPEED: 4.0}  # what gusts do even where a short run shows none; our choice
GUST_FRAMES = 6.0  # 1.5 s, the time a gust takes to pass the disk of a stand outdoors; our choice
BETWEEN_RUNS = 0.15  # re-mounting changes a level by so much of itself where only one earlier run is known; our choice


@dataclass(frozen=True)
class Points:
    """Operating points: ``of_frame`` is the point's number per frame, -1 where moving or at rest; ``visit``
    likewise."""

    of_frame: np.ndarray
    visit: np.ndarray
    rpm: np.ndarray  # (points,)
    command: np.ndarray  # (points, 2)
    pitch_deg: np.ndarray  # (points,)


@dataclass(frozen=True)
class Scatter:
    """Scatter ``sigma`` of each feature at each point ``(points, columns)``: of slow sums, so correlation is in it."""

    sigma: np.ndarray
    slow_sums: np.ndarray  # (columns,) how much larger it is than what differences between neighbours show


@dataclass(frozen=True)
class Expectation:
    """What earlier healthy runs expect at each point of this run: ``mean`` and ``spread`` ``(points, columns)``,
    NaN unknown."""

    mean: np.ndarray
    spread: np.ndarray


def operating_points(features: Features, by_speed: bool = True) -> Points:
    """Splits frames into visits of steady operation and joins visits of one operating point.

    A visit ends when the commands or the speed move, or when the speed has wandered 4 % from its beginning. A change of
    operating point is thereby never compared with what was before it. Without ``by_speed`` (possible only where
    commands
    were recorded) the commands alone make an operating point: speed that wanders by itself is then a finding, not a
    move.
    """
    by_speed = by_speed or not np.isfinite(features.command[:, 0]).any()
    steady = _steady(features, by_speed)
    of_frame, visit = np.full(len(steady), -1), np.full(len(steady), -1)
    known: list[tuple[float, np.ndarray, float, int]] = []
    for number, frames in enumerate(_visits(features, steady, by_speed)):
        key = _key(features, frames)
        point = _matching(known, key, SAME_RPM / 2 if by_speed else np.inf)
        if point is None:
            point = len(known)
            known.append((*key, len(frames)))
        of_frame[frames], visit[frames] = point, number
    return Points(
        of_frame,
        visit,
        np.array([one[0] for one in known]),
        np.array([one[1] for one in known]).reshape(len(known), 2),
        np.array([one[2] for one in known]),
    )


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


def _steady(features: Features, by_speed: bool) -> np.ndarray:
    """Frames in which neither speed nor commands move, nor did a moment ago or will in a moment."""
    rpm = features.rpm
    turning = np.isfinite(rpm) & (rpm > TURNING_RPM)
    moving = np.zeros(len(rpm), bool)
    if by_speed:
        moving = np.abs(_central(np.log(np.where(turning, rpm, np.nan)))) / features.step_s > MOVING_PER_S
    for command in features.command.T:
        change = np.abs(np.diff(command[turning]))
        noise = float(np.median(change[np.isfinite(change)])) if np.isfinite(change).any() else 0.0
        for frames in (1, 6):
            moving |= _reach(command, frames) > max(COMMAND_STEP, COMMAND_NOISE * noise)
    if not np.isfinite(features.command[:, 1]).any():
        moving |= np.abs(_central(features.pitch_deg)) > SAME_PITCH_DEG
    wide = moving.copy()
    for shift in range(1, SETTLE_FRAMES + 1):
        wide[:-shift] |= moving[shift:]
    for shift in range(1, (SETTLE_FRAMES if by_speed else ANSWER_FRAMES) + 1):
        wide[shift:] |= moving[:-shift]
    return turning & ~wide & features.driven


def _reach(values: np.ndarray, frames: int) -> np.ndarray:
    """How far a command moves from ``frames`` before to ``frames`` after; zero where unknown."""
    padded = np.concatenate([np.repeat(values[:1], frames), values, np.repeat(values[-1:], frames)])
    return np.nan_to_num(np.abs(padded[2 * frames :] - padded[: -2 * frames]))


def _central(values: np.ndarray) -> np.ndarray:
    """Change per frame by central differences; zero where a neighbour is unknown, half-step at the ends."""
    padded = np.concatenate([values[:1], values, values[-1:]])
    return np.nan_to_num((padded[2:] - padded[:-2]) / 2)


def _visits(features: Features, steady: np.ndarray, by_speed: bool) -> list[np.ndarray]:
    """Runs of steady frames, cut where the speed has wandered off."""
    visits = []
    edges = np.flatnonzero(np.diff(np.concatenate([[0], steady.astype(int), [0]])))
    for first, last in zip(edges[::2], edges[1::2], strict=True):
        start = first
        while last - start >= LEAST_VISIT:
            begin = np.median(features.rpm[start : start + LEAST_VISIT])
            off = np.flatnonzero(np.abs(features.rpm[start:last] / begin - 1) > SAME_RPM)
            stop = start + int(off[0]) if len(off) and by_speed else last
            if stop - start >= LEAST_VISIT:
                visits.append(np.arange(start, stop))
            start = max(stop, start + 1)
    return visits


def _key(features: Features, frames: np.ndarray) -> tuple[float, np.ndarray, float]:
    """What identifies an operating point: speed and commands at the beginning of the visit."""
    head = frames[: 2 * LEAST_VISIT]
    pitch = features.pitch_deg[head]
    known_pitch = float(np.median(pitch)) if np.isfinite(pitch).all() else np.nan
    return float(np.median(features.rpm[head])), np.median(features.command[head], axis=0), known_pitch


def _matching(
    known: list[tuple[float, np.ndarray, float, int]], key: tuple[float, np.ndarray, float], same_rpm: float
) -> int | None:
    for number, (rpm, command, pitch, _) in enumerate(known):
        if _same_point(key[0], key[1], key[2], rpm, command, pitch, same_rpm):
            return number
    return None


def _same_point(
    rpm: float,
    command: np.ndarray,
    pitch: float,
    rpm2: float,
    command2: np.ndarray,
    pitch2: float,
    same_rpm: float = SAME_RPM / 2,
) -> bool:
    """Whether two operating points are one: by speed, and by commands, or pitch where the servo was not recorded."""
    if abs(rpm / rpm2 - 1) > same_rpm:
        return False
    gap = np.abs(command - command2)
    if np.any(np.nan_to_num(gap) > SAME_COMMAND):
        return False
    return bool(np.isfinite(gap[1]) or not abs(pitch - pitch2) > SAME_PITCH_DEG)


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
        return np.minimum(np.sqrt(total), np.sqrt((1 + keep) / (1 - keep) / (1 - keep)))


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
    return np.sqrt(square.sum(axis=0) / np.maximum(inside.sum(axis=0), 1)) * 1.014  # what the cut takes away


def _counts(points: Points) -> np.ndarray:
    return np.bincount(points.of_frame[points.of_frame >= 0], minlength=len(points.rpm)).astype(float)


def _pooled(spread: np.ndarray, points: Points) -> np.ndarray:
    """Rms over points, weighted by frames."""
    weight = _counts(points)[:, None] * np.isfinite(spread)
    with np.errstate(invalid="ignore", divide="ignore"):
        return np.sqrt(np.nansum(weight * spread**2, axis=0) / weight.sum(axis=0))


def _leaning(spread: np.ndarray, points: Points, leaning_frames: float = 12.0) -> np.ndarray:
    """Each point's own spread, drawn to the pooled one by as much as its frames are few; a margin for the doubt."""
    count = _counts(points)[:, None]
    pooled = _pooled(spread, points)
    own = np.where(np.isfinite(spread), spread, pooled)
    variance = (count * own**2 + leaning_frames * pooled**2) / (count + leaning_frames)
    return np.sqrt(variance * (1.0 + 4.0 / np.maximum(count, 4.0)))


def first_levels(values: np.ndarray, points: Points) -> np.ndarray:
    """Median of each column over the first eight frames at each point; zero where nothing is known."""
    result = np.zeros((len(points.rpm), values.shape[1]))
    for point in range(len(points.rpm)):
        head = values[np.flatnonzero(points.of_frame == point)[:8]]
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
    shares = np.zeros(features.values.shape[1])
    for signal in features.signals:
        shares[list(signal.columns)] = signal.floor
    return np.nan_to_num(_typical_level(features, points) * shares)


def _levels_at(other: Features, points: Points) -> np.ndarray:
    """Means of another run's features at its points that match these; NaN where it never was."""
    theirs = operating_points(other)
    result = np.full((len(points.rpm), other.values.shape[1]), np.nan)
    for point in range(len(points.rpm)):
        for number in range(len(theirs.rpm)):
            key = (points.rpm[point], points.command[point], points.pitch_deg[point])
            if _same_point(*key, theirs.rpm[number], theirs.command[number], theirs.pitch_deg[number]):
                frames = other.values[theirs.of_frame == number]
                good = np.isfinite(frames).any(axis=0)
                result[point, good] = np.nanmean(frames[:, good], axis=0)
                break
    return result
