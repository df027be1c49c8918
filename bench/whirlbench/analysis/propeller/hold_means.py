"""Means of held quantities with standard errors that know of gusts: what the holds of one run tell together.

A gust of a second lasts as long as ten blocks: one hold of eight seconds hardly tells how long the disturbance
remembers, and told by its own lag-one correlation it states half the true error. The memory is therefore found from
all holds of a run together, by restricted likelihood, and averaged over where it is not sharp; how strong the
disturbance is, and how much of it forgets from block to block (a sensor's noise), each hold tells for itself.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from functools import lru_cache

import numpy as np

LEAST_BLOCKS = 4  # of a hold: fewer tell no error of their mean
MEMORIES = (0.5, 1.0, 2.0, 3.0, 4.5, 7.0, 10.0, 15.0, 22.0, 33.0, 50.0)  # of the disturbance, in blocks
LONGEST_SHARE = 0.25  # of the longest hold: a longer memory is no scatter within a hold, but one between holds
SHARES = (0.0, 0.1, 0.25, 0.5, 0.75, 0.9, 0.95, 0.98, 1.0)  # of the variance that remembers; the rest forgets at once
FORGETS = 0.5  # odds beforehand that nothing remembers
RARER = 0.5  # power by which longer memories are rarer: single holds state neither half nor twice their error
MOST_GROUPS = 48  # a longer hold has its blocks averaged in groups, which keeps what is slow


@dataclass(frozen=True)
class Measured:
    """A mean with its standard error, the error taken over correlated samples; NaN when not recorded."""

    mean: float
    stderr: float


def mean_of_blocks(values: np.ndarray) -> Measured:
    """Mean of one series of equally spaced block means, and its standard error; as ``means_of_blocks`` for one."""
    return means_of_blocks([values])[0]


def means_of_blocks(series: Sequence[np.ndarray]) -> list[Measured]:
    """Mean of each series of equally spaced block means and its standard error, correlation allowed for.

    All are of one quantity of one run. A linear trend is left out of the error, since the mean of a slow drift is no
    error of the mean. NaN are left out; fewer than four values give a NaN error, a series without scatter an error of
    zero. The disturbance is a first-order process beside noise that forgets, its likelihood the restricted one of
    linear models (Patterson and Thompson, Biometrika 58 (1971) 545; from memory).
    """
    good = [values[np.isfinite(values)] for values in series]
    heard = [values for values in good if _scatters(values)]
    errors = iter(_errors(heard))
    return [
        Measured(
            float(values.mean()) if len(values) else math.nan,
            next(errors) if _scatters(values) else math.nan if len(values) < LEAST_BLOCKS else 0.0,
        )
        for values in good
    ]


def _scatters(values: np.ndarray) -> bool:
    """Whether there are enough values, and more in them than a line and its rounding."""
    if len(values) < LEAST_BLOCKS:
        return False
    place = np.arange(len(values)) - (len(values) - 1) / 2
    rest = values - values.mean() - place * (place @ values) / (place @ place)
    return float(rest @ rest) > 1e-24 * float(values @ values)


def _errors(series: Sequence[np.ndarray]) -> list[float]:
    """Standard error of each hold's mean, averaged over memories (common) and shares (each hold's own)."""
    if not series:
        return []
    longest = max(LONGEST_SHARE * max(map(len, series)), MEMORIES[0])
    memories = tuple(one for one in MEMORIES if one <= longest)
    told = [_told(values, memories) for values in series]
    together = np.sum([_log_of_sum(likelihood) for likelihood, _ in told], axis=0)
    weight = _shares_of(together - RARER * np.log(memories))
    return [
        math.sqrt(float(weight @ np.einsum("ms,ms->m", _shares_of(likelihood), variance)))
        for likelihood, variance in told
    ]


def _shares_of(likelihood: np.ndarray) -> np.ndarray:
    """Weights along the last axis, which add up to one, of log-likelihoods."""
    weight = np.exp(likelihood - likelihood.max(axis=-1, keepdims=True))
    result: np.ndarray = weight / weight.sum(axis=-1, keepdims=True)
    return result


def _log_of_sum(likelihood: np.ndarray) -> np.ndarray:
    top = likelihood.max(axis=1, keepdims=True)
    result: np.ndarray = top[:, 0] + np.log(np.sum(np.exp(likelihood - top), axis=1))
    return result


def _told(values: np.ndarray, memories: tuple[float, ...]) -> tuple[np.ndarray, np.ndarray]:
    """Log-likelihood of a hold and variance of its mean, ``(memories, shares)`` each; its scale integrated out."""
    group = math.ceil(len(values) / MOST_GROUPS)
    count = len(values) // group
    means = values[: count * group].reshape(count, group).mean(axis=1)
    course = _courses(count, group, memories)
    power = (course.terms @ (means - means.mean())) ** 2
    scale = np.einsum("mt,mts->ms", power, course.inverse) / power.shape[1]
    likelihood = course.odds - 0.5 * power.shape[1] * np.log(scale)
    return likelihood, scale * course.lasting / len(values)


@dataclass(frozen=True)
class _Courses:
    """Of disturbances of unit variance in a block, for holds of ``count`` groups of blocks; trend taken out."""

    terms: np.ndarray  # independent of each other whatever the share, ``(memories, count - 2, count)``
    inverse: np.ndarray  # of the variance of each, ``(memories, count - 2, shares)``
    odds: np.ndarray  # log of the weight beforehand, less half the logarithm of all variances, ``(memories, shares)``
    lasting: np.ndarray  # variance of the mean, times the number of blocks, ``(memories, shares)``


@lru_cache(maxsize=64)
def _courses(count: int, group: int, memories: tuple[float, ...]) -> _Courses:
    share = np.asarray(SHARES)
    solved = [np.linalg.eigh(_without_trend(_group_covariance(count, group, math.exp(-1.0 / one)))) for one in memories]
    basis = _beside_a_line(count)
    variance = np.stack([values for values, _ in solved])[..., None] * share + (1.0 - share) / group
    prior = np.where(share > 0.0, (1.0 - FORGETS) / (len(SHARES) - 1), FORGETS)
    return _Courses(
        terms=np.stack([vectors.T @ basis for _, vectors in solved]),
        inverse=1.0 / variance,
        odds=np.log(prior) - 0.5 * np.log(variance).sum(axis=1),
        lasting=share * np.array([_lasting(count * group, math.exp(-1.0 / one)) for one in memories])[:, None]
        + 1.0
        - share,
    )


def _lasting(count: int, keep: float) -> float:
    """How many times the mean of ``count`` correlated blocks varies more than that of independent ones."""
    return (1.0 + keep) / (1.0 - keep) - 2.0 * keep * (1.0 - keep**count) / (count * (1.0 - keep) ** 2)


def _group_covariance(count: int, group: int, keep: float) -> np.ndarray:
    """Of the means of ``group`` blocks each of a first-order process of unit variance, ``(count, count)``."""
    apart = np.abs(np.subtract.outer(np.arange(count), np.arange(count)))
    across = ((1.0 - keep**group) / ((1.0 - keep) * group)) ** 2
    off: np.ndarray = across * keep ** (np.maximum(apart, 1) * group - group + 1.0)
    return np.where(apart == 0, _lasting(group, keep) / group, off)


@lru_cache(maxsize=64)
def _beside_a_line(count: int) -> np.ndarray:
    """Orthonormal rows that know no constant and no slope, ``(count - 2, count)``."""
    whole, _ = np.linalg.qr(np.column_stack((np.ones(count), np.arange(count), np.eye(count)[:, : count - 2])))
    result: np.ndarray = whole[:, 2:].T
    return result


def _without_trend(covariance: np.ndarray) -> np.ndarray:
    basis = _beside_a_line(len(covariance))
    result: np.ndarray = basis @ covariance @ basis.T
    return result
