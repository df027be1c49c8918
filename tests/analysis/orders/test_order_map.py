"""Angle-domain resampling against formulas, and against the tracks that never resample."""

import numpy as np
import pytest

from whirlbench.analysis.orders import map_orders, shaft_angle, track_orders
from whirlbench.analysis.orders.order_map import resample_to_angle
from whirlbench.errors import AnalysisError


def ramp(time_s):
    return 2000.0 + 150.0 * time_s


def test_resampled_order_is_a_pure_sine_in_angle(make_run):
    run = make_run(ramp, 20.0, {4: 0.5})
    samples = resample_to_angle(run.vibration.time_s, run.vibration.ay_g, 1600.0, shaft_angle(run))
    good = np.isfinite(samples.value_g)
    wanted = 0.5 * np.cos(2 * np.pi * 4 * samples.turn[good])
    assert good.mean() > 0.99
    assert np.max(np.abs(samples.value_g[good] - wanted)) < 0.006


def test_nothing_folds_where_the_shaft_is_slow(make_run):
    """A 500 Hz tone at 600 rpm is order 50: at 32 steps a turn it would fold to order 18."""
    run = make_run(lambda t: np.full_like(t, 600.0), 10.0, {50: 1.0})
    samples = resample_to_angle(run.vibration.time_s, run.vibration.ay_g, 1600.0, shaft_angle(run), per_rev=32)
    assert np.nanstd(samples.value_g) < 0.02
    inside = make_run(lambda t: np.full_like(t, 600.0), 10.0, {10: 1.0})
    kept = resample_to_angle(inside.vibration.time_s, inside.vibration.ay_g, 1600.0, shaft_angle(inside), per_rev=32)
    assert np.nanstd(kept.value_g) == pytest.approx(np.sqrt(0.5), rel=0.01)


def test_map_and_tracks_agree(make_run):
    run = make_run(ramp, 20.0, {1: lambda t: 0.2 + 0.02 * t, 3: 0.3}, noise_g=0.01)
    drawn = map_orders(run, "ay_g")
    tracks = track_orders(run)
    for order in (1, 3):
        column = drawn.amplitude_g[:, int(np.argmin(np.abs(drawn.order - order)))]
        other = np.interp(drawn.time_s, tracks.time_s, np.abs(tracks.phasor("ay_g", order)))
        good = np.isfinite(column) & (drawn.time_s > 1) & (drawn.time_s < 19)
        assert np.allclose(column[good], other[good], atol=0.01)


def test_map_against_rpm_keeps_visited_speeds_only(make_run):
    drawn = map_orders(make_run(ramp, 10.0, {2: 0.4}), "ay_g")
    rpm, amplitude = drawn.against_rpm(100.0)
    assert rpm.min() >= 2000 and rpm.max() <= 3600
    assert amplitude.shape == (len(rpm), len(drawn.order))
    assert amplitude[2:-2, 32] == pytest.approx(0.4, abs=0.01)


def test_gaps_stay_gaps(make_run):
    run = make_run(ramp, 10.0, {1: 0.5})
    kept = (run.vibration.time_s < 4) | (run.vibration.time_s > 5)
    samples = resample_to_angle(run.vibration.time_s[kept], run.vibration.ay_g[kept], 1600.0, shaft_angle(run))
    inside = (samples.time_s > 4.01) & (samples.time_s < 4.99)
    assert np.isnan(samples.value_g[inside]).all()


def test_too_little_to_map_is_refused(make_run):
    with pytest.raises(AnalysisError, match="revolutions: an order map needs"):
        map_orders(make_run(lambda t: np.full_like(t, 900.0), 1.0, {1: 1.0}), "ay_g", turns=32)
    with pytest.raises(AnalysisError, match="no az_g"):
        map_orders(make_run(ramp, 2.0, {1: 1.0}), "az_g")
