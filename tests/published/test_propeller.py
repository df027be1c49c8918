"""Propeller coefficients, PROP rows, and the planning estimate against published curves.

PROP-9 (abstract only) has no number to compare with. Tables are not copied whole: a few rows are enough.
"""

from __future__ import annotations

import math

import numpy as np
import pytest
from textbook_formulas import ideal_thrust_n

from whirlbench.physics.coefficients import (
    PLAUSIBLE_MERIT,
    figure_of_merit,
    power_coefficient,
    power_w,
    thrust_coefficient,
    thrust_n,
    tip_mach,
    torque_n_m,
)
from whirlbench.physics.static_estimate import BladeShape, constant_pitch_twist, static_estimate

DENSITY, SOUND = 1.225, 340.294


@pytest.mark.parametrize(
    ("ct", "cp", "rpm", "diameter_m", "thrust", "power", "torque", "merit"),
    [
        pytest.param(0.1299, 0.0531, 6528.0, 0.254, 7.84039, 88.5698, 0.129562, 0.703489, id="PROP-1-10x4.7"),
        pytest.param(0.1199, 0.0483, 6768.0, 0.2286, 5.10362, 53.0141, 0.074800, 0.685840, id="PROP-2-9x4.7"),
        pytest.param(0.1259, 0.0493, 6021.0, 0.2794, 9.46460, 103.9124, 0.164803, 0.722990, id="PROP-3-11x4.7"),
    ],
)
def test_static_rows(
    ct: float, cp: float, rpm: float, diameter_m: float, thrust: float, power: float, torque: float, merit: float
) -> None:
    """UIUC Propeller Data Site, vol. 1, static files: CT and CP from embedded copies (T2), the rest R."""
    assert thrust_n(ct, rpm, diameter_m, DENSITY) == pytest.approx(thrust, rel=1e-4)
    assert power_w(cp, rpm, diameter_m, DENSITY) == pytest.approx(power, rel=1e-4)
    assert torque_n_m(cp, rpm, diameter_m, DENSITY) == pytest.approx(torque, rel=1e-4)
    assert figure_of_merit(ct, cp) == pytest.approx(merit, abs=1e-5)
    assert thrust_coefficient(thrust, rpm, diameter_m, DENSITY) == pytest.approx(ct, rel=1e-4)
    assert power_coefficient(power, rpm, diameter_m, DENSITY) == pytest.approx(cp, rel=1e-4)


def test_prop_1_ideal_thrust_and_tip_mach() -> None:
    assert ideal_thrust_n(88.5698, 0.254, DENSITY) == pytest.approx(9.91209, abs=1e-4)
    assert tip_mach(6528.0, 0.254, SOUND) == pytest.approx(0.255128, abs=1e-5)


def test_prop_4_actuator_disk() -> None:
    """Momentum theory (R): 100 W through 0.254 m."""
    assert ideal_thrust_n(100.0, 0.254, DENSITY) == pytest.approx(10.747509, abs=1e-5)


def test_prop_5_figure_of_merit_stays_in_the_plausible_gate() -> None:
    """First, middle and last rows of the 10x4.7 table (T2): 0.630 to 0.725 over three tables, and never above 1."""
    merit = figure_of_merit(np.array([0.1059, 0.1200, 0.1299]), np.array([0.0431, 0.0484, 0.0531]))
    assert np.all((merit > 0.62) & (merit < 0.725))
    assert PLAUSIBLE_MERIT[0] < 0.62 and PLAUSIBLE_MERIT[1] > 0.725


def test_prop_6_two_versions_of_one_file_set_the_tolerance_for_thrust() -> None:
    """The same file quotes CT .1299 and, older, .1274 (T2): any comparison of thrust needs at least 2 %."""
    newer, older = (float(thrust_n(ct, 6528.0, 0.254, DENSITY)) for ct in (0.1299, 0.1274))
    assert newer / older == pytest.approx(1.0196, abs=2e-4)


# NACA Report 640 (Hartman and Biermann 1938), Clark Y, four blades, at rest; read from a third party's digitised plot
# (T2), J = 0 ordinates only, good to a few per cent.
NACA_PITCH_DEG = np.array([15.0, 20.0, 25.0, 30.0, 35.0, 40.0, 45.0])
NACA_CT = np.array([0.1588, 0.1870, 0.1957, 0.2080, 0.2153, 0.2186, 0.2298])
NACA_CP = np.array([0.0735, 0.1181, 0.1752, 0.2655, 0.3311, 0.3845, 0.4822])


def test_prop_7_figure_of_merit_falls_with_blade_angle() -> None:
    expected = np.array([0.687, 0.546, 0.394, 0.285, 0.241, 0.212, 0.182])
    assert figure_of_merit(NACA_CT, NACA_CP) == pytest.approx(expected, rel=0.03)


def test_prop_8_power_and_speed_ratios() -> None:
    """Power at one speed, and speed at one power, against blade angle (R)."""
    power = power_w(NACA_CP, 2000.0, 3.0, DENSITY)
    assert power / power[0] == pytest.approx([1.0, 1.61, 2.38, 3.61, 4.50, 5.23, 6.56], rel=0.03)
    assert (NACA_CP[0] / NACA_CP) ** (1.0 / 3.0) == pytest.approx(
        [1.0, 0.854, 0.749, 0.652, 0.606, 0.576, 0.534], rel=0.03
    )


@pytest.mark.parametrize("chord", [0.12, 0.13, 0.14])
def test_estimate_against_naca_640_within_its_own_uncertainty(chord: float) -> None:
    """The planning estimate, with a blade outline of that period from memory, must keep what it says of itself.

    Chord over tip radius at 0.75 radius is from memory (about 0.13) and is varied; the comparison is with PROP-7.
    """
    radius = np.linspace(0.15, 1.0, 20)
    outline = np.interp(radius, [0.15, 0.4, 0.6, 0.75, 0.9, 1.0], [0.6, 1.05, 1.1, 1.0, 0.75, 0.3]) * chord
    blade = BladeShape(4, radius, outline, constant_pitch_twist(radius, math.radians(15.0)))
    estimate = static_estimate(blade, NACA_PITCH_DEG)
    assert np.all(np.abs(estimate.ct / NACA_CT - 1.0)[:5] < estimate.ct_uncertainty)
    unstalled = slice(0, 3)
    assert np.all(np.abs(estimate.cp / NACA_CP - 1.0)[unstalled] < estimate.cp_uncertainty)
    assert np.all(figure_of_merit(estimate.ct, estimate.cp) < 1.0)
