"""A load cell's line: recovered with its errors, and every kind of bad point named."""

from __future__ import annotations

import numpy as np
import pytest

from whirlbench.calibration.known_points import KnownPoint
from whirlbench.calibration.line_fit import fit_line
from whirlbench.errors import CalibrationError

ENDS = (-(1 << 23), (1 << 23) - 1)
LOADS = [0.0, 20.0, 40.0, 60.0, 80.0, 100.0]
UP_AND_DOWN = [*LOADS, *reversed(LOADS[:-1])]
ZERO, SLOPE = 84000.0, 8000.0  # counts; counts a newton


def readings(loads, rng=None, scatter=40.0, hysteresis=0.0):
    """Readings of a cell whose counts come ``hysteresis`` newtons late."""
    noise = np.zeros(len(loads)) if rng is None else rng.normal(0.0, scatter, len(loads))
    late = np.where(np.diff([-1.0, *loads]) > 0, -hysteresis / 2.0, hysteresis / 2.0)
    return [
        KnownPoint(load, ZERO + SLOPE * (load + lag) + error)
        for load, lag, error in zip(loads, late, noise, strict=True)
    ]


def test_coverage_over_two_hundred_calibrations():
    """Zero and gain lie within two of their standard errors as often as Student's t with 4 degrees has it (88 %)."""
    rng = np.random.default_rng(2026)
    zeros, gains = [], []
    for _ in range(200):
        fit = fit_line(readings(LOADS, rng), "N", "thrust_n", ENDS)
        zeros.append(abs(fit.zero_counts - ZERO) * fit.units_per_count / fit.stderr_zero)
        gains.append(abs(fit.units_per_count * SLOPE - 1.0) * 100.0 / fit.stderr_gain_pct)

    for errors in (zeros, gains):
        assert 0.82 <= np.mean(np.asarray(errors) < 2.0) <= 0.94


def test_hysteresis_is_found_and_does_not_average_out():
    one = fit_line(readings(UP_AND_DOWN, hysteresis=0.6), "N", "thrust_n", ENDS)
    many = fit_line(readings(UP_AND_DOWN * 6, hysteresis=0.6), "N", "thrust_n", ENDS)

    for fit in (one, many):
        assert fit.hysteresis == pytest.approx(0.6, rel=0.01)
        assert fit.residual == pytest.approx(0.3 / np.sqrt(3.0), rel=0.05)
        assert fit.units_per_count * SLOPE == pytest.approx(1.0, rel=1e-3)


def test_one_way_tells_no_hysteresis():
    assert fit_line(readings(LOADS), "N", "thrust_n", ENDS).hysteresis is None


def test_span_and_residuals_belong_to_the_points():
    fit = fit_line(readings(LOADS, np.random.default_rng(1)), "N", "thrust_n", ENDS)

    assert fit.span == (0.0, 100.0)
    assert fit.residuals.shape == (6,)
    assert np.abs(fit.residuals).max() < 4.0 * 40.0 / SLOPE


def spoiled(how):
    points = readings(UP_AND_DOWN, np.random.default_rng(3))
    if how == "wrong mass":
        points[3] = KnownPoint(50.0, points[3].counts)
    elif how == "exchanged":
        points[1], points[4] = KnownPoint(20.0, points[4].counts), KnownPoint(80.0, points[1].counts)
    elif how == "unplugged":
        points[5] = KnownPoint(100.0, ENDS[1])
    elif how == "silent":
        points = [KnownPoint(point.value, 84000.0) for point in points]
    elif how == "bent":
        points = [KnownPoint(load, ZERO + SLOPE * load * (1.0 + load / 200.0)) for load in UP_AND_DOWN]
    elif how == "folded":
        points = [KnownPoint(load, ZERO + SLOPE * abs(load - 50.0)) for load in UP_AND_DOWN]
    elif how == "two values":
        points = readings([0.0, 100.0, 0.0, 100.0])
    elif how == "not a number":
        points[2] = KnownPoint(float("nan"), points[2].counts)
    return points


@pytest.mark.parametrize(
    ("how", "complaint"),
    [
        ("wrong mass", "point 4 was given as 50 N, but reads as 60"),
        ("exchanged", "points 2 and 5 look exchanged"),
        ("unplugged", "point 6 reads .* an end of the converter"),
        ("silent", "does not answer"),
        ("bent", "of the span from a straight line"),
        ("folded", "do not follow the known values at all"),
        ("two values", "at least 3 are needed"),
        ("not a number", "not a finite number"),
    ],
)
def test_bad_points_are_named(how, complaint):
    with pytest.raises(CalibrationError, match=complaint):
        fit_line(spoiled(how), "N", "thrust_n", ENDS)


@pytest.mark.parametrize("seed", range(5))
def test_a_slight_mistake_is_found_among_readings_that_scatter(seed):
    """Sixteen times the scatter, and yet far below what a line that is not straight is refused for."""
    points = readings(UP_AND_DOWN, np.random.default_rng(seed), scatter=2000.0)
    points[3] = KnownPoint(points[3].value + 4.0, points[3].counts)

    with pytest.raises(CalibrationError, match="point 4 was given as 64 N, but reads as "):
        fit_line(points, "N", "thrust_n", ENDS)


@pytest.mark.parametrize("seed", range(5))
def test_an_exchange_is_found_among_readings_that_scatter(seed):
    points = readings(UP_AND_DOWN, np.random.default_rng(seed), scatter=2000.0)
    points[1], points[4] = KnownPoint(20.0, points[4].counts), KnownPoint(80.0, points[1].counts)

    with pytest.raises(CalibrationError, match="points 2 and 5 look exchanged"):
        fit_line(points, "N", "thrust_n", ENDS)


def test_good_points_are_never_called_mistakes():
    rng = np.random.default_rng(7)
    for _ in range(300):
        fit_line(readings(UP_AND_DOWN, rng, scatter=200.0, hysteresis=0.3), "N", "thrust_n", ENDS)


def test_whole_counts_on_a_line_are_not_known_better_than_a_whole_count():
    """A standard error of nothing would be read as "not known" by the rig, and as "sure" by everything else."""
    fit = fit_line(readings(UP_AND_DOWN), "N", "thrust_n", ENDS)

    assert fit.scatter_counts == pytest.approx(1.0 / 12.0**0.5)
    assert fit.residual == pytest.approx(fit.scatter_counts / SLOPE)
    assert 0.0 < fit.stderr_gain_pct < 0.01 and fit.stderr_zero > 0.0
    means = [KnownPoint(point.value, point.counts + 0.5) for point in readings(LOADS)]
    assert fit_line(means, "N", "thrust_n", ENDS).scatter_counts < 1e-6
