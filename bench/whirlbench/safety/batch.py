"""What rules are fed, what they answer, and what every one of them offers."""

from __future__ import annotations

import functools
from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Protocol

import numpy as np

from whirlbench.rig.limits import TRENDS, caution_words

TREND_KEYS = frozenset(trend.key for trend in TRENDS)


def _none() -> np.ndarray:
    return np.empty(0)


@dataclass(frozen=True)
class VibrationBlock:
    """Neighbouring accelerometer samples: running number of the first, times ``(n,)``, ``g (n, axes)``."""

    first_index: int
    time_s: np.ndarray
    acceleration_g: np.ndarray
    known_counts: dict[float, np.ndarray] = field(default_factory=dict, repr=False, compare=False)

    def counts(self, g_per_count: float) -> np.ndarray:
        """The device's own whole numbers ``(n, axes)`` int64, worked out once for all rules."""
        if g_per_count not in self.known_counts:
            self.known_counts[g_per_count] = np.rint(self.acceleration_g / g_per_count).astype(np.int64)
        return self.known_counts[g_per_count]


@dataclass(frozen=True)
class Batch:
    """What came in since the last batch: slow channels by name on ``time_s``, tach edges, vibration blocks.

    ``load_cell`` holds (time in s, conversions of the load cell since the count before), once a second in a live run.
    """

    time_s: np.ndarray = field(default_factory=_none)
    slow: Mapping[str, np.ndarray] = field(default_factory=dict)
    edges_s: np.ndarray = field(default_factory=_none)
    vibration: tuple[VibrationBlock, ...] = ()
    load_cell: tuple[tuple[float, int], ...] = ()

    @functools.cached_property
    def sample(self) -> Mapping[str, float] | None:
        """The slow channels as numbers where the batch holds one sample, as in most turns of a live run; else None."""
        return {name: float(column[0]) for name, column in self.slow.items()} if len(self.time_s) == 1 else None


@dataclass(frozen=True)
class Trip:
    """A rule that fired: its name, when, on what value, against which limit (in the unit the name tells)."""

    rule: str
    at_s: float
    value: float
    limit: float

    def text(self, read: str = "") -> str:
        """One line for events and screens; ``read``: the value with what it errs by, where somebody knows that."""
        if self.rule in TREND_KEYS:
            return caution_words(self.rule, self.value, self.limit)
        return f"{self.rule} {read or f'{self.value:.5g}'}, limit {self.limit:.5g}"


class Rule(Protocol):
    """What every rule offers; ``name`` is the rig's key of the limit."""

    name: str

    def feed(self, batch: Batch) -> Trip | None:
        """First trip in ``batch``, or None."""

    def reset(self) -> None:
        """Forgets everything that was fed."""
