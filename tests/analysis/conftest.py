"""Made-up runs whose truth is known exactly: the shaft angle is a formula, and so is every order."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
import pytest

from whirlbench.samples import Run, SlowSamples, TachPulses, VibrationSamples

RATE_HZ = 1600.0


def speed_to_run(
    rpm: Callable[[np.ndarray], np.ndarray],
    duration_s: float,
    phasors: dict[int, complex | Callable[[np.ndarray], np.ndarray]],
    noise_g: float = 0.0,
    rng: np.random.Generator | None = None,
    axes: tuple[str, ...] = ("ay_g",),
) -> Run:
    """A run whose speed is ``rpm(t)`` and whose vibration is the sum of Re(phasor * exp(2 pi j order * turn))."""
    fine_s = np.linspace(0, duration_s, int(duration_s * 20000) + 1)
    hz = rpm(fine_s) / 60
    turn = np.concatenate([[0.0], np.cumsum((hz[1:] + hz[:-1]) / 2 * np.diff(fine_s))])
    pulses = np.interp(np.arange(0, np.floor(turn[-1]) + 1), turn, fine_s)
    time_s = np.arange(0, duration_s, 1 / RATE_HZ)
    angle = np.interp(time_s, fine_s, turn)
    value = np.zeros(len(time_s))
    for order, phasor in phasors.items():
        value += ((phasor(time_s) if callable(phasor) else phasor) * np.exp(2j * np.pi * order * angle)).real
    rng = rng or np.random.default_rng(0)
    signals = {axis: value + noise_g * rng.standard_normal(len(time_s)) for axis in axes}
    slow_s = np.arange(0, duration_s, 0.02)
    return Run(
        slow=SlowSamples(time_s=slow_s, rpm=np.asarray(rpm(slow_s), dtype=float)),
        tach=TachPulses(pulses),
        vibration=VibrationSamples(time_s, rate_hz=RATE_HZ, **signals),
    )


@pytest.fixture
def make_run() -> Callable[..., Run]:
    return speed_to_run
