"""Balancing against rotors whose unbalance is known."""

from dataclasses import replace

import numpy as np
import pytest

from whirlbench.analysis.balance import (
    balance,
    balance_with_influence,
    correction_for,
    even_holes,
    grade_mm_s,
    split_over_holes,
    vectors_1p,
    velocities,
)
from whirlbench.errors import AnalysisError
from whirlbench.samples import Run, TachPulses

INFLUENCE = 0.004 * np.exp(2.2j)  # g per g mm at 4800 rpm


def polar(size, degrees):
    return size * np.exp(1j * np.radians(degrees))


def spin(make_run, unbalance, rpm=4800.0, seed=0, noise_g=0.05, duration_s=20.0, wander_rpm=3.0):
    """The force goes with the square of the speed, within a run as between runs."""

    def speed(t):
        return np.full_like(t, rpm) + wander_rpm * np.sin(t)

    return make_run(
        speed,
        duration_s,
        {1: lambda t: INFLUENCE * unbalance * (speed(t) / 4800) ** 2, 4: 0.3},
        noise_g=noise_g,
        rng=np.random.default_rng(seed),
        axes=("ay_g", "az_g"),
    )


def test_known_unbalance_is_found_and_its_correction_cancels_it(make_run):
    truth, added = polar(60.0, 217.0), polar(2.0 * 40.0, 90.0)
    found = balance(spin(make_run, truth), spin(make_run, truth + added, seed=1), 2.0, 90.0, 40.0)
    assert found.unbalance_g_mm == pytest.approx(60.0, abs=4 * found.stderr_g_mm)
    assert found.unbalance_deg == pytest.approx(217.0, abs=4 * found.stderr_deg)
    weight = correction_for(found.vector_g_mm, 40.0)
    left = truth + polar(weight.mass_g * weight.radius_mm, weight.angle_deg)
    assert abs(left) < 4 * found.stderr_g_mm
    assert found.stderr_g_mm < 2.0


def test_stated_error_is_the_scatter(make_run):
    truth, added = polar(40.0, 70.0), polar(60.0, 300.0)
    errors = []
    for seed in range(12):
        runs = [
            spin(make_run, u, seed=2 * seed + k, duration_s=8.0, noise_g=0.3)
            for k, u in enumerate((truth, truth + added))
        ]
        found = balance(*runs, 1.5, 300.0, 40.0)
        errors.append((found.vector_g_mm - truth) / found.stderr_g_mm)
    rms = np.sqrt(np.mean(np.abs(errors) ** 2) / 2)
    assert 0.6 < rms < 1.5


def test_slightly_different_speeds_are_compared_by_speed_squared(make_run):
    truth, added = polar(60.0, 217.0), polar(80.0, 90.0)
    runs = (spin(make_run, truth, wander_rpm=15.0), spin(make_run, truth + added, 4870.0, 1, wander_rpm=15.0))
    found = balance(*runs, 2.0, 90.0, 40.0)
    assert abs(found.vector_g_mm - truth) < 1.5
    assert found.influence.log_slope == pytest.approx(2.0, abs=4 * found.influence.log_slope_stderr.max())
    assert found.apart == pytest.approx(70.0 / 4800.0, rel=0.01)


def test_a_speed_that_hardly_wanders_leaves_a_wide_answer_where_the_speeds_differ(make_run):
    truth, added = polar(60.0, 217.0), polar(80.0, 90.0)
    still, moved = (
        balance(spin(make_run, truth), spin(make_run, truth + added, rpm, 1), 2.0, 90.0, 40.0) for rpm in (4800, 4870)
    )
    assert abs(moved.vector_g_mm - truth) < 3.0 * moved.stderr_g_mm
    assert moved.stderr_g_mm > 4.0 * still.stderr_g_mm


def test_kept_influence_needs_no_trial_mass(make_run):
    truth, added = polar(60.0, 217.0), polar(80.0, 90.0)
    kept = balance(spin(make_run, truth), spin(make_run, truth + added, seed=1), 2.0, 90.0, 40.0).influence
    later = balance_with_influence(spin(make_run, polar(11.0, 20.0), seed=7), kept)
    assert abs(later.vector_g_mm - polar(11.0, 20.0)) < 4 * later.stderr_g_mm
    with pytest.raises(AnalysisError, match="kept influence is for 4800 rpm"):
        balance_with_influence(spin(make_run, truth, rpm=3000.0), kept)


def test_what_cannot_be_balanced_is_refused_by_name(make_run):
    run = spin(make_run, 60.0)
    with pytest.raises(AnalysisError, match="no tach pulses"):
        vectors_1p(replace(run, tach=TachPulses()))
    with pytest.raises(AnalysisError, match="balancing needs one mark"):
        vectors_1p(replace(run, tach=TachPulses(run.tach.time_s, 2)))
    with pytest.raises(AnalysisError, match="no vibration"):
        vectors_1p(replace(run, vibration=Run().vibration))
    with pytest.raises(AnalysisError, match="no steady stretch"):
        vectors_1p(make_run(lambda t: 3000 + 400 * t, 5.0, {1: 1.0}))
    with pytest.raises(AnalysisError, match="standard errors: use a heavier one"):
        balance(run, spin(make_run, 60.0, seed=5), 0.001, 0.0, 10.0)
    with pytest.raises(AnalysisError, match="share no speed"):
        balance(run, spin(make_run, 90.0, rpm=3000.0), 1.0, 0.0, 30.0)
    with pytest.raises(AnalysisError, match="both must be above zero"):
        balance(run, run, 0.0, 0.0, 30.0)


@pytest.mark.parametrize("angle", range(0, 360, 17))
def test_split_over_holes_cancels_with_the_two_that_embrace_it(angle):
    split = split_over_holes(polar(100.0, angle), 50.0, even_holes(6, 10.0))
    assert split.left_g_mm == pytest.approx(0.0, abs=1e-9)
    assert all(mass.mass_g > 0 for mass in split.masses)
    spread = {(mass.angle_deg - angle - 180 + 180) % 360 - 180 for mass in split.masses}
    assert all(abs(one) <= 60.0 + 1e-9 for one in spread)


def test_split_rounds_to_what_can_be_had_and_says_what_is_left():
    split = split_over_holes(polar(100.0, 33.0), 50.0, even_holes(8), step_g=0.25)
    assert all((mass.mass_g / 0.25) % 1 == pytest.approx(0.0, abs=1e-9) for mass in split.masses)
    assert 0 < split.left_g_mm < 0.25 * 50.0
    one_sided = split_over_holes(polar(100.0, 0.0), 50.0, (300.0, 60.0))
    assert one_sided.left_g_mm > 50.0  # no hole on the light side
    with pytest.raises(AnalysisError, match="give two or more"):
        split_over_holes(1.0, 50.0, (10.0, 370.0))
    with pytest.raises(AnalysisError, match="at least two"):
        even_holes(1)


def test_grade_and_velocity_are_told_apart(make_run):
    shown = velocities(vectors_1p(spin(make_run, 60.0)))
    assert {one.axis for one in shown} == {"ay_g", "az_g"}
    assert shown[0].sine.acceleration_g_peak == pytest.approx(0.24, abs=0.01)
    assert 40.0 < grade_mm_s(60.0, 0.4, 4800) <= 100.0  # G100 of the ISO 21940-11 series
    assert 2.5 < grade_mm_s(2.0, 0.4, 4800) <= 6.3  # G6.3
    with pytest.raises(AnalysisError, match="needs both above zero"):
        grade_mm_s(1.0, 0.0, 100.0)
