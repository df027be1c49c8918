"""When did it begin: the likelihood of every beginning, from all the data up to a decision."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from whirlbench.analysis.onset.likelihood_ratio import power_signatures
from whirlbench.analysis.onset.whitening import HealthyFilter

POWERS = (0.0, 1.0, 1.5, 2.0)  # a step; growth from straight to by the square of time
NARROWEST_S = 0.25
MOST_BEGINNINGS = 240
COVERAGE = 0.95


@dataclass(frozen=True)
class Beginning:
    """When something began: most likely, and the ends of its 95 % interval, in s."""

    at_s: float
    from_s: float
    to_s: float


@dataclass(frozen=True)
class Likelihood:
    """Log likelihood ``nats`` ``(beginnings, powers)`` of one or more signals; joint beginnings add."""

    begin_s: np.ndarray
    nats: np.ndarray

    def reaches_back(self) -> bool:
        """Whether the first tenth of the beginnings cannot be ruled out (within ten nats of the best)."""
        early = self.nats[: max(1, len(self.begin_s) // 10)]
        return bool(early.max() > self.nats.max() - 10.0)


def beginning_likelihood(
    healthy: HealthyFilter, white: np.ndarray, time_s: np.ndarray, earliest_s: float, until_s: float
) -> Likelihood:
    """Log likelihood of every beginning between ``earliest_s`` and ``until_s``, from data up to ``until_s``.

    ``white`` ``(frames, columns)``: innovations of the signal's columns. The signature is a power of elapsed time; its
    size per column is unknown, with a flat prior on what it has grown to by ``until_s``, and integrated out.
    """
    spacing_s = max(NARROWEST_S, (until_s - earliest_s) / MOST_BEGINNINGS)
    begin_s = np.arange(earliest_s, until_s - 0.5 * NARROWEST_S, spacing_s)
    first = int(np.searchsorted(time_s, begin_s[0])) if len(begin_s) else 0
    end = int(np.searchsorted(time_s, until_s, side="right"))
    shapes = len(begin_s) * len(POWERS)
    largest = power_signatures(time_s[end - 1 : end], begin_s, POWERS)[0] if end else np.ones(shapes)
    active = np.maximum(np.searchsorted(time_s, begin_s), first)
    stream = healthy.stream(shapes)
    energy, product = np.zeros(shapes), np.zeros((shapes, white.shape[1]))
    longest_s = max(float(time_s[end - 1] - begin_s[0]), 1e-9) if end and len(begin_s) else 1.0
    for frame in healthy.frames_from(first):
        if frame >= end:
            break
        begun = int(np.searchsorted(active, frame, side="right"))
        elapsed = (time_s[frame] - begin_s[:begun]) / longest_s
        now = np.column_stack([elapsed**power for power in POWERS]).ravel()
        seen = stream.feed(frame, now / np.maximum(largest[: len(now)], 1e-3))
        energy[: len(seen)] += seen**2
        product[: len(seen)] += seen[:, None] * white[frame]
    good = energy > 0.05
    nats = (product**2).sum(axis=1) / np.where(good, 2 * energy, np.inf)
    nats -= 0.5 * white.shape[1] * np.log(np.maximum(energy, 0.05))
    nats = np.where(good, nats, -np.inf).reshape(len(begin_s), len(POWERS))
    return Likelihood(begin_s, nats)


def beginning(likelihood: Likelihood, sharpness: float = 1.0, widen_s: float = 0.0) -> Beginning:
    """Most likely beginning, and the central 95 % under a flat prior.

    ``sharpness`` below 1 tempers the likelihood for the interval. Tempering allows for shapes of growth that are none
    of the powers. ``widen_s`` is added at both ends (a frame blurs what it sees), and the interval always holds the
    most likely beginning.
    """
    nats = likelihood.nats - likelihood.nats.max()
    best = float(likelihood.begin_s[int(np.argmax(np.exp(nats).sum(axis=1)))])
    weight = np.exp(sharpness * nats)
    share = np.cumsum(weight.sum(axis=1)) / weight.sum()
    low, high = (_quantile(likelihood.begin_s, share, q) for q in ((1 - COVERAGE) / 2, (1 + COVERAGE) / 2))
    return Beginning(best, min(low, best) - widen_s, max(high, best) + widen_s)


def _quantile(begin_s: np.ndarray, share: np.ndarray, q: float) -> float:
    return float(begin_s[min(int(np.searchsorted(share, q)), len(begin_s) - 1)])
