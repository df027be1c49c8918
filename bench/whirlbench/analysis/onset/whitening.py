"""Whitening against healthy behaviour: what is left of a signal after everything a healthy run may do is fitted away.

A healthy feature at an operating point is a level, leaning with the last percent of speed, warming up, settling after
every move, wandering slowly. These are the states of a Kalman filter; its innovations are white while that holds. A
signature that damage would leave goes through the same filter, so the likelihood ratio of damage is a plain product sum
(Willsky and Jones, IEEE Trans. Automatic Control 21 (1976) 108, from memory).
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from itertools import pairwise
from typing import NamedTuple

import numpy as np

from whirlbench.analysis.onset.features import LOAD, SPEED, VIBRATION, Features
from whirlbench.analysis.onset.healthy_scatter import Expectation, Scatter, first_levels
from whirlbench.analysis.onset.operating_points import Points

BLOCK = 4  # frames that go through the filter at once, and between decisions
JOINED = 8  # blocks of which the covariance is worked out at once
UNKNOWN_LEVEL = 1e3
# Scatters a level may wander in a frame. More hides small steps (a step of half a scatter is forgotten before it is
# sure), less takes slow wandering for damage; chosen on tests/benchmarks/onset_delay.py and onset_campaign.py.
WANDER_PER_FRAME = 0.0025
WARM_UP_S = (20.0, 60.0, 180.0)
PIECE_FRAMES = 2048  # whose neighbours go through memory at a time
LONE_FRAMES = 4.0  # frames so many scatters off their neighbours are taken as the neighbours are


@dataclass(frozen=True)
class Habits:
    """What a healthy signal may do: prior standard deviations, in its own scatter.

    ``lean_per_pct`` with a percent of speed, ``warm_up`` since the start in ``warm_up_s``, ``settling`` after a move,
    fading in ``settling_s``, and how far off it may be when a point is visited again (``revisit``). ``by_charge``: the
    warm-up goes with the charge drawn, not with time. Our choices, proved by tests/benchmarks/onset_campaign.py.
    """

    lean_per_pct: float
    warm_up: float
    settling: float
    settling_s: tuple[float, float]
    revisit: float
    by_charge: bool = False
    warm_up_s: tuple[float, float, float] = WARM_UP_S


HABITS = {
    # a resonance with 5 % damping turns a 100-sigma vector by 8 sigmas per percent
    VIBRATION: Habits(8.0, 12.0, 4.0, (1.0, 5.0), 1.5),
    LOAD: Habits(0.0, 2.0, 2.5, (0.5, 2.0), 2.0),  # the air answers at once
    # a pack's voltage takes ten seconds to settle, and runs down in some ten minutes
    SPEED: Habits(0.0, 30.0, 30.0, (1.5, 12.0), 20.0, by_charge=True, warm_up_s=(20.0, 90.0, 600.0)),
}


@dataclass(frozen=True)
class Design:
    """What the filter knows of each frame: its point (-1: not judged), visit, lean in percent of speed and times."""

    point: np.ndarray
    visit: np.ndarray
    lean_pct: np.ndarray
    warm: np.ndarray  # (frames, len(WARM_UP_S))
    settle: np.ndarray  # (frames, 2)
    habits: Habits
    points: int
    known_spread: np.ndarray  # (points,) prior deviation of the level where earlier runs tell it, else UNKNOWN_LEVEL


def make_design(
    features: Features,
    points: Points,
    scatter: Scatter,
    expected: Expectation | None,
    habits: Habits,
    columns: list[int],
) -> Design:
    """The filter's knowledge of a run's frames; ``expected`` narrows what the levels of ``columns`` may be."""
    time_s = features.time_s
    judged = points.of_frame >= 0
    first_s = time_s[judged][0] if judged.any() else 0.0
    since = np.maximum(_worked_s(features, judged) if habits.by_charge else time_s - first_s, 0.0)[:, None]
    began = _visit_start_s(points, time_s)
    lean_pct = np.zeros(len(time_s))
    lean_pct[judged] = 100.0 * np.log(features.rpm[judged] / points.rpm[points.of_frame[judged]])
    known = np.full(len(points.rpm), UNKNOWN_LEVEL)
    if expected is not None:
        ratio = (expected.spread / scatter.sigma)[:, columns]
        seen = np.isfinite(ratio).any(axis=1)
        known[seen] = np.nanmedian(ratio[seen], axis=1)
    return Design(
        points.of_frame,
        points.visit,
        np.clip(lean_pct, -5.0, 5.0),
        1.0 - np.exp(-since / np.array(habits.warm_up_s)),
        np.exp(-np.maximum(time_s - began, 0.0)[:, None] / np.array(habits.settling_s)),
        habits,
        len(points.rpm),
        known,
    )


def _worked_s(features: Features, judged: np.ndarray) -> np.ndarray:
    """Charge drawn since judging began, as seconds at the mean current; plain time where no current was recorded."""
    time_s = features.time_s
    first_s = time_s[judged][0] if judged.any() else 0.0
    columns = [one.columns[0] for one in features.signals if one.name == "current"]
    if not columns or not judged.any():
        return time_s - first_s
    current = np.nan_to_num(features.values[:, columns[0]] * (features.rpm / 1000.0) ** 3)
    current = np.where(time_s >= first_s, np.maximum(current, 0.0), 0.0)
    mean = current[judged].mean()
    return np.cumsum(current) / mean * features.step_s if mean > 0.0 else time_s - first_s


def standardised(features: Features, points: Points, scatter: Scatter, expected: Expectation | None) -> np.ndarray:
    """Features over their scatter at each frame's point, less what earlier runs expect there; NaN where not judged."""
    judged = points.of_frame >= 0
    result = np.full(features.values.shape, np.nan)
    centre = first_levels(features.values, points)
    if expected is not None:
        centre = np.where(np.isfinite(expected.mean), expected.mean, centre)
    place = points.of_frame[judged]
    with np.errstate(invalid="ignore", divide="ignore"):
        result[judged] = (features.values[judged] - centre[place]) / scatter.sigma[place]
    return _without_lone_frames(np.where(np.isfinite(result), result, np.nan), points)


