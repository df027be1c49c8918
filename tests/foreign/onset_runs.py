"""Runs whose beginning is known, made of formulas alone: this module shares no code with the simulator or the analysis.

A shaft on a loose governor or a fixed throttle, orders of vibration on two axes over coloured noise, thrust and current
with gusts. What happens, when and how it grows is an argument. Invented figures, of the size a stand would show.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np

from whirlbench.samples import Run, SlowSamples, TachPulses, VibrationSamples


def grown(shape: str, elapsed_s: np.ndarray, horizon_s: float = 20.0) -> np.ndarray:
    """Share of the final size after ``elapsed_s``, 0 before the beginning, 1 from ``horizon_s`` on."""
    now = np.clip(elapsed_s, 0.0, horizon_s) / horizon_s
    forms: dict[str, Callable[[np.ndarray], np.ndarray]] = {
        "step": lambda x: np.ones_like(x),
        "linear": lambda x: x,
        "square root": np.sqrt,
        "power": lambda x: x**2,
        "exponential": lambda x: np.expm1(4.0 * x) / np.expm1(4.0),
        "saturating": lambda x: -np.expm1(-5.0 * x) / -np.expm1(-5.0),
    }
    return np.where(elapsed_s >= 0.0, forms[shape](now), 0.0)


SHAPES = ("step", "linear", "square root", "power", "exponential", "saturating")


@dataclass(frozen=True)
class Stand:
    """What the made-up stand is like; ``orders`` are (order, size in g) per axis at 4200 rpm."""

    rpm: float = 4200.0
    duration_s: float = 75.0
    slow_hz: float = 50.0
    vibration_hz: float = 800.0
    tach: bool = True
    commands: str = "fixed"  # "fixed" throttle, "follows" the speed unrecorded request, "none" recorded
    orders: tuple[tuple[int, float], ...] = ((1, 0.35), (2, 0.12), (4, 0.2))
    noise_g: float = 0.12
    speed_wander: float = 0.002
    gust: float = 0.01
    warm_up: float = 0.03
    profile: Callable[[np.ndarray], np.ndarray] | None = None


@dataclass(frozen=True)
class Happening:
    """What changes: 1P by ``vector_g``, thrust and current by shares, ``from_s`` on by one of SHAPES."""

    from_s: float = 45.0
    shape: str = "linear"
    vector_g: complex = 0.0
    second_g: complex = 0.0
    thrust: float = 0.0
    current: float = 0.0
    speed: float = 0.0
    axis_gain: float = 0.0  # of the first axis alone
    horizon_s: float = 20.0  # of the growth: it has reached its final size by then

    def share(self, time_s: np.ndarray) -> np.ndarray:
        """Share of the final size at each time."""
        return grown(self.shape, time_s - self.from_s, self.horizon_s)


def wander(time_s: np.ndarray, correlation_s: float, rng: np.random.Generator) -> np.ndarray:
    """A stationary first-order process of unit deviation, drawn at tenths of a second and joined by lines."""
    knots = np.arange(time_s[0], time_s[-1] + 0.2, 0.1)
    keep = np.exp(-0.1 / correlation_s)
    values = np.empty(len(knots))
    values[0] = rng.standard_normal()
    for index, kick in enumerate(np.sqrt(1 - keep**2) * rng.standard_normal(len(knots) - 1)):
        values[index + 1] = keep * values[index] + kick
    return np.interp(time_s, knots, values)


def foreign_run(stand: Stand, rng: np.random.Generator, happening: Happening | None = None) -> Run:
    """One run of ``stand``; healthy without ``happening``."""
    what = happening or Happening()
    fine_s = np.arange(0.0, stand.duration_s, 0.002)
    base = stand.profile(fine_s) if stand.profile else np.full_like(fine_s, stand.rpm)
    share = what.share(fine_s)
    rpm = base * (1.0 + stand.speed_wander * wander(fine_s, 1.0, rng) + what.speed * share)
    turn = np.concatenate([[0.0], np.cumsum((rpm[1:] + rpm[:-1]) / 120.0 * 0.002)])
    pulses = np.interp(np.arange(1.0, np.floor(turn[-1])), turn, fine_s)
    pulses = pulses + 3e-6 * rng.standard_normal(len(pulses))
    return Run(
        _slow(stand, what, fine_s, rpm, rng),
        TachPulses(pulses) if stand.tach else TachPulses(),
        _vibration(stand, what, fine_s, rpm, turn, rng) if stand.vibration_hz else VibrationSamples(),
    )


def _slow(stand: Stand, what: Happening, fine_s: np.ndarray, rpm: np.ndarray, rng: np.random.Generator) -> SlowSamples:
    time_s = np.arange(0.0, stand.duration_s, 1.0 / stand.slow_hz)
    speed, share = np.interp(time_s, fine_s, rpm), what.share(time_s)
    gust, warm = stand.gust * wander(time_s, 1.5, rng), stand.warm_up * np.exp(-time_s / 40.0)
    thrust = 4.2 * (speed / 1000.0) ** 2 * (1.0 + gust + what.thrust * share)
    current = 0.62 * (speed / 1000.0) ** 3 * (1.0 + 0.7 * gust + warm + what.current * share)
    asked = stand.profile(time_s) if stand.profile else np.full_like(time_s, stand.rpm)
    throttle = 1000.0 + 0.124 * asked
    if stand.commands == "follows":
        throttle = 1000.0 + 0.124 * speed + 0.15 * rng.standard_normal(len(time_s))
    return SlowSamples(
        time_s,
        rpm=np.round(speed + 2.0 * rng.standard_normal(len(time_s)), 1),
        thrust_n=np.round(thrust + 0.3 * rng.standard_normal(len(time_s)), 2),
        current_a=np.round(np.maximum(current + 0.3 * rng.standard_normal(len(time_s)), 0.0), 1),
        throttle_us=throttle if stand.commands != "none" else None,
    )


def _vibration(
    stand: Stand, what: Happening, fine_s: np.ndarray, rpm: np.ndarray, turn: np.ndarray, rng: np.random.Generator
) -> VibrationSamples:
    time_s = np.arange(0.0, stand.duration_s, 1.0 / stand.vibration_hz)
    angle, speed = np.interp(time_s, fine_s, turn), np.interp(time_s, fine_s, rpm)
    share, square = what.share(time_s), (speed / 4200.0) ** 2
    axes = {}
    for number, name in enumerate(("ay_g", "az_g")):
        value = np.zeros_like(time_s)
        kept = (one for one in stand.orders if one[0] * speed.max() / 60.0 < 0.45 * stand.vibration_hz)
        for order, size in kept:  # what lies above is filtered away before sampling, as a chain without aliases does
            phasor = size * (1.0 - 0.3 * number) * np.exp(1j * (order + 1.3 * number)) * np.ones_like(time_s)
            added = {1: what.vector_g, 2: what.second_g}.get(order, 0.0)
            phasor = phasor * (1.0 + stand.warm_up * np.exp(-time_s / 40.0)) + added * 1j**number * share
            value += (square * phasor * np.exp(2j * np.pi * order * angle)).real
        noise = rng.standard_normal(len(time_s) + 1)
        value += stand.noise_g * square * (noise[1:] + 0.5 * noise[:-1]) / np.sqrt(1.25)
        axes[name] = value * (1.0 + what.axis_gain * share * (number == 0))
    return VibrationSamples(time_s, rate_hz=stand.vibration_hz, **axes)
