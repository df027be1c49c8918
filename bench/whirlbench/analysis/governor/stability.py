"""How far a loop is from swinging: margins read from the frequency response of drive and controller together."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from whirlbench.analysis.governor.tuning_rules import Gains
from whirlbench.analysis.speed_loop import LoopModel

POINTS_PER_DECADE = 800
NAN = math.nan


@dataclass(frozen=True)
class StabilityMargins:
    """How far a loop is from swinging by itself.

    ``gain_margin`` is a factor, ``max_sensitivity`` the largest |1 / (1 + L)|, ``max_complementary`` the largest |L /
    (1 + L)|, ``delay_margin_s`` the dead time it could still bear. ``gain_margin`` is infinite where the phase never
    reaches half a turn. ``stable`` follows from both margins being positive, which is enough for the loops here
    (open-loop stable, one crossing that matters).
    """

    gain_margin: float
    phase_margin_deg: float
    max_sensitivity: float
    max_complementary: float
    delay_margin_s: float
    crossover_rad_s: float

    @property
    def stable(self) -> bool:
        """Whether both margins are positive."""
        return self.gain_margin > 1.0 and self.phase_margin_deg > 0.0


def stability_margins(model: LoopModel, gains: Gains, extra_delay_s: float = 0.0) -> StabilityMargins:
    """Margins of ``gains`` on ``model`` (same sign of gain) with ``extra_delay_s`` of tach and tick added."""
    omega = _grid(model, extra_delay_s)
    loop = model.frequency_response(omega) * gains.frequency_response(omega)
    phase = _phase(loop, model, gains) - omega * extra_delay_s
    return margins_from_response(omega, np.abs(loop), phase)


def worst_stability_margins(models: Sequence[LoopModel], gains: Gains, extra_delay_s: float = 0.0) -> StabilityMargins:
    """Each margin at its worst over ``models`` (at least one): not the margins of any one of them."""
    each = [stability_margins(model, gains, extra_delay_s) for model in models]
    return StabilityMargins(
        min(one.gain_margin for one in each),
        min(one.phase_margin_deg for one in each),
        max(one.max_sensitivity for one in each),
        max(one.max_complementary for one in each),
        min(one.delay_margin_s for one in each),
        max(one.crossover_rad_s for one in each),
    )


def margins_from_response(omega: np.ndarray, size: np.ndarray, phase: np.ndarray) -> StabilityMargins:
    """Margins of a loop given by ``size`` and *unwrapped* ``phase`` in rad over rising ``omega``, all ``(n,)``."""
    loop = size * np.exp(1j * phase)
    crossover = _falls_through(omega, np.log(size), 0.0)
    phase_there = np.interp(np.log(crossover), np.log(omega), phase) if crossover > 0 else NAN
    margin = math.pi + float(phase_there)
    return StabilityMargins(
        _gain_margin(omega, size, phase),
        math.degrees(margin),
        float(np.max(1.0 / np.abs(1.0 + loop))),
        float(np.max(np.abs(loop) / np.abs(1.0 + loop))),
        margin / crossover if crossover > 0 else NAN,
        crossover,
    )


def _grid(model: LoopModel, extra_delay_s: float) -> np.ndarray:
    """Frequencies from far below the slowest lag to where the dead time has turned the phase by several turns."""
    times = [*model.lags_s(), max(model.dead_time_s + extra_delay_s, 1e-3)]
    low, high = 0.003 / max(times), 30.0 / min(times)
    count = int(POINTS_PER_DECADE * math.log10(high / low))
    return np.geomspace(low, high, count)


def _phase(loop: np.ndarray, model: LoopModel, gains: Gains) -> np.ndarray:
    """Unwrapped phase that starts where an integrator (or two) puts it."""
    start = -math.pi if model.form == "integrating" and gains.integral else -math.pi / 2.0
    phase = np.unwrap(np.angle(loop))
    shifted: np.ndarray = phase + 2.0 * math.pi * round((start - float(phase[0])) / (2.0 * math.pi))
    return shifted


def _gain_margin(omega: np.ndarray, size: np.ndarray, phase: np.ndarray) -> float:
    """Smallest factor over the passages through half a turn from above."""
    falls = np.flatnonzero((phase[:-1] > -math.pi) & (phase[1:] <= -math.pi))
    if not len(falls):
        return math.inf
    part = (phase[falls] + math.pi) / (phase[falls] - phase[falls + 1])
    log_size = np.log(size[falls]) + part * (np.log(size[falls + 1]) - np.log(size[falls]))
    return float(np.exp(-np.max(log_size)))


def _falls_through(omega: np.ndarray, value: np.ndarray, level: float) -> float:
    """Last frequency at which ``value`` falls through ``level``; NaN when it never does."""
    falls = np.flatnonzero((value[:-1] > level) & (value[1:] <= level))
    if not len(falls):
        return NAN
    index = falls[-1]
    part = (value[index] - level) / (value[index] - value[index + 1])
    return float(omega[index] * (omega[index + 1] / omega[index]) ** part)
