"""The curve through noisy points: exact where it must be, wide where nothing was measured, honest in between."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.interpolate import CubicSpline

from whirlbench.analysis.propeller.kriging import fit_kriging, matern


def line(x: np.ndarray) -> np.ndarray:
    return np.column_stack((np.ones_like(x), x))


def test_a_straight_line_comes_back_as_one() -> None:
    x = np.linspace(0.0, 10.0, 8)
    curve = fit_kriging(x, line(x), 2.0 + 0.5 * x, np.full(8, 0.01))
    value, variance = curve.predict(np.array([3.3, 12.0]), line(np.array([3.3, 12.0])))
    np.testing.assert_allclose(value, [3.65, 8.0], atol=1e-3)
    assert (np.sqrt(variance) < 0.03).all()


def test_exact_points_are_met_and_a_spline_agrees_between() -> None:
    """Independent reference: scipy's cubic spline through the same points of a smooth curve."""
    x = np.linspace(0.0, 6.0, 13)
    curve = fit_kriging(x, line(x), np.sin(x), np.full(13, 1e-4))
    between = np.linspace(0.5, 5.5, 40)
    value, _ = curve.predict(between, line(between))
    np.testing.assert_allclose(value, CubicSpline(x, np.sin(x))(between), atol=0.02)
    np.testing.assert_allclose(curve.predict(x, line(x))[0], np.sin(x), atol=1e-3)


def test_the_band_widens_away_from_the_points() -> None:
    x = np.array([0.0, 1.0, 2.0, 3.0, 7.0, 8.0, 9.0, 10.0])
    curve = fit_kriging(x, line(x), np.abs(x - 5.0), np.full(8, 0.01))
    _, variance = curve.predict(np.array([2.5, 5.0]), line(np.array([2.5, 5.0])))
    assert variance[1] > 4.0 * variance[0]


def test_covariance_agrees_with_variance_on_the_diagonal() -> None:
    x = np.linspace(0.0, 5.0, 9)
    curve = fit_kriging(x, line(x), np.cos(x), np.full(9, 0.02))
    places = np.array([0.7, 3.1])
    full = curve.covariance(places, line(places), places, line(places))
    np.testing.assert_allclose(np.diag(full), curve.predict(places, line(places))[1], rtol=1e-9)
    np.testing.assert_allclose(full, full.T, atol=1e-10)


def test_matern_is_a_covariance() -> None:
    x = np.random.default_rng(0).uniform(0, 5, 30)
    assert np.linalg.eigvalsh(matern(x, x, 2.0, 1.5)).min() > -1e-9
    assert matern(np.zeros(1), np.zeros(1), 2.0, 1.5)[0, 0] == 4.0


def test_too_few_points_are_refused() -> None:
    x = np.arange(3.0)
    with pytest.raises(ValueError, match="3 points cannot carry"):
        fit_kriging(x, line(x), x, np.ones(3))
