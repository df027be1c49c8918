"""Calibration curves: wire counts to units and back, with the standard error of the result.

The only place where counts are scaled. Fitting known points is a subject of its own; here the fitted numbers of a rig
are applied.
"""

from __future__ import annotations

import functools
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from whirlbench.errors import CalibrationError
from whirlbench.rig.description import Calibration


class _Pieces:
    """Straight pieces through corners, the end pieces prolonged; worked out once, used for every sample."""

    def __init__(self, x: np.ndarray, y: np.ndarray) -> None:
        self._x, self._y = x, y
        self._slopes = np.diff(y) / np.diff(x)
        self._straight = (float(x[0]), float(y[0]), float(self._slopes[0])) if len(x) == 2 else None

    def at(self, x: np.ndarray) -> np.ndarray:
        """Values at ``x`` of any shape."""
        if self._straight is not None:
            x_0, y_0, slope = self._straight
            straight: np.ndarray = y_0 + (x - x_0) * slope
            return straight
        piece = np.searchsorted(self._x[1:-1], x, side="right")
        bent: np.ndarray = self._y[piece] + (x - self._x[piece]) * self._slopes[piece]
        return bent


@dataclass(frozen=True)
class Curve:
    """Straight line or line through points, from counts to units.

    ``counts`` and ``values`` are the corner points, ``(n,)`` each, at least two, counts increasing; beyond the ends
    the outermost straight goes on, so that a reading out of range shows as one. ``stderr_zero`` and ``residual`` are
    in units, ``stderr_gain`` is a fraction of the value.
    """

    unit: str
    counts: np.ndarray
    values: np.ndarray
    stderr_zero: float = 0.0
    stderr_gain: float = 0.0
    residual: float = 0.0

    @classmethod
    def of(cls, calibration: Calibration, name: str = "calibration") -> Curve:
        """Curve of a rig's calibration table ``name``; CalibrationError when it has neither gain nor points."""
        counts, values = _corners(calibration, name)
        return cls(
            calibration.unit,
            counts,
            values,
            calibration.stderr_zero,
            calibration.stderr_gain_pct / 100.0,
            calibration.residual,
        )

    def value(self, counts: np.ndarray) -> np.ndarray:
        """Values in the curve's unit for ``counts`` of any shape; NaN stays NaN."""
        return self._forward.at(np.asarray(counts, dtype=float))

    def stderr(self, counts: np.ndarray) -> np.ndarray:
        """Standard error of ``value(counts)``: zero, gain and scatter taken as independent (root of squares).

        Source: law of propagation of uncertainty, JCGM 100:2008, 5.1.2.
        """
        gain_part = self.stderr_gain * self.value(counts)
        return np.sqrt(self.stderr_zero**2 + gain_part**2 + self.residual**2)

    def inverse(self, values: np.ndarray) -> np.ndarray:
        """Counts (not rounded) that give ``values``; CalibrationError when the curve turns back on itself."""
        return self._backward.at(np.asarray(values, dtype=float))

    @functools.cached_property
    def _forward(self) -> _Pieces:
        return _Pieces(self.counts, self.values)

    @functools.cached_property
    def _backward(self) -> _Pieces:
        step = 1 if self.values[-1] > self.values[0] else -1
        if np.any(np.diff(self.values) * step <= 0):
            raise CalibrationError(f"the curve in {self.unit} turns back: one value belongs to several counts")
        return _Pieces(self.values[::step], self.counts[::step])


def curve_through(points: Sequence[tuple[float, float]], unit: str) -> Curve:
    """Curve through ``points`` of (counts or pulse, value), sorted by the first; at least two."""
    if len(points) < 2:
        raise CalibrationError(f"{len(points)} point(s) in {unit}: at least two are needed")
    corners = np.asarray(points, dtype=float)
    return Curve(unit, corners[:, 0], corners[:, 1])


def _corners(calibration: Calibration, name: str) -> tuple[np.ndarray, np.ndarray]:
    if calibration.table is not None:
        corners = np.asarray(calibration.table, dtype=float)
        return corners[:, 0], corners[:, 1]
    if calibration.units_per_count is None:
        raise CalibrationError(f"{name} has neither units_per_count nor table: give one")
    zero = calibration.zero_counts
    return np.array([zero, zero + 1.0]), np.array([0.0, calibration.units_per_count])
