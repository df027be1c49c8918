"""Slow gusts at the disk, and other slow wandering: first-order coloured noise, drawn in blocks."""

from __future__ import annotations

import math

import numpy as np

BLOCK = 512


class Gusts:
    """A stationary first-order (Ornstein-Uhlenbeck) sequence of unit variance at a fixed step."""

    def __init__(self, rng: np.random.Generator, step_s: float, correlation_s: float) -> None:
        self._rng = rng
        self._keep = math.exp(-step_s / correlation_s)
        self._gain = math.sqrt(1.0 - self._keep**2)
        self._value = float(rng.standard_normal())
        self._block: list[float] = []

    def next(self) -> float:
        """The next value; the sequence depends on the generator only, not on how calls are grouped."""
        if not self._block:
            self._block = self._rng.standard_normal(BLOCK).tolist()[::-1]
        self._value = self._keep * self._value + self._gain * self._block.pop()
        return self._value
