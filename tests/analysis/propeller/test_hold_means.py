"""Errors of held means: right under gusts that outlast many blocks, worked out apart for a short series."""

from __future__ import annotations

import math

import numpy as np
import pytest
from scipy.linalg import null_space
from scipy.special import stdtrit

from whirlbench.analysis.propeller.hold_means import (
    _group_covariance,
    _lasting,
    mean_of_blocks,
    means_of_blocks,
)


def remembering(keep: float, count: int, number: int, rng: np.random.Generator) -> np.ndarray:
    """Series of a first-order process of unit variance, ``(number, count)``."""
    series = rng.standard_normal((number, count))
    for block in range(1, count):
        series[:, block] = keep * series[:, block - 1] + math.sqrt(1.0 - keep**2) * series[:, block]
    return series


@pytest.mark.parametrize(
    ("keep", "count", "noise"),
    [(0.9, 80, 0.0), (0.9, 80, 0.3), (0.7, 80, 0.0), (0.4, 12, 0.0), (0.0, 25, 0.0)],
)
def test_holds_of_one_run_state_together_what_is_so(keep: float, count: int, noise: float) -> None:
    """Fifteen runs of ten holds: stated variance against that of the means, the truth covered at the stated rate."""
    rng = np.random.default_rng(1)
    runs = remembering(keep, count, 150, rng) + noise * rng.standard_normal((150, count))
    told = [one for first in range(0, 150, 10) for one in means_of_blocks(list(runs[first : first + 10]))]
    means, errors = np.array([[one.mean, one.stderr] for one in told]).T
    true = math.sqrt(covariance(count, keep, noise).mean())
    assert math.sqrt(np.mean(errors**2)) / true == pytest.approx(1.05, abs=0.12)
    inside = np.abs(means) < stdtrit(count - 2, 0.975) * errors  # each tells its own scale
    assert np.mean(inside) >= 0.89  # of 150: 95 less 3.4 standard errors


def test_gusts_of_a_fifth_of_the_hold_are_seen_but_for_an_eighth() -> None:
    """Gusts of four seconds in holds of twenty: rare memories are believed late, so a little less than all."""
    series = remembering(math.exp(-1.0 / 40.0), 200, 150, np.random.default_rng(1))
    told = [one.stderr for first in range(0, 150, 10) for one in means_of_blocks(list(series[first : first + 10]))]
    assert 0.8 < math.sqrt(np.mean(np.square(told)) / covariance(200, math.exp(-1.0 / 40.0)).mean()) < 1.1


def covariance(count: int, keep: float, noise: float = 0.0) -> np.ndarray:
    apart = np.abs(np.subtract.outer(np.arange(count), np.arange(count)))
    return keep**apart + noise**2 * np.eye(count)


def test_one_short_series_by_dense_matrices() -> None:
    """Ten blocks: three memories of a quarter or less, nine shares, restricted likelihood with every matrix in full."""
    values = np.array([1.0, 1.5, 2.6, 2.2, 0.7, -0.4, -0.2, 0.9, 1.8, 2.4])
    contrasts = null_space(np.vander(np.arange(10.0), 2).T)
    rest, shares = contrasts.T @ values, (0.0, 0.1, 0.25, 0.5, 0.75, 0.9, 0.95, 0.98, 1.0)
    weights, variances = np.empty((3, 9)), np.empty((3, 9))
    for row, memory in enumerate((0.5, 1.0, 2.0)):
        for column, share in enumerate(shares):
            whole = share * covariance(10, math.exp(-1.0 / memory)) + (1.0 - share) * np.eye(10)
            inner = contrasts.T @ whole @ contrasts
            scale = rest @ np.linalg.solve(inner, rest) / 8.0
            prior = (0.5 if share == 0.0 else 0.5 / 8.0) / math.sqrt(memory)
            weights[row, column] = prior * scale ** (-4.0) / math.sqrt(np.linalg.det(inner))
            variances[row, column] = scale * whole.mean()
    expected = math.sqrt(np.sum(weights * variances) / weights.sum())
    assert mean_of_blocks(values).stderr == pytest.approx(expected, rel=1e-9)


@pytest.mark.parametrize("keep", [0.2, 0.9])
def test_groups_of_blocks_vary_as_their_blocks_do(keep: float) -> None:
    blocks = covariance(12, keep).reshape(4, 3, 4, 3).mean(axis=(1, 3))
    assert _group_covariance(4, 3, keep) == pytest.approx(blocks, rel=1e-12)
    assert _lasting(12, keep) / 12 == pytest.approx(covariance(12, keep).mean(), rel=1e-12)


def test_a_long_hold_keeps_the_error_of_its_gusts() -> None:
    """Two minutes of blocks, taken in groups of 25: gusts of a second, whose errors are told as without groups."""
    series = remembering(math.exp(-0.1), 1200, 20, np.random.default_rng(2))
    stated = np.sqrt(np.mean([one.stderr**2 for one in means_of_blocks(list(series))]))
    assert stated / math.sqrt(covariance(1200, math.exp(-0.1)).mean()) == pytest.approx(1.0, abs=0.12)


def test_a_drift_is_no_error_of_its_mean_and_nothing_is_none() -> None:
    """A slope of ten sigma a block changes nothing; few values have no error, equal ones an error of zero."""
    noise = np.random.default_rng(3).standard_normal(40)
    drifting = mean_of_blocks(noise + 10.0 * (np.arange(40.0) - 19.5))
    assert drifting.stderr == pytest.approx(mean_of_blocks(noise).stderr, rel=1e-6)
    few, none, equal, gap = means_of_blocks([noise[:3], noise[:0], np.full(9, 4.1), np.append(noise, np.nan)])
    assert few.mean == pytest.approx(noise[:3].mean()) and math.isnan(few.stderr)
    assert math.isnan(none.mean) and math.isnan(none.stderr)
    assert equal == type(equal)(4.1, 0.0)
    assert gap.mean == pytest.approx(noise.mean()) and gap.stderr > 0.0
