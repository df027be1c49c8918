"""Dating: from the evidence of every signal to one beginning of the run's change, and one of each signal that moved."""

from __future__ import annotations

from dataclasses import dataclass
from typing import NamedTuple

import numpy as np

from whirlbench.analysis.onset.beginning import Likelihood, beginning, beginning_likelihoods, beginnings
from whirlbench.analysis.onset.features import Signal
from whirlbench.analysis.onset.growths import FAMILY
from whirlbench.analysis.onset.whitening import HealthyFilter


class Window(NamedTuple):
    """How much data tell a beginning: until the evidence is ``enough_nats`` beyond the alarm level, or ``wait_s``."""

    enough_nats: float
    wait_s: float


# Chosen on the campaigns in tests/benchmarks. More data sharpen the likeliest beginning, but bring the course of late
# growth, which is none of the family where it stops: the interval is told without them.
FOR_INTERVAL, FOR_LIKELIEST = Window(80.0, 4.0), Window(250.0, 8.0)
SHARPNESS = 0.8  # tempers the likelihoods, for growth that is none of the family
FRAME_BLUR_S = 0.25
SEARCHED_S = 50.0  # before the data used; further back only where the beginning may lie there
SPEAKS = 0.4  # of the alarm level: less says nothing of a beginning, and is given as these nats
NOTHING_NATS = -50.0
# Prior shares of a signal: as the first began, later by itself, not at all. Our choices.
TOGETHER, LATER, UNMOVED = 0.49, 0.01, 0.5
MOVED = 0.9  # share of belief from which a signal counts as moved


@dataclass(frozen=True)
class SignalOnset:
    """A signal that left its healthy behaviour: its own beginning and first caution."""

    signal: str
    at_s: float
    from_s: float
    to_s: float
    caution_s: float


@dataclass(frozen=True)
class FirstBeginning:
    """The pooled beginning with its 95 % interval and the first caution, in s.

    ``signal`` is the one that tells most of it, ``kind`` "step" or "growth"; ``moved`` names the signals that had
    moved by eight seconds past the caution, ``together`` those of them that began with the first.
    """

    at_s: float
    from_s: float
    to_s: float
    caution_s: float
    signal: str
    kind: str
    moved: tuple[str, ...]
    together: tuple[str, ...]


@dataclass(frozen=True)
class Pooled:
    """Log posterior ``nats`` ``(beginnings,)`` of the first beginning, and per signal how likely it takes part.

    ``together``: the share of belief that the signal began with the first; ``moved``: that it moved at all by then.
    """

    nats: np.ndarray
    together: np.ndarray
    moved: np.ndarray


def pooled(marginals: list[np.ndarray], beginnings: int) -> Pooled:
    """Pools signals' log likelihood ratios against no change, each over the same beginnings, at least ``beginnings``.

    A signal may be given more beginnings than the first ones that are pooled: it may have begun later than the first
    caution. At least one signal began at the pooled beginning; which one need not be known.
    """
    with_first = np.array([np.log(TOGETHER) + nats[:beginnings] for nats in marginals])
    later = np.array([np.log(LATER) + _later(nats)[:beginnings] for nats in marginals])
    still = np.full_like(later, np.log(UNMOVED))
    apart = np.logaddexp(later, still)
    each = np.logaddexp(with_first, apart)
    none = apart.sum(axis=0)
    every = each.sum(axis=0)
    nats = every + np.log1p(-np.exp(np.minimum(none - every, -1e-12)))
    weight = np.exp(nats - nats.max())
    weight /= weight.sum()
    return Pooled(nats, np.exp(with_first - each) @ weight, 1.0 - np.exp(still - each) @ weight)


def _later(nats: np.ndarray) -> np.ndarray:
    """Log of the likelihood of a beginning after each, all beginnings being as likely beforehand."""
    top = nats.max()
    from_here = np.cumsum(np.exp(nats - top)[::-1])[::-1] / len(nats)
    result: np.ndarray = top + np.log(np.maximum(from_here, 1e-300))
    return result


