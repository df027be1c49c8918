"""The accelerometer's scale from gravity: each axis held up and down in turn."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np

from whirlbench.calibration.known_points import WHOLE_COUNT
from whirlbench.errors import CalibrationError

STANDARD_GRAVITY_G = 1.0
# Sensitivity of one part against the next, and of the mounting's squareness: a few per cent; ten is another sensor, or
# another range of it. Data sheets of such parts give +/- 10 %.
MOST_SPREAD_PCT = 10.0
MOST_CROSS = 0.25  # share of 1 g that the other axes may show: the part leans by less than 15 degrees


@dataclass(frozen=True)
class AxisFit:
    """Scale of each axis, g a count, from readings at +1 g and -1 g; ``zero_counts`` the middle between them.

    ``g_per_count`` is the greatest of the axes: a vibration is then shown too great by ``spread_pct`` at most, and
    never too small.
    """

    axes: Mapping[str, float]
    zero_counts: Mapping[str, float]
    stderr_pct: float

    @property
    def g_per_count(self) -> float:
        """The scale to use for every axis."""
        return max(self.axes.values())

    @property
    def spread_pct(self) -> float:
        """How much the least sensitive axis differs from the most sensitive one, per cent."""
        return 100.0 * (max(self.axes.values()) / min(self.axes.values()) - 1.0)


def fit_axes(
    up: Mapping[str, Mapping[str, float]], down: Mapping[str, Mapping[str, float]], scatter_counts: float = WHOLE_COUNT
) -> AxisFit:
    """Scales from mean counts of every axis, ``up["ax_g"]`` with that axis upwards (it feels +1 g), and ``down``.

    CalibrationError when the axis that was turned is not the one that answered, an axis is dead, a pair is exchanged,
    or the axes differ by more than a part may.
    """
    scales, zeros = {}, {}
    for axis in sorted(up.keys() ^ down.keys()):
        raise CalibrationError(f"{axis}: read {'upwards' if axis in up else 'downwards'} only; both ways are needed")
    for axis, readings in up.items():
        change = {name: (counts - down[axis][name]) / 2.0 for name, counts in readings.items()}
        _refuse_other_axis(axis, change)
        scales[axis] = STANDARD_GRAVITY_G / change[axis]
        zeros[axis] = (readings[axis] + down[axis][axis]) / 2.0
    if not scales:
        raise CalibrationError("accelerometer: no axis was read")
    fit = AxisFit(scales, zeros, 100.0 * scatter_counts / np.sqrt(2.0) * max(scales.values()))
    if fit.spread_pct > MOST_SPREAD_PCT:
        listed = ", ".join(f"{axis} {scale:.5f}" for axis, scale in scales.items())
        raise CalibrationError(
            f"accelerometer: the axes differ by {fit.spread_pct:.0f} % (g a count: {listed}); a part keeps within "
            f"{MOST_SPREAD_PCT:g} %: one was not upright, or is damaged"
        )
    return fit


def _refuse_other_axis(axis: str, change: Mapping[str, float]) -> None:
    greatest = max(change, key=lambda name: abs(change[name]))
    if change[greatest] == 0.0 or not np.isfinite(list(change.values())).all():
        raise CalibrationError(f"{axis}: nothing changed between up and down: the accelerometer does not answer")
    if greatest != axis:
        raise CalibrationError(
            f"{axis} was turned, but {greatest} answered: the axes are exchanged, or the wrong one stood up"
        )
    if change[axis] < 0.0:
        raise CalibrationError(f"{axis}: up and down are exchanged: upwards an axis reads more counts than downwards")
    leans = max((abs(value) for name, value in change.items() if name != axis), default=0.0) / change[axis]
    if leans > MOST_CROSS:
        raise CalibrationError(
            f"{axis}: another axis shows {leans * 100:.0f} % of gravity: the part was not upright (a flat face of the "
            "stand against a square will do)"
        )
