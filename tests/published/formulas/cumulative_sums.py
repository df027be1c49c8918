"""Classical change detection, to set ours beside: cumulative sums and their run lengths, and the best split in two."""

from __future__ import annotations

from dataclasses import dataclass
from math import erf, log, pi, sqrt

import numpy as np

from whirlbench.errors import AnalysisError

NODES = 64  # Gauss-Legendre nodes of the run-length integral: four digits up to thresholds of 15


@dataclass(frozen=True)
class CusumSignal:
    """First alarm of a two-sided CUSUM.

    Sample index of the alarm, of the last good sample, the sum, and its side (+1, -1).
    """

    alarm: int
    last_good: int
    value: float
    side: int


def cusum(values: np.ndarray, allowance: float) -> np.ndarray:
    """Upper cumulative sum C = max(0, C + x - allowance), from zero, of standardised ``values`` ``(n, ...)``; no NaN.

    Along the first axis, in closed form: the running sum less its own running minimum. Page, Biometrika 41 (1954) 100.
    """
    total = np.cumsum(values - allowance, axis=0)
    return total - np.minimum(np.minimum.accumulate(total, axis=0), 0.0)


def first_signal(
    values: np.ndarray, mean: float, sigma: float, allowance: float, threshold: float
) -> CusumSignal | None:
    """First crossing of ``threshold`` (in sigmas, exclusive) by either side; None when there is none.

    The last good sample is the last at which the alarming sum was zero, -1 when it never was.
    """
    standard = (np.asarray(values, dtype=float) - mean) / sigma
    found = []
    for side in (1, -1):
        sums = cusum(side * standard, allowance)
        over = np.flatnonzero(sums > threshold)
        if len(over):
            zero = np.flatnonzero(sums[: over[0]] <= 0)
            found.append(CusumSignal(int(over[0]), int(zero[-1]) if len(zero) else -1, float(sums[over[0]]), side))
    return min(found, key=lambda signal: signal.alarm, default=None)


def run_length(allowance: float, threshold: float, shift: float = 0.0) -> float:
    """Mean samples to alarm of a one-sided CUSUM on unit normal samples with mean ``shift``, started at zero.

    L(z) = 1 + L(0) P(x <= k - z) + integral of L(y) phi(y + k - z - shift) dy over (0, h), solved on Gauss-Legendre
    nodes. Page's integral equation; Goel and Wu, Technometrics 13 (1971) 221 (from memory).
    """
    nodes, weights = np.polynomial.legendre.leggauss(NODES)
    y, w = (nodes + 1) * threshold / 2, weights * threshold / 2
    z = np.concatenate([[0.0], y])
    density = np.exp(-((y[None, :] + allowance - z[:, None] - shift) ** 2) / 2) / sqrt(2 * pi)
    below = np.array([0.5 * (1 + erf((allowance - one - shift) / sqrt(2))) for one in z])
    system = np.eye(NODES + 1) - np.column_stack([below, density * w])
    return float(np.linalg.solve(system, np.ones(NODES + 1))[0])


def two_sided_run_length(allowance: float, threshold: float, shift: float = 0.0) -> float:
    """Mean samples to alarm of an upper and a lower CUSUM together: 1/L = 1/L+ + 1/L- (Kemp 1961, from memory)."""
    upper, lower = (run_length(allowance, threshold, side * shift) for side in (1, -1))
    return 1.0 / (1.0 / upper + 1.0 / lower)


def threshold_for(allowance: float, mean_run_length: float) -> float:
    """Threshold at which a one-sided CUSUM runs ``mean_run_length`` samples between false alarms.

    Bisection on the integral equation, from Siegmund's approximation. Raises AnalysisError when fewer than ten samples
    are asked for.
    """
    if mean_run_length < 10:
        raise AnalysisError(f"{mean_run_length:g} samples between false alarms: at least 10 must be asked for")
    guess = siegmund_threshold(allowance, mean_run_length)
    low, high = max(0.1, guess - 1.0), guess + 1.0
    for _ in range(40):
        middle = (low + high) / 2
        low, high = (middle, high) if run_length(allowance, middle) < mean_run_length else (low, middle)
    return (low + high) / 2


def siegmund_run_length(allowance: float, threshold: float, shift: float = 0.0) -> float:
    """Siegmund's approximation (exp(-2 d b) + 2 d b - 1) / (2 d^2), d = shift - allowance, b = threshold + 1.166."""
    drift, height = shift - allowance, threshold + 1.166
    if drift == 0:
        return height**2
    return float((np.exp(-2 * drift * height) + 2 * drift * height - 1) / (2 * drift**2))


def siegmund_threshold(allowance: float, mean_run_length: float) -> float:
    """Threshold by Siegmund's approximation, solved by fixed-point iteration."""
    height = 3.0
    for _ in range(50):
        height = log(2 * allowance**2 * mean_run_length + 2 * allowance * height + 1) / (2 * allowance)
    return height - 1.166


def least_mean_delay(mean_run_length: float, divergence_nats: float) -> float:
    """Lorden's lower bound on mean delay in samples: log of the false-alarm interval over the Kullback-Leibler number.

    Asymptotic in the interval. Lorden, Annals of Mathematical Statistics 42 (1971) 1897 (from memory).
    """
    return log(mean_run_length) / divergence_nats


@dataclass(frozen=True)
class Split:
    """Best split of a series into two levels: the second begins at ``index``; ``gain`` is the squared error saved."""

    index: int
    gain: float


def best_split(values: np.ndarray) -> Split:
    """Least-squares split of ``values`` ``(n, columns)`` into two constant levels, by running sums.

    Needs n >= 2 and no NaN.
    Twice the gain over the noise variance is the likelihood ratio of a step (Hinkley, Biometrika 57 (1970) 1).
    """
    count = np.arange(1, len(values))[:, None]
    total = values.sum(axis=0)
    before = np.cumsum(values, axis=0)[:-1]
    gain = (before**2 / count + (total - before) ** 2 / (len(values) - count) - total**2 / len(values)).sum(axis=1)
    best = int(np.argmax(gain))
    return Split(best + 1, float(gain[best]))