@dataclass(frozen=True)
class Part:
    """Signals of a run with the healthy model they share; ``columns`` per signal into ``white``."""

    signals: tuple[Signal, ...]
    columns: tuple[tuple[int, ...], ...]
    time_s: np.ndarray
    judged_s: np.ndarray
    healthy: HealthyFilter
    white: np.ndarray
    scatter: np.ndarray  # (points, columns)
    rpm: np.ndarray  # (points,)

    @property
    def step_s(self) -> float:
        """Seconds between frames."""
        return float(self.time_s[1] - self.time_s[0]) if len(self.time_s) > 1 else FRAME_BLUR_S

    def likelihoods(
        self, begin_s: np.ndarray, until_s: float, signals: tuple[tuple[int, ...], ...]
    ) -> tuple[Likelihood, ...]:
        """Likelihood of every beginning for each of ``signals``, from data up to ``until_s``."""
        return beginning_likelihoods(self.healthy, self.white, self.time_s, begin_s, until_s, signals)


@dataclass(frozen=True)
class Watch:
    """One signal under watch: where it is prepared, its columns there, and its evidence."""

    signal: Signal
    part: Part
    columns: tuple[int, ...]
    time_s: np.ndarray
    nats: np.ndarray

    @property
    def name(self) -> str:
        """The signal's name."""
        return self.signal.name

    def caution_s(self, level: float) -> float:
        """When the evidence first passed ``level``; infinite where it never did."""
        over = np.flatnonzero(self.nats > level)
        return float(self.time_s[over[0]]) if len(over) else np.inf

    def until_s(self, level: float, first_s: float, window: Window) -> float:
        """End of the data that tell the beginning: the evidence is ample, or so long past the caution."""
        caution_s = min(self.caution_s(level), first_s + FOR_LIKELIEST.wait_s)
        ample = np.flatnonzero((self.nats > level + window.enough_nats) & (self.time_s >= caution_s))
        until_s = min(caution_s + window.wait_s, float(self.time_s[ample[0]]) if len(ample) else np.inf)
        return min(until_s, float(self.part.judged_s[-1]))


def first_beginning(
    watched: tuple[Watch, ...], level: float, after_s: float = -np.inf
) -> tuple[FirstBeginning | None, tuple[SignalOnset, ...]]:
    """The pooled beginning of the run's change, and the beginning of every signal that passed ``level``.

    Nothing begins before ``after_s``, the end of a stated baseline, or after the caution it raised.
    """
    alarmed = [one for one in watched if np.isfinite(one.caution_s(level))]
    if not alarmed:
        return None, ()
    caution_s = min(one.caution_s(level) for one in alarmed)
    first_s = max(min(float(one.part.judged_s[0]) for one in watched), after_s)
    last_s = max(s for s in (one.caution_s(level) for one in alarmed) if s <= caution_s + FOR_LIKELIEST.wait_s)
    begin_s = beginnings(max(first_s, caution_s - SEARCHED_S), last_s)
    found = _likelihoods(watched, level, caution_s, begin_s, FOR_INTERVAL)
    further_back = any(_reaches_back(*pair, level) for pair in zip(watched, found, strict=True))
    if further_back and caution_s - SEARCHED_S > first_s:
        begin_s = beginnings(first_s, last_s)
        found = _likelihoods(watched, level, caution_s, begin_s, FOR_INTERVAL)
    ample = _likelihoods(watched, level, caution_s, begin_s, FOR_LIKELIEST)
    first = _pooled_beginning(watched, found, ample, level, caution_s)
    signals = [
        _signal_onset(one, likelihood if one.caution_s(level) <= last_s else _alone(one, level, first_s), level)
        for one, likelihood in zip(watched, found, strict=True)
        if one in alarmed
    ]
    return first, tuple(sorted(signals, key=lambda one: one.at_s))


