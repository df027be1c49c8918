"""The turning shaft: angle, speed, and the instants at which the tach mark passes its pick-up."""

from __future__ import annotations

import math

import numpy as np

from whirlbench.simulator.stand.faults import Effects

RESTING_ANGLE_RAD = 2.3  # the mark does not happen to rest at the pick-up


class Shaft:
    """Angle 0, and every whole turn, is where the mark fires the tach; so are the even fractions of it."""

    def __init__(self, pulses_per_rev: int, rng: np.random.Generator, step_s: float) -> None:
        self.angle_rad = RESTING_ANGLE_RAD
        self.speed_rad_s = 0.0
        self._step_s = step_s
        self._rng = rng
        self._spacing = 2.0 * math.pi / pulses_per_rev
        self._next_edge = math.ceil(self.angle_rad / self._spacing) * self._spacing
        self._edges: list[float] = []

    def turn(self, after_rad_s: float, start_s: float, effects: Effects) -> None:
        """One step that begins at ``start_s`` and ends with a new speed; between them the speed is a straight line."""
        start, before = self.angle_rad, self.speed_rad_s
        self.angle_rad = start + 0.5 * (before + after_rad_s) * self._step_s
        self.speed_rad_s = after_rad_s
        while self._next_edge <= self.angle_rad:
            rate = (after_rad_s - before) / self._step_s
            way = self._next_edge - start
            reach_s = 2.0 * way / (before + math.sqrt(max(0.0, before * before + 2.0 * rate * way)))
            self._next_edge += self._spacing
            if not effects.tach_lost and not self._is_missed(effects.tach_missed_share):
                self._edges.append(start_s + reach_s)

    def take_edges(self) -> list[float]:
        """Times in s of the edges since the last call."""
        edges, self._edges = self._edges, []
        return edges

    def _is_missed(self, share: float) -> bool:
        return share > 0.0 and bool(self._rng.random() < share)