def _without_lone_frames(standard: np.ndarray, points: Points) -> np.ndarray:
    """Up to three frames (what one knock reaches) far off the median of the seven around them, replaced by it."""
    if len(standard) < 7:
        return standard
    windows = np.lib.stride_tricks.sliding_window_view(standard, 7, axis=0)
    pieces = (windows[first : first + PIECE_FRAMES] for first in range(0, len(windows), PIECE_FRAMES))
    around = np.concatenate([np.sort(piece, axis=2)[:, :, 3] for piece in pieces])
    middle, visit = standard[3:-3], points.visit
    whole = (visit[3:-3] >= 0) & (visit[:-6] == visit[3:-3]) & (visit[6:] == visit[3:-3])
    lone = whole[:, None] & (np.abs(middle - around) > LONE_FRAMES)
    result = standard.copy()
    result[3:-3] = np.where(lone, around, middle)
    return result


class Block(NamedTuple):
    """Some neighbouring judged ``frames`` of one visit, at most BLOCK, and the filter over them at once.

    They see the states ``at`` with the weights ``rows`` ``(frames, len(at))``. What is left of them is their error as
    a whole times the ``whitener``, the inverse of ``root``, lower triangles both; that moves all states by ``slopes``
    ``(states, frames)``. The first of the frames by themselves are the first rows and columns of each.
    """

    frames: np.ndarray
    visit: int
    at: np.ndarray
    rows: np.ndarray
    root: np.ndarray
    whitener: np.ndarray
    slopes: np.ndarray


class FilterStream:
    """One pass of many columns through the filter; feed its blocks in order."""

    def __init__(self, state: np.ndarray, settling: slice) -> None:
        self._state, self._settling = state, settling
        self._last_visit = -1

    def feed(self, block: Block, values: np.ndarray, whole: bool = False) -> np.ndarray:
        """Standardised innovations of ``values`` ``(frames, n)``: the block's first frames, the first n columns.

        NaN gives zero, and moves nothing; ``whole``: there is none.
        """
        frames, columns = values.shape
        if block.visit != self._last_visit:
            self._last_visit = block.visit
            self._state[self._settling] = 0.0
        state = self._state[:, :columns]
        error = values - block.rows[:frames] @ state[block.at]
        blank = not whole and bool(np.isnan(error).any())
        left = _substituted(block, error) if blank else block.whitener[:frames, :frames] @ error
        state += block.slopes[:, :frames] @ left
        return left

    def keep(self, columns: np.ndarray, more: int) -> None:
        """Goes on with the ``columns`` (of them all, True to keep), and ``more`` fresh ones behind them."""
        self._state = np.concatenate((self._state[:, columns], np.zeros((len(self._state), more))), axis=1)

    def forget(self, columns: slice) -> None:
        """Starts ``columns`` anew."""
        self._state[:, columns] = 0.0


def _substituted(block: Block, error: np.ndarray) -> np.ndarray:
    """Innovations frame by frame, zero where the ``error`` is NaN."""
    left = np.zeros_like(error)
    for row in range(len(error)):
        left[row] = np.nan_to_num((error[row] - block.root[row, :row] @ left[:row]) / block.root[row, row])
    return left


