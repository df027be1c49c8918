"""Sequential likelihood ratios: whether a step or a growth has begun by now, for many possible beginnings at once."""

from __future__ import annotations

from dataclasses import dataclass
from math import lgamma, log

import numpy as np

from whirlbench.analysis.onset.whitening import HealthyFilter

BLOCK = 4  # frames between decisions
SHAPES = (0.0, 1.0, 2.0)  # powers of elapsed time: a step, a straight growth, one that speeds up
RECENT, APART = 40, 12  # blocks: every beginning of the last forty seconds, every twelfth since the start
SCALE_S = 10.0  # elapsed times are measured in this, for numbers of moderate size


@dataclass(frozen=True)
class Evidence:
    """Evidence in nats per decision ``(decisions, signals)``: minus the log of the chance of as much by luck.

    For one decision and one signal; ``time_s`` ``(decisions,)`` is when each could be made.
    """

    time_s: np.ndarray
    nats: np.ndarray


def power_signatures(time_s: np.ndarray, begin_s: np.ndarray, powers: tuple[float, ...]) -> np.ndarray:
    """Signatures ((t - begin) / longest)^power, zero before ``begin_s``: ``(frames, begins * powers)``."""
    elapsed = np.maximum(time_s[:, None] - begin_s, 0.0)
    scale = max(float(elapsed.max(initial=0.0)), 1e-9)
    began = time_s[:, None] >= begin_s
    shapes = [np.where(began, (elapsed / scale) ** power if power else 1.0, 0.0) for power in powers]
    return np.stack(shapes, axis=2).reshape(len(time_s), -1)


def sequential_evidence(
    healthy: HealthyFilter, white: np.ndarray, time_s: np.ndarray, signals: tuple[tuple[int, ...], ...]
) -> Evidence:
    """Evidence of damage after every block of four frames, largest over beginnings and shapes.

    ``white`` ``(frames, columns)``: innovations of the features; ``signals``: columns that move together. Within a
    signal the squared product sums add to a chi-square of as many degrees as columns; frames not judged say nothing.
    Beginnings: every block of the last forty seconds, and every twelfth block since the start of the run.
    """
    blocks = len(time_s) // BLOCK
    if blocks < 2:
        return Evidence(np.empty(0), np.empty((0, len(signals))))
    nats = np.zeros((blocks, len(signals)))
    for product, energy in (_recent(healthy, white, time_s, blocks), _long_ago(healthy, white, time_s, blocks)):
        scaled = product**2 / np.where(energy > 1e-6, 2 * energy, np.inf)[:, :, None]
        for number, columns in enumerate(signals):
            strongest = scaled[:, :, list(columns)].sum(axis=2).max(axis=1)
            nats[:, number] = np.maximum(nats[:, number], tail_nats(strongest, len(columns)))
    return Evidence(time_s[BLOCK - 1 : blocks * BLOCK : BLOCK], nats)


def _recent(
    healthy: HealthyFilter, white: np.ndarray, time_s: np.ndarray, blocks: int
) -> tuple[np.ndarray, np.ndarray]:
    """Product sums ``(blocks, beginnings, columns)`` and energies of the last RECENT blocks, beginnings in turn."""
    slots = min(RECENT, blocks)
    stream = healthy.stream(slots * len(SHAPES))
    begun = np.zeros(slots, int)  # frame at which each slot's beginning lies
    signature = np.zeros((slots, len(SHAPES)))
    product, energy = np.zeros((slots * len(SHAPES), white.shape[1])), np.zeros(slots * len(SHAPES))
    products, energies = np.zeros((blocks, *product.shape)), np.zeros((blocks, len(energy)))
    judged = set(healthy.frames_from(0))
    for block in range(blocks):
        slot = block % slots
        own = slice(slot * len(SHAPES), (slot + 1) * len(SHAPES))
        begun[slot] = block * BLOCK
        stream.forget(own)
        product[own], energy[own] = 0.0, 0.0
        for frame in range(block * BLOCK, (block + 1) * BLOCK):
            if frame not in judged:
                continue
            elapsed = (time_s[frame] - time_s[begun[: block + 1]]) / SCALE_S
            for column, power in enumerate(SHAPES):
                signature[: block + 1, column] = elapsed**power
            seen = stream.feed(frame, signature.ravel())
            product += seen[:, None] * white[frame]
            energy += seen**2
        products[block], energies[block] = product, energy
    return products, energies


def _long_ago(
    healthy: HealthyFilter, white: np.ndarray, time_s: np.ndarray, blocks: int
) -> tuple[np.ndarray, np.ndarray]:
    """Product sums and energies for beginnings far apart, followed to the end of the run."""
    used = blocks * BLOCK
    begins = np.arange(0, used, BLOCK * APART)
    signature = np.zeros((len(time_s), len(begins) * len(SHAPES)))
    signature[:used] = power_signatures(time_s[:used], time_s[begins], SHAPES)
    seen = healthy.whiten(signature, np.repeat(begins, len(SHAPES)))[:used].reshape(blocks, BLOCK, -1)
    product = np.matmul(seen.transpose(0, 2, 1), white[:used].reshape(blocks, BLOCK, -1))
    return np.cumsum(product, axis=0), np.cumsum((seen**2).sum(axis=1), axis=0)


def tail_nats(half_chi_square: np.ndarray, degrees: int) -> np.ndarray:
    """Minus the log of the chance that a chi-square of ``degrees`` exceeds twice ``half_chi_square``.

    Leading terms of the incomplete gamma function's expansion, good to 0.1 nats above the mean, where it matters; zero
    below (Abramowitz and Stegun 6.5.32, from memory; checked against scipy).
    """
    x, shape = np.maximum(half_chi_square, 1e-9), degrees / 2
    if shape == 1.0:
        return np.where(x > 0, x, 0.0)
    series = 1.0 + (shape - 1) / x + (shape - 1) * (shape - 2) / x**2
    series += (shape - 1) * (shape - 2) * (shape - 3) / x**3
    nats = x - (shape - 1) * np.log(x) + lgamma(shape) - np.log(np.maximum(series, 0.2))
    return np.where(x > shape + 1.0, np.maximum(nats, 0.0), 0.0)


def alarm_level(mean_time_s: float, decision_s: float, signals: int) -> float:
    """Evidence in nats at which alarms by luck come every ``mean_time_s``, deciding each ``decision_s`` on ``signals``.

    Log of the number of decisions and signals between alarms, plus what looking at many beginnings and shapes costs;
    that term is measured (tests/benchmarks/onset_delay.py) and holds to within a factor of two in time.
    """
    return log(max(mean_time_s / decision_s, 2.0)) + log(max(signals, 1)) + SEARCH_NATS


SEARCH_NATS = 1.7
