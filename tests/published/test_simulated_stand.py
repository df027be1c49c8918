"""The simulated stand against published figures: it may stand in for a real one only where these hold."""

from __future__ import annotations

import numpy as np
import pytest
from textbook_formulas import electrical_rpm

from whirlbench.physics.coefficients import figure_of_merit
from whirlbench.physics.drive import cell_voltage_v, torque_constant
from whirlbench.simulator.stand.propeller import Blades

# NACA Report 640 (Hartman and Biermann, 1938): Clark Y, four blades, at rest, blade angle at 0.75 radius. Read from a
# third party's digitised plots, not from the report's own table; digitising error 1 to 2 % of full scale. Full-size
# blades, wider than ours: shapes and ratios are compared, not CT itself.
NACA_640 = {15.0: (0.0735, 0.687), 20.0: (0.1181, 0.546), 25.0: (0.1752, 0.394)}  # CP, figure of merit


@pytest.mark.parametrize("pitch_deg", NACA_640)
def test_figure_of_merit_falls_with_pitch_as_measured(pitch_deg):
    table = Blades().table
    merit = float(figure_of_merit(table.ct(pitch_deg), table.cp(pitch_deg)))
    assert merit == pytest.approx(NACA_640[pitch_deg][1], abs=0.05)


@pytest.mark.parametrize("pitch_deg", [20.0, 25.0])
def test_power_grows_with_pitch_as_measured(pitch_deg):
    table = Blades().table
    measured = NACA_640[pitch_deg][0] / NACA_640[15.0][0]
    assert float(table.cp(pitch_deg) / table.cp(15.0)) == pytest.approx(measured, rel=0.12)


def test_coefficients_grow_slowly_with_speed_as_model_propellers_do():
    # UIUC vol. 1, a two-blade 10 x 4.7 model propeller at rest (read from a copy of the data file):
    # CT .1104 at 3234 rpm, .1299 at 6528 rpm. Ours is larger, with less of a Reynolds number effect.
    measured = 0.1299 / 0.1104 - 1.0
    table = Blades().table
    growth = float(table.ct(14.0, 6528.0) / table.ct(14.0, 3234.0)) - 1.0
    assert 0.0 < growth < measured


def test_torque_constant():
    # Kt = 60 / (2 pi Kv): textbook identity
    assert [torque_constant(kv) for kv in (400.0, 920.0, 1000.0)] == pytest.approx(
        [0.0238732, 0.0103797, 0.00954930], rel=1e-5
    )


def test_electrical_speed_counts_pole_pairs():
    # 8000 rpm with 14 poles: 56000 electrical rpm; counting poles gives the classic double (common practice, no source)
    assert electrical_rpm(8000.0, 1.0, 7) == 56000.0


def test_cell_voltage_lies_where_practice_puts_it():
    # 4.2 V full, about 3.7 to 3.85 V in the middle, 3.3 to 3.5 V as a floor: common practice, no source
    full, middle, floor = cell_voltage_v(np.array([1.0, 0.5, 0.04]))
    assert full == 4.2 and 3.7 < middle < 3.85 and 3.3 < floor < 3.5
