"""Resonances against a single-degree-of-freedom response that is known exactly."""

from dataclasses import replace

import numpy as np
import pytest

from whirlbench.analysis.orders import find_resonances
from whirlbench.analysis.orders.resonance import find_ramps, fit_resonance
from whirlbench.errors import AnalysisError
from whirlbench.rig.toml import example_rig_text, parse_rig
from whirlbench.samples import VibrationSamples
from whirlbench.simulator.runs import simulate_run
from whirlbench.simulator.stand import PlantSettings, Schedule, SetPoint

NATURAL_HZ, DAMPING = 62.0, 0.03


def unbalance_response(frequency_hz):
    w, w0 = 2 * np.pi * frequency_hz, 2 * np.pi * NATURAL_HZ
    return 0.4 * np.exp(0.8j) * w**4 / w0**2 / (w0**2 - w**2 + 2j * DAMPING * w * w0) * 0.1


def test_exact_response_gives_exact_mode():
    frequency_hz = np.linspace(40, 90, 120)
    natural, damping, *_ = fit_resonance(frequency_hz, unbalance_response(frequency_hz))
    assert natural == pytest.approx(NATURAL_HZ, rel=1e-4)
    assert damping == pytest.approx(DAMPING, rel=1e-3)


def test_noise_and_a_second_mode_far_above_leave_it_in_place():
    rng = np.random.default_rng(5)
    errors = []
    for _ in range(30):
        frequency_hz = np.linspace(40, 90, 150)
        noise = rng.standard_normal((2, 150)) * 0.02
        far = 0.02 * (frequency_hz / 60) ** 2
        fit = fit_resonance(frequency_hz, unbalance_response(frequency_hz) + far + noise[0] + 1j * noise[1])
        errors.append(((fit[0] - NATURAL_HZ) / fit[2], (fit[1] - DAMPING) / fit[3]))
    assert np.abs(np.mean(errors, axis=0)).max() < 0.6  # no bias that the stated error would hide
    assert 0.6 < np.std(errors, axis=0).max() < 1.6  # the stated error is the actual scatter


def test_run_up_and_coast_down_find_the_same_mode(make_run):
    def rpm(time_s):
        return np.where(time_s < 60, 2200 + 50 * time_s, 5200 - 50 * (time_s - 60))

    def phasor(time_s):
        return unbalance_response(rpm(time_s) / 60)

    run = make_run(rpm, 118.0, {1: phasor}, noise_g=0.05)
    (found,) = find_resonances(run, (1,))
    assert (found.axis, found.order, found.certainty) == ("ay_g", 1, "sure")
    assert found.rpm == pytest.approx(NATURAL_HZ * 60, rel=0.005)
    assert found.natural_hz == pytest.approx(NATURAL_HZ, abs=3 * found.stderr_hz)
    assert found.damping_ratio == pytest.approx(DAMPING, rel=0.15)
    assert sorted(one.ramp.rising for one in found.passes) == [False, True]
    assert not any(one.swept_too_fast for one in found.passes)
    (first,) = find_resonances(run, (1,), until_s=59.0)  # the coast-down begins later
    assert first.certainty == "likely" and [one.ramp.rising for one in first.passes] == [True]


def test_a_sweep_that_is_too_fast_leaves_doubt(make_run):
    run = make_run(lambda t: 2200 + 1500 * t, 2.0, {1: lambda t: unbalance_response((2200 + 1500 * t) / 60)})
    (found,) = find_resonances(run, (1,))
    assert found.certainty == "doubtful" and found.passes[0].swept_too_fast


@pytest.mark.parametrize("seed", [1, 2, 3])
def test_the_simulated_stand_shows_the_resonances_that_it_was_given(seed):
    """Run-ups and coast-downs as they happen: fast, with every order, rough air and sensor noise."""
    settings = PlantSettings.from_rig(parse_rig(example_rig_text()))
    up, down = ((0.0, 1000.0), (2.0, 1650.0)), ((12.0, 1000.0),)
    points = tuple(SetPoint(at_s, throttle_us=pulse_us) for at_s, pulse_us in (*up, *down))
    run = simulate_run(settings, Schedule(points, 20.0), np.random.default_rng(seed))
    found = [one for one in find_resonances(run) if one.certainty != "doubtful"]
    assert ("ay_g", 1) in {(one.axis, one.order) for one in found}
    axes = ("ax_g", "ay_g", "az_g")
    for one in found:
        truth_hz = settings.stand.resonance_hz[axes.index(one.axis)]
        assert one.natural_hz == pytest.approx(truth_hz, abs=max(3 * one.stderr_hz, 0.01 * truth_hz))
        assert one.rpm == pytest.approx(one.natural_hz * 60 / one.order)


def test_a_response_without_a_mode_gives_none(make_run):
    run = make_run(lambda t: 2200 + 50 * t, 50.0, {1: lambda t: 1e-8 * (2200 + 50 * t) ** 2}, noise_g=0.02)
    assert find_resonances(run, (1,)) == ()


def test_a_hold_is_no_ramp(make_run):
    with pytest.raises(AnalysisError, match="no run-up or coast-down"):
        find_resonances(make_run(lambda t: np.full_like(t, 3000.0), 10.0, {1: 1.0}), (1,))
    assert find_ramps(np.arange(50.0), np.full(50, np.nan)) == ()


def test_silence_and_a_missing_accelerometer_are_told_apart(make_run):
    silent = make_run(lambda t: 2200 + 50 * t, 50.0, {}, noise_g=0.0)
    assert find_resonances(silent, (1,)) == ()
    with pytest.raises(AnalysisError, match="no vibration was recorded"):
        find_resonances(replace(silent, vibration=VibrationSamples()), (1,))
