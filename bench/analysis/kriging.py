"""A smooth curve through noisy points with an honest band between them: universal kriging in one variable.

The curve is a linear mean plus a random function of the first variable whose slope may bend anywhere (Matern 3/2), so
that a kink is followed and the band widens where nothing was measured. Amplitude, length and repeatability are those
of greatest restricted likelihood on a grid. Source: Rasmussen and Williams, Gaussian Processes for Machine Learning,
2006, sections 2.7 and 4.2; from memory.
"""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import dataclass
from itertools import product

import numpy as np

AMPLITUDES = (0.01, 0.03, 0.1, 0.3, 1.0)  # of the values' own range
LENGTHS = (0.25, 0.5, 1.0, 2.0)  # of the span of the first variable
NUGGETS = (0.0, 0.0005, 0.001, 0.002, 0.004, 0.008, 0.016)  # repeatability, relative to the values' level


@dataclass(frozen=True)
class Kriging:
    """A fitted curve; ``predict`` and ``covariance`` take places ``(n,)`` and mean columns ``(n, terms)``."""

    place: np.ndarray
    columns: np.ndarray
    values: np.ndarray
    amplitude: float
    length: float
    variance: np.ndarray  # of each point, repeatability included
    inverse: np.ndarray  # of the points' covariance
    mean: np.ndarray  # coefficients of the mean columns
    mean_covariance: np.ndarray

    def predict(self, place: np.ndarray, columns: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
        """Values and their variances at new places."""
        near = matern(place, self.place, self.amplitude, self.length)
        value = columns @ self.mean + near @ (self.inverse @ (self.values - self.columns @ self.mean))
        variance = self._spread(place, columns, place, columns, diagonal=True)
        return value, np.maximum(variance, 0.0)

    def covariance(self, place: np.ndarray, columns: np.ndarray, other: np.ndarray, others: np.ndarray) -> np.ndarray:
        """Covariance of the curve between two sets of places, ``(n, m)``."""
        return self._spread(place, columns, other, others, diagonal=False)

    def _spread(
        self, place: np.ndarray, columns: np.ndarray, other: np.ndarray, others: np.ndarray, diagonal: bool
    ) -> np.ndarray:
        left = matern(place, self.place, self.amplitude, self.length)
        right = matern(other, self.place, self.amplitude, self.length)
        left_mean = columns - left @ self.inverse @ self.columns
        right_mean = others - right @ self.inverse @ self.columns
        if diagonal:
            known = np.einsum("ij,jk,ik->i", left, self.inverse, right)
            return self.amplitude**2 - known + np.einsum("ij,jk,ik->i", left_mean, self.mean_covariance, right_mean)
        prior = matern(place, other, self.amplitude, self.length)
        return prior - left @ self.inverse @ right.T + left_mean @ self.mean_covariance @ right_mean.T


def matern(place: np.ndarray, other: np.ndarray, amplitude: float, length: float) -> np.ndarray:
    """Matern 3/2 covariance between places ``(n,)`` and ``(m,)``: ``(n, m)``."""
    distance = math.sqrt(3.0) * np.abs(place[:, None] - other[None, :]) / length
    return amplitude**2 * (1.0 + distance) * np.exp(-distance)


def fit_kriging(place: np.ndarray, columns: np.ndarray, values: np.ndarray, stderr: np.ndarray) -> Kriging:
    """Curve through ``values`` ``(n,)`` with standard errors ``stderr`` at ``place``; ``columns`` is the mean's basis.

    At least two points more than columns, and columns of full rank, else ValueError. NaN are not allowed.
    """
    count, terms = columns.shape
    if count < terms + 2 or np.linalg.matrix_rank(columns) < terms:
        raise ValueError(f"{count} points cannot carry a mean of {terms} terms")
    best = max(_candidates(place, columns, values, stderr), key=lambda pair: pair[0])
    return best[1]


def _candidates(
    place: np.ndarray, columns: np.ndarray, values: np.ndarray, stderr: np.ndarray
) -> Iterator[tuple[float, Kriging]]:
    spread, level, span = float(np.ptp(values)), float(np.abs(values).mean()), float(np.ptp(place))
    for amplitude, length, nugget in product(AMPLITUDES, LENGTHS, NUGGETS):
        variance = stderr**2 + (nugget * level) ** 2 + (1e-6 * level) ** 2
        yield _solve(place, columns, values, amplitude * spread, length * span, variance)


def _solve(
    place: np.ndarray, columns: np.ndarray, values: np.ndarray, amplitude: float, length: float, variance: np.ndarray
) -> tuple[float, Kriging]:
    """(restricted log-likelihood, curve) for given hyperparameters."""
    covariance = matern(place, place, amplitude, length) + np.diag(variance)
    factor = np.linalg.cholesky(covariance)
    inverse = np.linalg.inv(covariance)
    information = columns.T @ inverse @ columns
    mean_covariance = np.linalg.inv(information)
    mean = mean_covariance @ (columns.T @ inverse @ values)
    rest = values - columns @ mean
    likelihood = -0.5 * float(rest @ inverse @ rest) - float(np.log(np.diag(factor)).sum())
    likelihood -= 0.5 * float(np.linalg.slogdet(information)[1])
    curve = Kriging(place, columns, values, amplitude, length, variance, inverse, mean, mean_covariance)
    return likelihood, curve
