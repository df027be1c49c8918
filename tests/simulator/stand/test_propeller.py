"""The true coefficients: physics' bounds, the kink at stall, agreement of the two ways to read the table."""

from __future__ import annotations

import numpy as np
import pytest

from whirlbench.physics.coefficients import figure_of_merit
from whirlbench.simulator.stand import PlantSettings
from whirlbench.simulator.stand.propeller import REFERENCE_RPM, Blades

PITCH = np.arange(-4.0, 26.01, 0.25)


def test_no_better_than_momentum_theory_allows(rng):
    for _ in range(200):
        blades = PlantSettings.random(rng, 0.3).blades
        for rpm in (1500.0, 4500.0, 6500.0):
            ct, cp = blades.table.ct(PITCH, rpm), blades.table.cp(PITCH, rpm)
            lifting = ct > 0.0
            assert np.all(figure_of_merit(ct[lifting], cp[lifting]) < 0.80)


def test_figure_of_merit_of_the_default_blades_is_plausible():
    table = Blades().table
    merit = figure_of_merit(table.ct(PITCH[PITCH > 0]), table.cp(PITCH[PITCH > 0]))
    assert 0.63 < merit.max() < 0.75  # published model propellers at rest: 0.63 to 0.73


def test_coefficients_kink_at_stall_and_nowhere_else():
    blades = Blades()
    grid = blades.table.pitch_deg
    flying = (grid > 4.0) & (grid < 25.0)
    bend = np.abs(np.diff(blades.table.ct(grid), 2))[flying[1:-1]]
    at = grid[1:-1][flying[1:-1]][np.argmax(bend)]
    assert at == pytest.approx(blades.stall_pitch_deg, abs=0.26)
    near = np.abs(grid[1:-1][flying[1:-1]] - blades.stall_pitch_deg) < 0.3
    assert bend[near].max() > 20 * bend[~near].max()


def test_power_rises_with_pitch_from_fine_to_coarse():
    assert np.all(np.diff(Blades().table.cp(PITCH[PITCH > 0.0])) > 0.0)


def test_a_coarser_stall_angle_moves_the_kink():
    assert Blades(stall_deg=12.0).stall_pitch_deg > Blades(stall_deg=9.0).stall_pitch_deg + 3.0


@pytest.mark.parametrize("rpm", [1000.0, REFERENCE_RPM, 6200.0])
def test_quick_reading_equals_the_array(rpm):
    table = Blades().table
    for pitch in (-30.0, -4.0, 0.06, 13.3, 26.0, 44.99, 60.0):
        assert table.at(pitch, rpm) == pytest.approx((float(table.ct(pitch, rpm)), float(table.cp(pitch, rpm))))
