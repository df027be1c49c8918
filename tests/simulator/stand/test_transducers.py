"""Counts: inverse of the rig's calibration, rounded, clipped, noisy by the stated amount."""

from __future__ import annotations

import numpy as np
import pytest

from whirlbench.simulator.stand import TICK_S, CalibrationErrors, Transducers
from whirlbench.simulator.stand.transducers import ACCELEROMETER_TOP, NOISE_COUNTS, TACH_JITTER_S, to_counts, to_units


@pytest.mark.parametrize(
    ("name", "low", "high"),
    [("current_a", 0, 150), ("voltage_v", 20, 42), ("thrust_n", -5, 150), ("pitch_deg", -4, 26)],
)
def test_seen_values_scatter_about_the_truth_by_the_noise(rig, rng, name, low, high):
    truth = np.linspace(low, high, 20001)[200:-200]
    seen = Transducers(rig, rng).seen(name, truth)
    step = abs(np.gradient(to_units(rig.calibration[name], np.array([400.0, 401.0])))[0])
    assert np.std(seen - truth) == pytest.approx(step * np.hypot(NOISE_COUNTS[name], 1 / np.sqrt(12)), rel=0.05)
    assert abs(np.mean(seen - truth)) < 0.05 * step * max(1.0, NOISE_COUNTS[name])


@pytest.mark.parametrize("name", ["current_a", "voltage_v", "thrust_n", "pitch_deg"])
def test_counts_are_whole_and_calibrations_invert(rig, rng, name):
    calibration = rig.calibration[name]
    values = np.linspace(0.0, 20.0, 50)
    assert to_units(calibration, to_counts(calibration, values)) == pytest.approx(values, abs=1e-9)
    assert Transducers(rig, rng).counts(name, values).dtype == np.int64


def test_converters_saturate(rig, rng):
    sensors = Transducers(rig, rng)
    assert sensors.counts("current_a", np.array([1e4, -1e4])).tolist() == [1023, 0]
    assert sensors.vibration_counts(np.array([40.0, -40.0])).tolist() == [ACCELEROMETER_TOP, -ACCELEROMETER_TOP - 1]


def test_vibration_is_rounded_to_the_count(rig, rng):
    g = np.array([0.0, 0.0039, 0.00194, 0.00196, -1.0])
    assert Transducers(rig, rng).vibration_counts(g).tolist() == [0, 1, 0, 1, -256]


def test_one_number_and_many_have_the_same_distribution(rig, rng):
    sensors = Transducers(rig, rng)
    for name, value in (("current_a", 55.0), ("pitch_deg", 11.0)):
        one = np.array([sensors.count(name, value) for _ in range(3000)])
        many = sensors.counts(name, np.full(3000, value))
        assert one.mean() == pytest.approx(many.mean(), abs=0.1)
        assert one.std() == pytest.approx(many.std(), rel=0.1)


def test_tach_times_lie_on_the_counter_and_jitter_little(rig, rng):
    edges = np.arange(1, 5000) * 0.0123456789
    seen = Transducers(rig, rng).tach_times_s(edges)
    ticks = seen / TICK_S
    assert np.abs(ticks - np.rint(ticks)).max() < 1e-3
    assert np.std(seen - edges) == pytest.approx(TACH_JITTER_S, rel=0.1)


def test_drawn_errors_follow_the_standard_errors_of_the_rig(rig, rng):
    gains = [CalibrationErrors.drawn(rig, rng).gain["current_a"] for _ in range(2000)]
    assert np.std(gains) == pytest.approx(rig.calibration["current_a"].stderr_gain_pct / 100.0, rel=0.1)
    wrong = Transducers(rig, rng, CalibrationErrors(gain={"thrust_n": 0.1}))
    assert np.mean(wrong.seen("thrust_n", np.full(500, 100.0))) == pytest.approx(110.0, abs=0.05)
