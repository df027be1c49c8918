"""Levels of the shaft's orders while it turns: what the latest seconds show, and between what they stood lately."""

from __future__ import annotations

import math
from collections import deque
from collections.abc import Callable
from dataclasses import dataclass

import numpy as np

from whirlbench.analysis.orders import track_orders
from whirlbench.errors import AnalysisError
from whirlbench.samples import Run

EVERY_S, TAIL_S, BAND_S = 1.0, 3.0, 60.0


@dataclass(frozen=True)
class OrderLevel:
    """One order: its amplitude now, and the least and greatest of the last minute, peak g over the axis that has most.

    NaN where the shaft turns too slowly, or samples are missing.
    """

    name: str
    level_g: float = math.nan
    least_g: float = math.nan
    greatest_g: float = math.nan

    def words(self) -> str:
        """Level and band as printed beside the order; "no reading" where there is none."""
        if math.isnan(self.level_g):
            return "no reading"
        return f"{self.level_g:.2f} g, in the last minute {self.least_g:.2f} to {self.greatest_g:.2f}"


class OrderWatch:
    """Follows 1P, 2P, the blade pass and its double for a propeller of ``blades``; at most once a second."""

    def __init__(self, blades: int | None) -> None:
        pass_orders = (blades, 2 * blades) if blades else ()
        self.orders = tuple(sorted({1, 2, *pass_orders}))
        self.names = tuple(f"{order}P, blade pass" if order == blades else f"{order}P" for order in self.orders)
        self._past: deque[tuple[float, np.ndarray]] = deque()
        self.levels = tuple(OrderLevel(name) for name in self.names)
        self._looked_s = -math.inf

    def look(self, time_s: float, tail: Callable[[float], Run]) -> tuple[OrderLevel, ...]:
        """Levels at ``time_s`` of the device; ``tail`` gives the last so many seconds as a run."""
        if time_s < self._looked_s:
            self._past.clear()  # the device began to count anew
        elif time_s - self._looked_s < EVERY_S:
            return self.levels
        self._looked_s = time_s
        now_g = self._now_g(tail(TAIL_S))
        self._past.append((time_s, now_g))
        while time_s - self._past[0][0] > BAND_S:
            self._past.popleft()
        rows = zip(self.names, now_g, np.array([row for _, row in self._past]).T, strict=True)
        self.levels = tuple(_level(*row) for row in rows)
        return self.levels

    def _now_g(self, run: Run) -> np.ndarray:
        """Amplitude of each order in the newest frame that has one, ``(orders,)``; NaN without."""
        try:
            tracks = track_orders(run, self.orders)
        except AnalysisError:
            return np.full(len(self.orders), np.nan)
        level_g = np.where(np.isfinite(tracks.phasor_g), np.abs(tracks.phasor_g), -np.inf).max(axis=0)
        whole = np.flatnonzero(np.isfinite(level_g).any(axis=1))
        newest = level_g[whole[-1]] if len(whole) else np.full(len(self.orders), -np.inf)
        return np.where(np.isfinite(newest), newest, np.nan)


def _level(name: str, now_g: float, past_g: np.ndarray) -> OrderLevel:
    known = past_g[np.isfinite(past_g)]
    return OrderLevel(name, float(now_g), float(known.min()), float(known.max())) if len(known) else OrderLevel(name)
