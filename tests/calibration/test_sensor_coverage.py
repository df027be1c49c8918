"""Calibrations through the simulated stand's own sensors: the true line lies within its interval as often as told."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.stats import t

from whirlbench.calibration.known_points import KnownPoint
from whirlbench.calibration.line_fit import fit_line
from whirlbench.calibration.steady_reading import steady_reading
from whirlbench.rig.toml import example_rig_text, parse_rig
from whirlbench.simulator.stand import CalibrationErrors, Transducers

RIG = parse_rig(example_rig_text())
VALUES = {"thrust_n": (0, 30, 60, 90, 120, 90, 60, 30, 0), "current_a": (0, 25, 50, 75, 100, 75, 50, 25, 0)}
SAMPLES = {"thrust_n": 160, "current_a": 1000}  # two seconds of each
STANDS = 200


def one(channel, seed):
    """(slope found, its standard error, true slope, offset found, its standard error, true offset) of one stand."""
    rng = np.random.default_rng(seed)
    gain, zero = 0.02 * rng.standard_normal(), 0.5 * rng.standard_normal()
    sensors = Transducers(RIG, rng, CalibrationErrors({channel: gain}, {channel: zero}))
    readings = [
        steady_reading(sensors.counts(channel, np.full(SAMPLES[channel], float(value)))) for value in VALUES[channel]
    ]
    assert sum(bool(reading.restless) for reading in readings) <= 1
    points = [
        KnownPoint(float(value), reading.mean, reading.scatter)
        for value, reading in zip(VALUES[channel], readings, strict=True)
    ]
    fit = fit_line(points, "", channel)
    own = RIG.calibration[channel]
    true_slope = (1.0 + gain) / own.units_per_count
    slope_error, offset_error = np.sqrt(np.diag(fit.covariance))
    return fit.slope, slope_error, true_slope, fit.offset, offset_error, own.zero_counts + zero / own.units_per_count


@pytest.mark.parametrize("channel", list(VALUES))
def test_slope_and_zero_are_covered_as_often_as_the_interval_says(channel):
    found = np.array([one(channel, seed) for seed in range(STANDS)])
    both_ways = len(set(VALUES[channel])) - 1  # the greatest value is met once: no middle between up and down
    bound = t.ppf(0.975, both_ways - 2)

    covered_slope = np.mean(np.abs(found[:, 0] - found[:, 2]) <= bound * found[:, 1])
    covered_zero = np.mean(np.abs(found[:, 3] - found[:, 5]) <= bound * found[:, 4])

    # 95 %, less three standard errors of a share over 200 stands
    assert covered_slope >= 0.904 and covered_zero >= 0.904
    assert bound * np.median(found[:, 1]) < 0.01 * np.median(found[:, 2])  # and the interval says something
    assert np.mean(found[:, 0] / found[:, 2]) == pytest.approx(1.0, abs=1e-3)
