"""Sequential likelihood ratios: whether a step or a growth has begun by now, for many possible beginnings at once."""

from __future__ import annotations

from dataclasses import dataclass
from math import lgamma, log

import numpy as np

from whirlbench.analysis.onset.whitening import BLOCK, Block, HealthyFilter

SHAPES = (0.0, 1.0, 2.0)  # powers of elapsed time: a step, a straight growth, one that speeds up
RECENT, APART = 40, 12  # blocks: every beginning of the last forty seconds, every twelfth since the start
# Beginnings further back may lie further apart: a growth of ten minutes looks the same from a few seconds earlier. In
# a run of up to ten minutes none is left out; longer ones cost time and memory by their length, not by its square.
FINENESS = 25
SCALE_S = 10.0  # elapsed times are measured in this, for numbers of moderate size


@dataclass(frozen=True)
class Evidence:
    """Evidence in nats per decision ``(decisions, signals)``: minus the log of the chance of as much by luck.

    For one decision and one signal; ``time_s`` ``(decisions,)`` is when each could be made.
    """

    time_s: np.ndarray
    nats: np.ndarray


def sequential_evidence(
    healthy: HealthyFilter,
    white: np.ndarray,
    time_s: np.ndarray,
    signals: tuple[tuple[int, ...], ...],
    after_s: float = -np.inf,
) -> Evidence:
    """Evidence of damage after every block of four frames, largest over beginnings and shapes.

    ``white`` ``(frames, columns)``: innovations of the features; ``signals``: columns that move together. Within a
    signal the squared product sums add to a chi-square of as many degrees as columns; frames not judged say nothing.
    Beginnings: every block of the last forty seconds, and every twelfth block since the start of the run, thinned out
    with their age beyond ten minutes; none before ``after_s``.
    """
    blocks = len(time_s) // BLOCK
    if blocks < 2:
        return Evidence(np.empty(0), np.empty((0, len(signals))))
    watched, half = _Beginnings(healthy, white, signals, min(RECENT, blocks)), np.zeros((blocks, len(signals)))
    judged: dict[int, list[Block]] = {}
    for part in healthy.blocks:
        judged.setdefault(int(part.frames[0]) // BLOCK, []).append(part)
    first = int(np.searchsorted(time_s[: blocks * BLOCK : BLOCK], after_s))
    for block in range(first, blocks):
        watched.begin(block - first, float(time_s[block * BLOCK]))
        for part in judged.get(block, ()):
            watched.feed(part, time_s)
        half[block] = watched.strongest()
    degrees = [len(columns) for columns in signals]
    nats = np.column_stack([tail_nats(half[:, at], size) for at, size in enumerate(degrees)])
    return Evidence(time_s[BLOCK - 1 : blocks * BLOCK : BLOCK], nats)


class _Beginnings:
    """Product sums ``(columns, beginnings * shapes)`` and energies of beginnings, as the run goes on.

    First stand those of the last ``slots`` blocks, each in place of the oldest, then every twelfth since the start,
    and of those further back one in FINENESS of their age.
    """

    def __init__(
        self, healthy: HealthyFilter, white: np.ndarray, signals: tuple[tuple[int, ...], ...], slots: int
    ) -> None:
        self._white, self._slots = white, slots
        self._member = np.zeros((len(signals), white.shape[1]))  # which column belongs to which signal
        for number, columns in enumerate(signals):
            self._member[number, list(columns)] = 1.0
        self._stream = healthy.stream(slots * len(SHAPES))
        self._begun_s = np.zeros(slots)
        self._product = np.zeros((white.shape[1], slots * len(SHAPES)))
        self._energy = np.zeros(slots * len(SHAPES))

    def begin(self, block: int, now_s: float) -> None:
        """A beginning at ``block``: among the recent ones, and where it is one of the twelfth, for longer."""
        if block == 0:
            self._begun_s[:] = now_s  # slots that will begin later begin with the first as well
        slot = block % self._slots
        own = slice(slot * len(SHAPES), (slot + 1) * len(SHAPES))
        self._begun_s[slot] = now_s
        self._stream.forget(own)
        self._product[:, own], self._energy[own] = 0.0, 0.0
        if block % APART == 0:
            self._keep(now_s)

    def _keep(self, now_s: float) -> None:
        kept = np.concatenate((np.ones(self._slots, bool), self._kept(self._begun_s[self._slots :], now_s)))
        rows = np.repeat(kept, len(SHAPES))
        self._stream.keep(rows, more=len(SHAPES))
        self._begun_s = np.append(self._begun_s[kept], now_s)
        fresh = np.zeros((self._white.shape[1], len(SHAPES)))
        self._product = np.concatenate((self._product[:, rows], fresh), axis=1)
        self._energy = np.concatenate((self._energy[rows], np.zeros(len(SHAPES))))

    @staticmethod
    def _kept(begun_s: np.ndarray, now_s: float) -> np.ndarray:
        """Which beginnings stay: one goes where those on either side of it lie close together for their age."""
        kept = np.ones(len(begun_s), bool)
        before = 0
        for place in range(1, len(begun_s) - 1):
            if begun_s[place + 1] - begun_s[before] <= (now_s - begun_s[place]) / FINENESS:
                kept[place] = False
            else:
                before = place
        return kept

    def feed(self, part: Block, time_s: np.ndarray) -> None:
        """Takes judged frames of the block that is decided on."""
        elapsed = (time_s[part.frames, None] - self._begun_s) / SCALE_S
        shown = np.empty((*elapsed.shape, len(SHAPES)))
        for number, shape in enumerate(SHAPES):
            shown[:, :, number] = elapsed**shape
        seen = self._stream.feed(part, shown.reshape(len(elapsed), -1), whole=True)
        self._product += self._white[part.frames].T @ seen
        self._energy += np.add.reduce(seen * seen)

    def strongest(self) -> np.ndarray:
        """Half of the largest chi-square by now over beginnings and shapes, for each signal."""
        energy = np.where(self._energy > 1e-6, 2 * self._energy, np.inf)
        square = self._product * self._product
        joined = self._member @ square if len(self._member) < len(square) else square
        largest: np.ndarray = np.maximum.reduce(joined / energy, axis=1)
        return largest


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
