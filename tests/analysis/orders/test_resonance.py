"""Resonances against a single-degree-of-freedom response that is known exactly."""

import numpy as np
import pytest

from whirlbench.analysis.orders import find_resonances
from whirlbench.analysis.orders.resonance import find_ramps, fit_resonance
from whirlbench.errors import AnalysisError

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
    found = [one for one in find_resonances(run, (1,))]
    assert [one.ramp.rising for one in found] == [True, False]
    for one in found:
        assert one.rpm == pytest.approx(NATURAL_HZ * 60, rel=0.005)
        assert one.damping_ratio == pytest.approx(DAMPING, rel=0.15)
        assert not one.swept_too_fast


def test_a_response_without_a_mode_gives_none(make_run):
    run = make_run(lambda t: 2200 + 50 * t, 50.0, {1: lambda t: 1e-8 * (2200 + 50 * t) ** 2}, noise_g=0.02)
    assert find_resonances(run, (1,)) == ()


def test_a_hold_is_no_ramp(make_run):
    with pytest.raises(AnalysisError, match="no run-up or coast-down"):
        find_resonances(make_run(lambda t: np.full_like(t, 3000.0), 10.0, {1: 1.0}), (1,))
    assert find_ramps(np.arange(50.0), np.full(50, np.nan)) == ()
