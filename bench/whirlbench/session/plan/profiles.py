"""Profiles: a control's value against time within one step of a plan."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass


@dataclass(frozen=True)
class Profile:
    """From ``start`` evenly to ``end`` within ``duration_s``, then ``end``; zero duration is there at once."""

    start: float
    end: float
    duration_s: float = 0.0

    def value(self, elapsed_s: float) -> float:
        """Value after ``elapsed_s`` seconds of the profile."""
        if elapsed_s >= self.duration_s:
            return self.end
        return self.start + (self.end - self.start) * max(elapsed_s, 0.0) / self.duration_s

    @classmethod
    def ramp(cls, start: float, end: float, rate_per_s: float) -> Profile:
        """A profile that moves by ``rate_per_s`` (above zero) per second."""
        return cls(start, end, abs(end - start) / rate_per_s)


def tone_frequencies_hz(low_hz: float, high_hz: float, tones: int, duration_s: float) -> list[float]:
    """Frequencies spread evenly on a logarithmic scale, each a whole number of periods in ``duration_s``.

    Frequencies that fall on the same whole number are taken once, so that fewer than ``tones`` may come back.
    """
    if tones == 1:
        wanted = [low_hz]
    else:
        wanted = [low_hz * (high_hz / low_hz) ** (place / (tones - 1)) for place in range(tones)]
    cycles = sorted({max(1, round(frequency * duration_s)) for frequency in wanted})
    return [cycle / duration_s for cycle in cycles]


class SumOfSines:
    """Sum of sines of equal strength with a low crest factor, scaled to a greatest excursion of 1.

    Phases: Schroeder, "Synthesis of low-peak-factor signals", IEEE Trans. Information Theory 16 (1970) 85, formula
    for a flat spectrum, from memory. The first value is not zero in general, so ``value`` fades in within one tenth.
    """

    def __init__(self, frequencies_hz: Sequence[float], duration_s: float) -> None:
        count = len(frequencies_hz)
        self._omega = [2.0 * math.pi * frequency for frequency in frequencies_hz]
        self._phase = [-math.pi * place * (place + 1) / count for place in range(count)]
        self._fade_s = 0.1 * duration_s
        self._peak = max(abs(self._sum(place * duration_s / 4096)) for place in range(4096))

    def _sum(self, elapsed_s: float) -> float:
        pairs = zip(self._omega, self._phase, strict=True)
        return sum(math.cos(omega * elapsed_s + phase) for omega, phase in pairs)

    def value(self, elapsed_s: float) -> float:
        """Excursion between -1 and 1 after ``elapsed_s``."""
        return self._sum(elapsed_s) / self._peak * min(1.0, max(elapsed_s, 0.0) / self._fade_s)
