"""A smooth curve through noisy points with an honest band between them: universal kriging in one variable.

The curve is a linear mean, a random function of the first variable whose slope may bend anywhere (Matern 3/2) and,
with even odds, one kink at an unknown place. Amplitude, length, repeatability and the kink's place are not chosen but
averaged over a grid, weighted by their restricted likelihood: a dozen points do not tell them well, and a single
choice makes the band too narrow, worst of all around stall. Source: Rasmussen and Williams, Gaussian Processes for
Machine Learning, 2006, sections 2.7, 4.2 and 5.2; from memory.
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from functools import cached_property
from itertools import product

import numpy as np

KINK_EVERY = 0.04  # of the span: the places a kink is tried at
KINK_SLOPE = 1.5  # standard deviation of its change of slope, in units of range over span
AMPLITUDES = (0.01, 0.03, 0.1, 0.3, 1.0)  # of the values' own range
LENGTHS = (0.25, 0.5, 1.0, 2.0)  # of the span of the first variable
NUGGETS = (0.0, 0.001, 0.002, 0.004, 0.008, 0.016)  # repeatability, relative to the values' level


AT_ONCE = 256  # choices solved together: keeps the memory of many holds in bounds
NEGLIGIBLE = 0.03  # components below this share of the best one's weight are left out


@dataclass(frozen=True)
class Kriging:
    """A fitted curve: an average over hyperparameters; places are ``(n,)``, mean columns ``(n, terms)``."""

    weights: tuple[float, ...]
    components: tuple[Component, ...]

    def predict(self, place: np.ndarray, columns: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
        """Values and their variances at new places; what the components disagree on is part of the variance."""
        known = self.components[0].place  # that of every component, and so is the smooth part of a length
        smooth = {length: matern(place, known, 1.0, length) for length in {one.prior.length for one in self.components}}
        told = [component.predict(place, columns, smooth[component.prior.length]) for component in self.components]
        value = np.einsum("c,cn->n", self.weights, [one[0] for one in told])
        within = np.einsum("c,cn->n", self.weights, [one[1] for one in told])
        between = np.einsum("c,cn->n", self.weights, [(one[0] - value) ** 2 for one in told])
        return value, within + between

    def covariance(self, place: np.ndarray, columns: np.ndarray, other: np.ndarray, others: np.ndarray) -> np.ndarray:
        """Covariance of the curve between two sets of places, ``(n, m)``."""
        here, there = self.predict(place, columns)[0], self.predict(other, others)[0]
        total = np.zeros((len(place), len(other)))
        for weight, component in zip(self.weights, self.components, strict=True):
            off_here = component.predict(place, columns)[0] - here
            off_there = component.predict(other, others)[0] - there
            total += weight * (component.covariance(place, columns, other, others) + np.outer(off_here, off_there))
        return total

    @property
    def variance(self) -> np.ndarray:
        """Variance of each point, repeatability included, ``(n,)``."""
        result: np.ndarray = np.einsum("c,cn->n", self.weights, [component.variance for component in self.components])
        return result


@dataclass(frozen=True)
class Prior:
    """Covariance of the curve about its mean: a smooth part, and a kink of random slope at ``kink``, None for none."""

    amplitude: float
    length: float
    kink: float | None = None
    kink_slope: float = 0.0

    def covariance(self, place: np.ndarray, other: np.ndarray, smooth: np.ndarray | None = None) -> np.ndarray:
        """Between places ``(n,)`` and ``(m,)``: ``(n, m)``; ``smooth``: the smooth part at an amplitude of one."""
        unit = matern(place, other, 1.0, self.length) if smooth is None else smooth
        smooth = self.amplitude**2 * unit
        if self.kink is None:
            return smooth
        beyond, others = np.maximum(place - self.kink, 0.0), np.maximum(other - self.kink, 0.0)
        return smooth + self.kink_slope**2 * np.outer(beyond, others)

    def variance(self, place: np.ndarray) -> np.ndarray:
        """Diagonal of ``covariance(place, place)``."""
        bent = 0.0 if self.kink is None else (self.kink_slope * np.maximum(place - self.kink, 0.0)) ** 2
        return self.amplitude**2 + bent + np.zeros(len(place))


@dataclass(frozen=True)
class Component:
    """The curve for one choice of hyperparameters."""

    place: np.ndarray
    columns: np.ndarray
    values: np.ndarray
    prior: Prior
    variance: np.ndarray  # of each point, repeatability included
    inverse: np.ndarray  # of the points' covariance
    mean: np.ndarray  # coefficients of the mean columns
    mean_covariance: np.ndarray

    @cached_property
    def _pull(self) -> np.ndarray:
        """What each point pulls the curve off its mean with, ``(n,)``."""
        result: np.ndarray = self.inverse @ (self.values - self.columns @ self.mean)
        return result

    @cached_property
    def _seen(self) -> np.ndarray:
        """How much of each mean column the points have seen, ``(n, terms)``."""
        result: np.ndarray = self.inverse @ self.columns
        return result

    def predict(
        self, place: np.ndarray, columns: np.ndarray, smooth: np.ndarray | None = None
    ) -> tuple[np.ndarray, np.ndarray]:
        """Values and their variances at new places; ``smooth`` as for ``Prior.covariance`` of them and the points."""
        near = self.prior.covariance(place, self.place, smooth)
        off_mean = columns - near @ self._seen
        known = np.einsum("ij,ij->i", near @ self.inverse, near)
        of_mean = np.einsum("ij,ij->i", off_mean @ self.mean_covariance, off_mean)
        variance = self.prior.variance(place) - known + of_mean
        return columns @ self.mean + near @ self._pull, np.maximum(variance, 0.0)

    def covariance(self, place: np.ndarray, columns: np.ndarray, other: np.ndarray, others: np.ndarray) -> np.ndarray:
        """Covariance of the curve between two sets of places, ``(n, m)``."""
        left, right = self.prior.covariance(place, self.place), self.prior.covariance(other, self.place)
        left_mean, right_mean = columns - left @ self._seen, others - right @ self._seen
        result: np.ndarray = (
            self.prior.covariance(place, other)
            - left @ self.inverse @ right.T
            + left_mean @ self.mean_covariance @ right_mean.T
        )
        return result


def matern(place: np.ndarray, other: np.ndarray, amplitude: float, length: float) -> np.ndarray:
    """Matern 3/2 covariance between places ``(n,)`` and ``(m,)``: ``(n, m)``."""
    distance = math.sqrt(3.0) * np.abs(place[:, None] - other[None, :]) / length
    result: np.ndarray = amplitude**2 * (1.0 + distance) * np.exp(-distance)
    return result


def fit_kriging(place: np.ndarray, columns: np.ndarray, values: np.ndarray, stderr: np.ndarray) -> Kriging:
    """Curve through ``values`` ``(n,)`` with standard errors ``stderr`` at ``place``; ``columns`` is the mean's basis.

    At least two points more than columns, and columns of full rank, else ValueError. NaN are not allowed.
    """
    count, terms = columns.shape
    if count < terms + 2 or np.linalg.matrix_rank(columns) < terms:
        raise ValueError(f"{count} points cannot carry a mean of {terms} terms")
    choices = list(_choices(place, values, stderr))
    likelihood = np.concatenate(
        [
            _likelihoods(place, columns, values, choices[first : first + AT_ONCE])
            for first in range(0, len(choices), AT_ONCE)
        ]
    )
    weight = np.exp(likelihood - likelihood.max())
    kept = np.flatnonzero(weight >= NEGLIGIBLE)
    weight = weight[kept] / weight[kept].sum()
    components = tuple(_solve(place, columns, values, *choices[index][:2]) for index in kept)
    return Kriging(tuple(weight.tolist()), components)


def _choices(place: np.ndarray, values: np.ndarray, stderr: np.ndarray) -> Iterator[tuple[Prior, np.ndarray, float]]:
    """(prior, variance of the points, log of the prior odds) of every component tried."""
    spread, level, span = float(np.ptp(values)), float(np.abs(values).mean()), float(np.ptp(place))
    slope = KINK_SLOPE * spread / span
    kinks = np.unique(place)[1:-1]
    tried = np.arange(kinks[0], kinks[-1], KINK_EVERY * span) if len(kinks) > 2 else np.empty(0)
    for amplitude, length, nugget in product(AMPLITUDES, LENGTHS, NUGGETS):
        variance = stderr**2 + (nugget * level) ** 2 + (1e-6 * level) ** 2
        yield Prior(amplitude * spread, length * span), variance, 0.0
        if length >= 1.0 and amplitude < 1.0:  # beside a kink the rest is smooth
            for kink in tried.tolist():
                yield Prior(amplitude * spread, length * span, kink, slope), variance, -math.log(len(tried))


def _likelihoods(
    place: np.ndarray, columns: np.ndarray, values: np.ndarray, choices: Sequence[tuple[Prior, np.ndarray, float]]
) -> np.ndarray:
    """Restricted log-likelihood, prior odds included, of many choices at once."""
    covariance = np.stack([prior.covariance(place, place) + np.diag(variance) for prior, variance, _ in choices])
    sides = np.broadcast_to(np.column_stack((columns, values)), (len(choices), len(values), columns.shape[1] + 1))
    solved = np.linalg.solve(covariance, sides)
    gram = np.einsum("nt,cnu->ctu", np.column_stack((columns, values)), solved)
    information, cross, square = gram[:, :-1, :-1], gram[:, :-1, -1], gram[:, -1, -1]
    explained = np.einsum("ct,ct->c", cross, np.linalg.solve(information, cross[..., None])[..., 0])
    odds = np.array([choice[2] for choice in choices])
    spread = np.linalg.slogdet(covariance)[1] + np.linalg.slogdet(information)[1]
    return odds - 0.5 * (square - explained + spread)  # type: ignore[no-any-return]


def _solve(place: np.ndarray, columns: np.ndarray, values: np.ndarray, prior: Prior, variance: np.ndarray) -> Component:
    """The curve for one choice of hyperparameters."""
    inverse = np.linalg.inv(prior.covariance(place, place) + np.diag(variance))
    mean_covariance = np.linalg.inv(columns.T @ inverse @ columns)
    mean = mean_covariance @ (columns.T @ inverse @ values)
    return Component(place, columns, values, prior, variance, inverse, mean, mean_covariance)