def _reaches_back(one: Watch, likelihood: Likelihood, level: float) -> bool:
    return bool(np.isfinite(one.caution_s(level))) and likelihood.reaches_back()


def _alone(one: Watch, level: float, first_s: float) -> Likelihood:
    """Likelihood of the beginning of a signal that moved long after the first."""
    caution_s = one.caution_s(level)
    begin_s = beginnings(max(first_s, caution_s - SEARCHED_S), caution_s)
    return one.part.likelihoods(begin_s, one.until_s(level, caution_s, FOR_INTERVAL), (one.columns,))[0]


def _signal_onset(one: Watch, likelihood: Likelihood, level: float) -> SignalOnset:
    caution_s = one.caution_s(level)
    before = max(int(np.searchsorted(likelihood.begin_s, caution_s, side="right")), 1)
    when = beginning(likelihood.begin_s[:before], likelihood.marginal(SHARPNESS)[:before], FRAME_BLUR_S)
    return SignalOnset(one.name, when.at_s, when.from_s, min(when.to_s, caution_s), caution_s)


def _pooled_beginning(
    watched: tuple[Watch, ...], found: list[Likelihood], ample: list[Likelihood], level: float, caution_s: float
) -> FirstBeginning:
    """The pooled beginning: its interval by ``found``, the likeliest within it and all else by ``ample`` data."""
    begin_s = found[0].begin_s
    before = max(int(np.searchsorted(begin_s, caution_s, side="right")), 1)
    begin_s = begin_s[:before]
    when = beginning(begin_s, pooled([one.marginal(SHARPNESS) for one in found], before).nats, FRAME_BLUR_S)
    pool = pooled([one.marginal(SHARPNESS) for one in ample], before)
    inside = (begin_s >= when.from_s) & (begin_s <= when.to_s)
    at_s = float(begin_s[np.argmax(np.where(inside, pool.nats, -np.inf))])
    moved = [number for number in range(len(watched)) if pool.moved[number] > MOVED]
    alarmed = np.array([one.caution_s(level) <= caution_s + FOR_LIKELIEST.wait_s for one in watched])
    strength = np.array([one.marginal().max() for one in ample]) + np.log(np.maximum(pool.together, 1e-9))
    leading = int(np.argmax(np.where(alarmed, strength, -np.inf)))
    best = ample[leading].nats.max(axis=0)
    return FirstBeginning(
        at_s, when.from_s, min(when.to_s, caution_s), caution_s, watched[leading].name,
        "step" if best[0] > best[1:].max() else "growth",
        tuple(watched[number].name for number in moved),
        tuple(watched[number].name for number in moved if pool.together[number] > 0.5 * pool.moved[number]),
    )  # fmt: skip


def _likelihoods(
    watched: tuple[Watch, ...], level: float, caution_s: float, begin_s: np.ndarray, window: Window
) -> list[Likelihood]:
    """Likelihoods of all signals over the same beginnings; signals of one part that end together are taken together."""
    groups: dict[tuple[int, float], list[int]] = {}
    for number, one in enumerate(watched):
        if any(_speaks(other, level, caution_s) for other in watched if other.part is one.part):
            groups.setdefault((id(one.part), one.until_s(level, caution_s, window)), []).append(number)
    silent = Likelihood(begin_s, np.full((len(begin_s), len(FAMILY)), NOTHING_NATS))
    found = [silent] * len(watched)
    for (_, until_s), numbers in groups.items():
        columns = tuple(watched[number].columns for number in numbers)
        told = watched[numbers[0]].part.likelihoods(begin_s, until_s, columns)
        for number, likelihood in zip(numbers, told, strict=True):
            found[number] = likelihood
    return found


def _speaks(one: Watch, level: float, caution_s: float) -> bool:
    """Whether a signal has anything to say of the beginning; asking all others, too, would only take time."""
    return bool(one.nats[one.time_s <= caution_s + FOR_LIKELIEST.wait_s].max(initial=0.0) > SPEAKS * level)
