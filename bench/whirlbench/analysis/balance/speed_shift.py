"""Vectors of several runs brought to one speed: what the stand's answer does between their speeds, and how surely.

Near a resonance the answer turns by tens of degrees within a percent or two of speed. Close to a pole of the stand it
goes as H(x) = exp(2 x) / (1 - k x), x the logarithm of speed: k, complex, is d ln H / d ln rpm less 2, and told by the
wander of the speed within each hold. The one term carries the curvature that belongs to such a slope.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from whirlbench.analysis.balance.vectors import RIGID_SLOPE, Vectors1P, to_common_speed
from whirlbench.errors import AnalysisError

SPEED_TOLERANCE = 0.03  # holds further apart than 3 % are different ones; our choice
STEEPEST = 25.0  # standard deviation of k before anything is measured: 1 / damping, 4 % at a resonance; our choice
MOST_TURN = 0.7  # radians between the runs' speeds by k: 40 degrees, beyond which a single pole is a guess; our choice
DISBELIEF = 0.5  # standard error of the curvature, as a share of it; our choice
STEPS = 12


@dataclass(frozen=True)
class Together:
    """Vectors of ``k`` runs at common speeds, flattened to rows of (speed, axis).

    ``vectors_g`` ``(rows, runs)`` and their covariance ``(rows, runs, runs)``, of each part; ``slope`` is d ln H /
    d ln rpm of each row with its standard error. ``apart`` is the relative difference of speed, the largest of all.
    """

    rpm: np.ndarray  # (speeds,)
    axes: tuple[str, ...]
    vectors_g: np.ndarray
    covariance: np.ndarray
    slope: np.ndarray
    slope_stderr: np.ndarray
    apart: float


def together(runs: Sequence[Vectors1P]) -> Together:
    """The vectors of all ``runs`` at the speeds and on the axes they share, each brought to the middle of its speeds.

    AnalysisError where they share none, or where every shared speed is so near a resonance that vectors of their
    speeds cannot be compared.
    """
    shared = _matched(runs)
    place = np.log([run.rpm for run in shared])  # (runs, speeds)
    middle = (place.max(axis=0) + place.min(axis=0)) / 2.0
    away = (place - middle).T[:, None, :]  # (speeds, 1, runs)
    values, errors = (np.stack([getattr(run, name) for run in shared], axis=-1) for name in ("phasor_g", "stderr_g"))
    slopes, doubts = (np.stack(parts, axis=-1) for parts in zip(*(run.slopes() for run in shared), strict=True))
    steep, steep_error = pole_slope(slopes, doubts, away)
    near = np.abs(steep) * np.ptp(away, axis=-1) > MOST_TURN
    if near.all():
        raise AnalysisError(_too_near(steep, np.ptp(place, axis=0)))
    moved, extra = shifted(values, steep[..., None], away)
    extra = np.where(near[..., None], np.abs(moved), extra)  # of no weight beside rows that can be compared
    change = -away * np.exp(-RIGID_SLOPE * away) * values  # of each vector with k
    own = (errors * np.exp(-RIGID_SLOPE * away) * np.abs(1.0 - steep[..., None] * away)) ** 2 + extra**2
    common = change[..., :, None] * np.conj(change[..., None, :]) * steep_error[..., None, None] ** 2
    covariance = own[..., :, None] * np.eye(len(runs)) + common
    rows = len(middle) * len(shared[0].axes)
    return Together(
        np.exp(middle),
        shared[0].axes,
        moved.reshape(rows, -1),
        covariance.reshape(rows, len(runs), len(runs)),
        steep.ravel() + RIGID_SLOPE,
        steep_error.ravel(),
        float(np.expm1(np.ptp(place, axis=0).max())),
    )


def pole_slope(slopes: np.ndarray, errors: np.ndarray, away: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """k at the common speed and its standard error (each part), from what each run tells of it where it ran.

    ``slopes`` ``(..., runs)`` are d ln V / d ln rpm, ``away`` the logarithms of speed from the common one. A run at x
    sees k / (1 - k x). Gauss-Newton from the weighted mean; what nothing tells stays within ``STEEPEST`` of nought.
    """
    weight = 1.0 / errors**2
    prior = 1.0 / STEEPEST**2
    steep = (weight * (slopes - RIGID_SLOPE)).sum(axis=-1) / (weight.sum(axis=-1) + prior)
    for _ in range(STEPS):
        short = 1.0 - steep[..., None] * away
        short = np.where(np.abs(short) < 0.3, 0.3, short)
        slope = 1.0 / short**2
        rest = slopes - RIGID_SLOPE - steep[..., None] / short
        information = (weight * np.abs(slope) ** 2).sum(axis=-1) + prior
        steep = steep + ((weight * np.conj(slope) * rest).sum(axis=-1) - prior * steep) / information
    return steep, information**-0.5


def shifted(values: np.ndarray, steep: np.ndarray, away: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """``values`` brought from ``away`` to the common speed, and the standard error that a single pole leaves.

    Its size is half the difference from an answer whose logarithm is straight.
    """
    pole, straight = to_common_speed(steep, away), np.exp(-(RIGID_SLOPE + steep) * away)
    return values * pole, DISBELIEF * np.abs(values * (pole - straight))


def same_speeds(first: np.ndarray, second: np.ndarray) -> list[tuple[int, int]]:
    """Pairs of indices whose speeds agree within 3 %, each to its nearest."""
    pairs = [(one, int(np.argmin(np.abs(second - rpm)))) for one, rpm in enumerate(first)]
    return [(one, two) for one, two in pairs if abs(second[two] / first[one] - 1) < SPEED_TOLERANCE]


def list_rpm(rpm: np.ndarray) -> str:
    """Speeds in words."""
    return ", ".join(f"{one:.0f}" for one in rpm) + " rpm"


def _matched(runs: Sequence[Vectors1P]) -> list[Vectors1P]:
    """Every run's vectors at the speeds and axes that all of them share, in the order of the first."""
    first = runs[0]
    axes = [axis for axis in first.axes if all(axis in run.axes for run in runs)]
    pairs = [dict(same_speeds(first.rpm, run.rpm)) for run in runs]
    speeds = [speed for speed in range(len(first.rpm)) if all(speed in pair for pair in pairs)]
    if not speeds or not axes:
        other = next((run for run, pair in zip(runs[1:], pairs[1:], strict=True) if not pair), runs[-1])
        raise AnalysisError(
            f"the runs share no speed and axis: {list_rpm(first.rpm)} on {', '.join(first.axes)} against "
            f"{list_rpm(other.rpm)} on {', '.join(other.axes)}; repeat the hold within 3 % of the same speed"
        )
    return [
        run.taken([pair[speed] for speed in speeds], [run.axes.index(axis) for axis in axes])
        for run, pair in zip(runs, pairs, strict=True)
    ]


def _too_near(steep: np.ndarray, apart: np.ndarray) -> str:
    least = float(np.abs(steep).min())
    return (
        f"1P turns by about {np.degrees(least) / 100.0:.0f} deg a percent of speed here, and the runs' speeds differ "
        f"by {100.0 * float(apart.min()):.1f} %: a resonance is near; repeat the hold within "
        f"{100.0 * MOST_TURN / least / 4.0:.1g} % of the same speed, or away from the resonance"
    )
