"""What the points a run held before let expect of thrust and current at another blade angle or another speed."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from whirlbench.analysis.onset.features import Features
from whirlbench.analysis.onset.healthy_scatter import FIRST_FRAMES, Expectation, Scatter, first_levels
from whirlbench.analysis.onset.operating_points import SAME_COMMAND, Points

LEAST_ANGLE_DEG = 3.0  # finer blades are treated as these: thrust is not nought where the angle is


@dataclass(frozen=True)
class LoadHabit:
    """How a load coefficient goes: mean of its ``slope``, and how unsure slope, ``bend``, ``power`` and ``kink`` are.

    Slope and bend are with the blade angle's change as a share of the first angle, all as a share of the first level;
    ``power`` is that of speed beyond the square (thrust) or cube (current), by the Reynolds number of the blades and by
    what the motor and its controller lose besides; ``kink`` is what a stall may add between angles held.
    """

    slope: float
    slope_deviation: float
    bend: float
    power: float
    kink: float


# Thrust of a propeller at rest in the air goes about with the blade angle. Our choice, proved by
# tests/benchmarks/onset_campaign.py.
LOAD_HABITS = {"thrust": LoadHabit(1.0, 0.4, 0.3, 0.15, 0.15), "current": LoadHabit(1.2, 0.8, 0.8, 0.8, 0.3)}


def expected_load(
    features: Features, points: Points, scatter: Scatter, known: Expectation | None
) -> Expectation | None:
    """``known``, completed by what earlier points of this run let expect of thrust and current at each later point.

    A straight line with a bend against blade angle and a power of speed, by Bayesian linear regression on the first
    frames of the points before (Bishop, Pattern Recognition and Machine Learning, 2006, section 3.3, from memory).
    Where no blade angle was recorded only points of one servo pulse are compared; without a servo channel none are.
    """
    shape = (len(points.rpm), features.values.shape[1])
    mean, spread = (np.full(shape, np.nan), np.full(shape, np.nan)) if known is None else (known.mean, known.spread)
    mean, spread = mean.copy(), spread.copy()
    level = first_levels(features.values, points)
    for signal in features.signals:
        habit = LOAD_HABITS.get(signal.name)
        if habit is None:
            continue
        column = signal.columns[0]
        unsure = scatter.sigma[:, column] / np.sqrt(FIRST_FRAMES)
        for point in range(1, len(points.rpm)):
            before = _comparable(points, point)
            if len(before) and np.isnan(mean[point, column]):
                found = _predicted(points, before, point, level[:, column], unsure, habit)
                mean[point, column], spread[point, column] = found
    return Expectation(mean, spread) if np.isfinite(mean).any() else None


def _comparable(points: Points, point: int) -> np.ndarray:
    """Numbers of the earlier points that say something of ``point``."""
    known = np.isfinite(points.pitch_deg[:point]) & np.isfinite(points.pitch_deg[point])
    same = np.abs(points.command[:point, 1] - points.command[point, 1]) <= SAME_COMMAND[1]
    recorded = np.isfinite(points.command[:point, 1])
    return np.flatnonzero(same | (known & recorded))


def _predicted(
    points: Points, before: np.ndarray, point: int, level: np.ndarray, unsure: np.ndarray, habit: LoadHabit
) -> tuple[float, float]:
    """(mean, standard deviation) of the level at ``point``, in its unit; NaN where the first level is nought."""
    scale = float(level[before[0]])
    if scale <= 0.0:
        return float("nan"), float("nan")
    chosen = np.append(before, point)
    rows = _rows(points, chosen)
    prior = np.diag(np.array([1.0, habit.slope_deviation, habit.bend, habit.power]) ** 2)
    centre = np.array([1.0, habit.slope, 0.0, 0.0])
    seen, asked = rows[:-1], rows[-1]
    noise = np.diag((unsure[before] / scale) ** 2 + 1e-6)
    gain = prior @ seen.T @ np.linalg.inv(seen @ prior @ seen.T + noise)
    weights = centre + gain @ (level[before] / scale - seen @ centre)
    left = prior - gain @ seen @ prior
    kink = habit.kink * np.abs(seen[:, 1] - asked[1]).min()
    return scale * float(asked @ weights), scale * float(np.sqrt(max(asked @ left @ asked, 0.0) + kink**2))


def _rows(points: Points, chosen: np.ndarray) -> np.ndarray:
    """Regressors (1, change of angle, its square, logarithm of speed) against the first of ``chosen``."""
    angle = points.pitch_deg[chosen]
    change = np.nan_to_num((angle - angle[0]) / max(float(angle[0]), LEAST_ANGLE_DEG), nan=0.0)
    speed = np.log(points.rpm[chosen] / points.rpm[chosen[0]])
    return np.column_stack([np.ones(len(chosen)), change, change**2, speed])
