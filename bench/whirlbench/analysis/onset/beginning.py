"""When did it begin: the likelihood of every beginning and every course of growth, from all data up to a decision."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from whirlbench.analysis.onset.growths import FAMILY, PRIOR, Signatures
from whirlbench.analysis.onset.whitening import HealthyFilter

NARROWEST_S = 0.25
MOST_BEGINNINGS = 240
COVERAGE = 0.95
FINAL_SIZE = 30.0  # scatters: prior deviation of what a change has grown to; our choice, wide


@dataclass(frozen=True)
class Beginning:
    """When something began: most likely, and the ends of its 95 % interval, in s."""

    at_s: float
    from_s: float
    to_s: float


@dataclass(frozen=True)
class Likelihood:
    """Log likelihood ratio against no change, ``nats`` ``(beginnings, courses)``, of one signal."""

    begin_s: np.ndarray
    nats: np.ndarray

    def reaches_back(self) -> bool:
        """Whether the first tenth of the beginnings cannot be ruled out (within ten nats of the best)."""
        early = self.nats[: max(1, len(self.begin_s) // 10)]
        return bool(early.max() > self.nats.max() - 10.0)

    def marginal(self, sharpness: float = 1.0) -> np.ndarray:
        """Log of the mean over the courses by their prior, ``(beginnings,)``; ``sharpness`` below 1 tempers it."""
        tempered = sharpness * self.nats + np.log(PRIOR)
        top = tempered.max(axis=1)
        result: np.ndarray = top + np.log(np.exp(tempered - top[:, None]).sum(axis=1))
        return result


def beginnings(earliest_s: float, until_s: float) -> np.ndarray:
    """Beginnings to try between two times, a quarter of a second apart or, in a long span, the 240th part of it."""
    spacing_s = max(NARROWEST_S, (until_s - earliest_s) / MOST_BEGINNINGS)
    return np.arange(earliest_s, max(until_s, earliest_s + 0.5 * spacing_s), spacing_s)


def beginning_likelihoods(
    healthy: HealthyFilter,
    white: np.ndarray,
    time_s: np.ndarray,
    begin_s: np.ndarray,
    until_s: float,
    signals: tuple[tuple[int, ...], ...],
) -> tuple[Likelihood, ...]:
    """Log likelihood ratio of every beginning ``begin_s`` (increasing) for each of ``signals``, from data to a time.

    ``white`` ``(frames, columns)``: innovations; ``signals``: columns that move together. What a change has grown to by
    ``until_s`` is unknown per column, normal about zero with a deviation of 30 scatters, and integrated out (Bayesian
    linear model, Bishop, Pattern Recognition and Machine Learning, 2006, section 3.3, from memory).
    """
    step_s = float(time_s[1] - time_s[0]) if len(time_s) > 1 else NARROWEST_S
    first, end = np.searchsorted(time_s, (begin_s[0] - step_s, until_s), side="right")
    shown = Signatures(begin_s, until_s, step_s)
    columns = len(begin_s) * len(FAMILY)
    energy, product = np.zeros(columns), np.zeros((columns, white.shape[1]))
    stream = healthy.stream(columns)
    for block in healthy.blocks_from(int(first)):
        frames = block.frames[block.frames < end]
        if not len(frames):
            break
        shapes = [shown.at(time_s[frame]).ravel() for frame in frames]
        signature = np.zeros((len(frames), len(shapes[-1])))
        for row, shape in enumerate(shapes):
            signature[row, : len(shape)] = shape
        seen = stream.feed(block, signature)
        used = slice(0, seen.shape[1])
        energy[used] += np.einsum("ij,ij->j", seen, seen)
        product[used] += seen.T @ white[frames]
    ratios = (_ratio(energy, product[:, list(one)]).reshape(shown.allowed.shape) for one in signals)
    return tuple(Likelihood(begin_s, np.where(shown.allowed, ratio, -np.inf)) for ratio in ratios)


def _ratio(energy: np.ndarray, product: np.ndarray) -> np.ndarray:
    """Log likelihood ratio with the final sizes integrated out, from energies and product sums."""
    gain = (product**2).sum(axis=1) / (2.0 * (energy + FINAL_SIZE**-2))
    result: np.ndarray = gain - 0.5 * product.shape[1] * np.log1p(FINAL_SIZE**2 * energy)
    return result


def beginning(begin_s: np.ndarray, nats: np.ndarray, widen_s: float = 0.0) -> Beginning:
    """Most likely beginning and the central 95 % under log posterior ``nats`` ``(beginnings,)``.

    ``widen_s`` (a frame blurs what it sees) and half the spacing of the beginnings are added at both ends; the interval
    holds the most likely beginning.
    """
    widen_s += 0.5 * float(begin_s[1] - begin_s[0]) if len(begin_s) > 1 else 0.0
    weight = np.exp(nats - nats.max())
    best = float(begin_s[int(np.argmax(weight))])
    share = np.cumsum(weight) / weight.sum()
    low, high = (_quantile(begin_s, share, q) for q in ((1 - COVERAGE) / 2, (1 + COVERAGE) / 2))
    return Beginning(best, min(low, best) - widen_s, max(high, best) + widen_s)


def _quantile(begin_s: np.ndarray, share: np.ndarray, q: float) -> float:
    return float(begin_s[min(int(np.searchsorted(share, q)), len(begin_s) - 1)])
