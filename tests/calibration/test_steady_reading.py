"""A reading of a sensor at rest is taken, one that drifts or swings is refused; white noise nearly never is."""

from __future__ import annotations

import numpy as np
import pytest

from whirlbench.calibration.steady_reading import steady_reading
from whirlbench.errors import CalibrationError

TIME_S = np.arange(1000) / 500.0


def noise(seed: int, sigma: float = 0.9, count: int = 1000) -> np.ndarray:
    return sigma * np.random.default_rng(seed).standard_normal(count)


def test_mean_and_scatter_of_a_still_sensor():
    reading = steady_reading(512.0 + noise(1))

    assert reading.restless == ""
    assert reading.mean == pytest.approx(512.0, abs=0.1)
    assert reading.scatter == pytest.approx(0.9, rel=0.1)
    assert reading.stderr == pytest.approx(0.9 / np.sqrt(1000), rel=0.6)


def test_white_noise_is_refused_less_than_once_in_a_hundred():
    refused = sum(bool(steady_reading(noise(seed, 300.0, 160)).restless) for seed in range(1000))

    assert refused <= 5


@pytest.mark.parametrize("drift", [5.0, -40.0])
def test_a_sensor_that_still_moves_is_refused(drift):
    assert "still moves" in steady_reading(512.0 + noise(2) + drift * TIME_S / 2.0).restless


def test_a_swinging_mass_is_refused():
    assert "swings" in steady_reading(512.0 + noise(3) + 4.0 * np.sin(2.0 * np.pi * 1.3 * TIME_S)).restless


def test_what_is_below_the_resolution_does_not_matter():
    assert steady_reading(512.0 + 0.3 * TIME_S, resolution=1.0).restless == ""


@pytest.mark.parametrize("samples", [np.ones(39), np.append(np.ones(100), np.nan)])
def test_too_few_samples_are_no_reading(samples):
    with pytest.raises(CalibrationError, match="at least 40 are needed"):
        steady_reading(samples)
