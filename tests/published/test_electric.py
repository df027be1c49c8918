"""Motor constants and cross-checks, ELE rows.

Not covered here: ELE-4 and ELE-5 (load-cell amplifier), ELE-6 (pulse widths, common practice).
"""

from __future__ import annotations

import math

import numpy as np
import pytest
from textbook_formulas import electrical_rpm

from whirlbench.physics.coefficients import power_w, torque_n_m
from whirlbench.physics.drive import cell_voltage_v, torque_constant
from whirlbench.units import rad_s_from_rpm


@pytest.mark.parametrize(("kv", "expected"), [(400.0, 0.0238732), (920.0, 0.0103797), (1000.0, 0.00954930)])
def test_ele_1_torque_constant(kv: float, expected: float) -> None:
    """60 / (2 pi Kv), textbook (R)."""
    assert torque_constant(kv) == pytest.approx(expected, abs=1e-7)


def test_ele_2_electrical_speed_counts_pole_pairs() -> None:
    """Practice (R): 14 poles are 7 pairs; counting poles doubles the answer."""
    assert electrical_rpm(8000.0, 1.0, 7) == 56000.0
    assert electrical_rpm(8000.0, 1.0, 7) / 60.0 == pytest.approx(933.33, abs=0.01)


def test_ele_3_power_is_torque_times_speed() -> None:
    """Identity on PROP-1 (R): 0.129562 N m at 6528 rpm are 88.57 W."""
    assert 0.129562 * rad_s_from_rpm(6528.0) == pytest.approx(88.57, abs=0.01)
    torque, power = (float(f(0.0531, 6528.0, 0.254, 1.225)) for f in (torque_n_m, power_w))
    assert torque * 2.0 * math.pi * 6528.0 / 60.0 == pytest.approx(power, rel=1e-12)


def test_ele_7_cell_voltage() -> None:
    """4.2 V full, about 3.7 V nominal: common practice, no source (low trust)."""
    full, nominal = cell_voltage_v(np.array([1.0, 0.25]))
    assert full == pytest.approx(4.2)
    assert nominal == pytest.approx(3.7, abs=0.05)
