"""Relay cycles and describing functions: what a swing of constant size tells of a loop, and what it does not.

LOOP-12: exact periodic solution, recomputed here by state space. LOOP-13: the library `control` and closed forms.
LOOP-14: derived (the speed runs at its limit all the time) and simulated here. LOOP-15: Ziegler-Nichols and
Tyreus-Luyben settings, rules from memory, recomputed. The program takes the drive's answer at the swing from pulse and
speed (`analysis/governor/hunting.py`), not from a describing function: LOOP-12 is why.
"""

from __future__ import annotations

import math

import control
import numpy as np
import pytest
from scipy.linalg import expm
from scipy.optimize import brentq


def relay_cycle(numerator: list[float], denominator: list[float]) -> tuple[float, float]:
    """Period and amplitude of the symmetric cycle of an ideal relay of +-1 before a strictly proper plant."""
    plant = control.tf2ss(control.tf(numerator, denominator))
    a, b, c = (np.asarray(part) for part in (plant.A, plant.B, plant.C))
    eye = np.eye(len(a))

    def state(half_s: float) -> np.ndarray:
        """State at a switch to -1, where half a period before the switch to +1 had the opposite one."""
        held = np.linalg.solve(a, (expm(a * half_s) - eye) @ b)
        return np.linalg.solve(eye + expm(a * half_s), held)

    half_s = brentq(lambda half: (c @ state(half)).item(), 0.5, 5.0, xtol=1e-12)
    begin = state(half_s)
    times = np.linspace(0.0, half_s, 4001)
    values = [(c @ (expm(a * t) @ begin - np.linalg.solve(a, (expm(a * t) - eye) @ b))).item() for t in times]
    return 2.0 * half_s, float(np.max(np.abs(values)))


def test_loop_12_relay_without_hysteresis_on_a_triple_lag() -> None:
    period, amplitude = relay_cycle([1.0], [1.0, 3.0, 3.0, 1.0])
    assert period == pytest.approx(3.679751, abs=2e-6)
    assert amplitude == pytest.approx(0.163061, abs=2e-6)
    ultimate = 4.0 / (math.pi * amplitude)
    assert ultimate == pytest.approx(7.808342, abs=1e-4)
    assert ultimate / 8.0 == pytest.approx(0.976, abs=5e-4)  # 8 is exact: 2.4 % are the describing function's


@pytest.mark.parametrize(
    ("part", "amplitude", "expected"),
    [
        (control.relay_hysteresis_nonlinearity(1.0, 0.05), 0.5, 2.533715 - 0.254648j),
        (control.saturation_nonlinearity(1.0), 1.5, 0.780898),
        (control.saturation_nonlinearity(1.0), 2.0, 0.608998),
        (control.saturation_nonlinearity(1.0), 5.0, 0.252940),
        (control.friction_backlash_nonlinearity(1.0), 0.6, 0.109551 - 0.176839j),
        (control.friction_backlash_nonlinearity(1.0), 1.0, 0.5 - 0.318310j),
        (control.friction_backlash_nonlinearity(1.0), 2.0, 0.804499 - 0.238732j),
    ],
)
def test_loop_13_describing_functions(part: object, amplitude: float, expected: complex) -> None:
    assert complex(control.describing_function(part, amplitude)) == pytest.approx(expected, abs=2e-6)


@pytest.mark.parametrize(
    ("steepness", "gain", "lag_deg"), [(2.0, 0.63662, 38.24), (4.0, 0.31831, 66.88), (8.0, 0.15915, 78.68)]
)
def test_loop_14_a_rate_limit_that_is_reached_all_the_time(steepness: float, gain: float, lag_deg: float) -> None:
    """A sine of w = 1 and size 1 through a rate limit of 1 / steepness: gain and lag of the first harmonic."""
    limit, step = 1.0 / steepness, 2.0 * math.pi / 20000
    time_s = np.arange(0.0, 12.0 * math.pi, step)
    # from where the steady triangle stands: an offset from rest would take many turns to die away
    followed, value = np.empty(len(time_s)), -limit * math.acos(math.pi * limit / 2.0)
    for index, wanted in enumerate(np.sin(time_s)):
        value += min(max(wanted - value, -limit * step), limit * step)
        followed[index] = value
    last = time_s >= 10.0 * math.pi
    first = 2.0 * np.mean(followed[last] * np.exp(-1j * (time_s[last] - math.pi / 2.0)))
    assert abs(first) == pytest.approx(gain, rel=0.003)
    assert -np.degrees(np.angle(first)) == pytest.approx(lag_deg, abs=0.5)
    assert 4.0 * limit / math.pi == pytest.approx(gain, abs=1e-5)
    assert math.degrees(math.acos(math.pi * limit / 2.0)) == pytest.approx(lag_deg, abs=0.01)
    assert steepness > math.sqrt(1.0 + math.pi**2 / 4.0) == pytest.approx(1.862096, abs=1e-6)


def test_loop_15_settings_from_a_relay_s_cycle() -> None:
    gain, period = 7.024024, 7.331790  # of LOOP-10's plant
    assert (0.45 * gain, period / 1.2) == pytest.approx((3.160811, 6.109825), rel=1e-5)
    assert (0.6 * gain, period / 2.0, period / 8.0) == pytest.approx((4.214414, 3.665895, 0.916474), rel=1e-5)
    assert (gain / 3.2, 2.2 * period) == pytest.approx((2.195008, 16.129938), rel=1e-5)