class HealthyFilter:
    """Runs columns of data or signatures through the healthy model; its ``blocks`` are common to all columns."""

    def __init__(self, design: Design) -> None:
        self.design = design
        self.blocks = tuple(self._covariances())
        self._ends = np.array([block.frames[-1] for block in self.blocks], int)

    def whiten(self, columns: np.ndarray) -> np.ndarray:
        """Standardised innovations of ``columns`` ``(frames, n)``; zero where a frame is not judged or NaN."""
        white = np.zeros(columns.shape)
        stream = self.stream(columns.shape[1])
        for block in self.blocks:
            white[block.frames] = stream.feed(block, columns[block.frames])
        return white

    def stream(self, columns: int) -> FilterStream:
        """A fresh pass of ``columns`` columns through the filter."""
        return FilterStream(np.zeros((self._size, columns)), self._settling)

    def blocks_from(self, first: int) -> tuple[Block, ...]:
        """The blocks from that of frame ``first`` on, with its earlier frames, too."""
        return self.blocks[int(np.searchsorted(self._ends, first)) :]

    @property
    def _size(self) -> int:
        return 2 * self.design.points + len(WARM_UP_S) + 2

    @property
    def _settling(self) -> slice:
        return slice(self._size - 2, self._size)

    def _prior(self) -> np.ndarray:
        design = self.design
        deviation = np.empty(self._size)
        deviation[: design.points] = design.known_spread
        deviation[design.points : 2 * design.points] = design.habits.lean_per_pct
        deviation[2 * design.points : -2] = design.habits.warm_up
        deviation[self._settling] = design.habits.settling
        return np.diag(deviation**2)

    def _covariances(self) -> Iterator[Block]:
        """The blocks in order, from the covariance of the states that those before them leave.

        JOINED blocks of one visit are worked out together: each then is on the diagonal of what they have in common.
        """
        design, spread = self.design, self._prior()
        levels, common = np.arange(design.points), np.arange(2 * design.points, self._size)
        frames = np.flatnonzero(design.point >= 0)
        seen = (np.ones(len(design.point)), design.lean_pct, design.warm, design.settle)
        rows = np.column_stack([column[frames] for column in seen])
        wander = WANDER_PER_FRAME**2 * np.diff(frames, prepend=frames[:1])
        last_visit, visited = -1, set[int]()
        for part in _parts(frames, design.visit, JOINED * BLOCK):
            visit, point = int(design.visit[frames[part.start]]), int(design.point[frames[part.start]])
            if visit != last_visit:
                last_visit = visit
                self._begin_visit(spread, point, again=point in visited)
                visited.add(point)
            at = np.concatenate([[point, design.points + point], common])
            wandered = np.cumsum(wander[part])
            root, whitener, slopes = _joint(spread, at, rows[part], wandered)
            spread -= slopes @ slopes.T
            spread[levels, levels] += wandered[-1]
            for own in _parts(frames[part], design.visit, BLOCK):
                held = frames[part][own], visit, at, rows[part][own]
                yield Block(*held, root[own, own].copy(), whitener[own, own].copy(), slopes[:, own])

    def _begin_visit(self, spread: np.ndarray, point: int, again: bool) -> None:
        """Settling begins anew; a level seen before may have moved, a first one is as unsure as its own prior says."""
        settling = self._settling
        spread[settling, :] = 0.0
        spread[:, settling] = 0.0
        spread[settling, settling] = np.eye(2) * self.design.habits.settling**2
        if again:
            spread[point, point] += self.design.habits.revisit**2


def _parts(frames: np.ndarray, visit: np.ndarray, most: int) -> Iterator[slice]:
    """Judged ``frames`` of one visit between two borders of ``most`` of the run's frames."""
    changed = (np.diff(frames // most) != 0) | (np.diff(visit[frames]) != 0)
    borders = [0, *(np.flatnonzero(changed) + 1).tolist(), len(frames)]
    return (slice(first, end) for first, end in pairwise(borders) if end > first)


def _joint(
    spread: np.ndarray, at: np.ndarray, rows: np.ndarray, wandered: np.ndarray
) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """(root of the frames' covariance, its inverse, slopes) of frames that see the states ``at`` with ``rows``.

    ``wandered`` is the variance by which levels have moved by each frame since ``spread`` was that of the states.
    """
    cross = spread[:, at] @ rows.T
    root = np.linalg.cholesky(rows @ cross[at] + np.minimum.outer(wandered, wandered) + np.eye(len(rows)))
    whitener = np.linalg.inv(root)
    cross[at[0]] += wandered
    return root, whitener, cross @ whitener.T


def _visit_start_s(points: Points, time_s: np.ndarray) -> np.ndarray:
    """Time at which each frame's visit began; the frame's own time where there is none."""
    began = time_s.copy()
    judged = points.visit >= 0
    if judged.any():
        _, first, number = np.unique(points.visit[judged], return_index=True, return_inverse=True)
        began[judged] = time_s[judged][first][number]
    return began
