"""The planning estimate behaves like a propeller."""

from __future__ import annotations

import math

import numpy as np
import pytest

from whirlbench.physics.coefficients import figure_of_merit
from whirlbench.physics.static_estimate import BladeShape, SectionPolar, constant_pitch_twist, static_estimate

RADIUS = np.linspace(0.15, 1.0, 18)


def blade(count: int = 4, chord: float = 0.1) -> BladeShape:
    return BladeShape(count, RADIUS, np.full(18, chord), constant_pitch_twist(RADIUS, math.radians(14.0)))


def test_thrust_and_power_rise_with_blade_angle_below_stall() -> None:
    estimate = static_estimate(blade(), np.arange(0.0, 17.0, 1.0))
    assert np.all(np.diff(estimate.ct) > 0.0)
    assert np.all(np.diff(estimate.cp) > 0.0)


def test_figure_of_merit_is_that_of_a_real_propeller_in_the_useful_range() -> None:
    estimate = static_estimate(blade(), np.array([8.0, 10.0, 12.0, 14.0]))
    merit = np.asarray(figure_of_merit(estimate.ct, estimate.cp))
    assert np.all((merit > 0.45) & (merit < 0.85))


def test_more_blade_gives_more_thrust_and_takes_more_power() -> None:
    little, much = (static_estimate(blade(count), np.array([12.0])) for count in (2, 4))
    assert much.ct[0] > little.ct[0] and much.cp[0] > little.cp[0]


def test_coarse_negative_angles_pull_backwards() -> None:
    assert static_estimate(blade(), np.array([-12.0])).ct[0] < 0.0


def test_without_profile_drag_no_more_thrust_than_the_actuator_disk() -> None:
    ideal = SectionPolar(least_drag=0.0, drag_lift2=0.0, highest_lift=9.0, stalled_drag=0.0)
    estimate = static_estimate(blade(), np.arange(4.0, 20.0, 2.0), ideal)
    assert np.all(np.asarray(figure_of_merit(estimate.ct, estimate.cp)) < 1.0)


def test_constant_pitch_twist_is_zero_at_three_quarters() -> None:
    assert constant_pitch_twist(np.array([0.75]), 0.25)[0] == pytest.approx(0.0, abs=1e-12)
    assert np.all(np.diff(constant_pitch_twist(RADIUS, 0.25)) < 0.0)
