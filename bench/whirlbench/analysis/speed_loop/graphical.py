"""First order plus dead time read off a step answer at two levels: the pencil-and-ruler fits, as a cross-check.

Their constants are rounded, as published: on a perfect record Smith's are 0.05 % and Sundaresan and Krishnaswamy's
0.7 % (lag) and 4 % (dead time) off. They ignore noise, drift and any second lag.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np


@dataclass(frozen=True)
class TwoPointFit:
    """Time constant and dead time in s, by the method named."""

    method: str
    time_constant_s: float
    dead_time_s: float


def smith(time_28_s: float, time_63_s: float) -> TwoPointFit:
    """Fit through 28.3 % and 63.2 % of the answer; times in s since the step.

    Source: C. L. Smith, Digital Computer Process Control (1972), from memory.
    """
    lag = 1.5 * (time_63_s - time_28_s)
    return TwoPointFit("Smith, 28.3 and 63.2 %", lag, time_63_s - lag)


def sundaresan_krishnaswamy(time_35_s: float, time_85_s: float) -> TwoPointFit:
    """Fit through 35.3 % and 85.3 % of the answer; times in s since the step.

    Source: Sundaresan and Krishnaswamy, Can. J. Chem. Eng. 56 (1978), from memory.
    """
    return TwoPointFit(
        "Sundaresan-Krishnaswamy, 35.3 and 85.3 %",
        0.67 * (time_85_s - time_35_s),
        1.3 * time_35_s - 0.29 * time_85_s,
    )


def two_point_fits(since_s: np.ndarray, part: np.ndarray) -> tuple[TwoPointFit, ...]:
    """Both fits of an answer ``part`` (0 before, 1 settled) sampled at ``since_s`` after the step, both ``(n,)``.

    A level that is never crossed leaves its fit out; NaN samples are ignored.
    """
    fits = []
    for method, levels in ((smith, (0.283, 0.632)), (sundaresan_krishnaswamy, (0.353, 0.853))):
        times = [crossing_s(since_s, part, level) for level in levels]
        if all(np.isfinite(times)):
            fits.append(method(*times))
    return tuple(fits)


def crossing_s(since_s: np.ndarray, part: np.ndarray, level: float) -> float:
    """First time at which ``part`` rises through ``level``, straight between samples; NaN when it never does."""
    fine = np.isfinite(part)
    time, value = since_s[fine], part[fine]
    above = np.flatnonzero(value >= level)
    if not len(above) or above[0] == 0:
        return float("nan")
    index = above[0]
    low, high = value[index - 1], value[index]
    return float(time[index - 1] + (level - low) / (high - low) * (time[index] - time[index - 1]))
