"""A trace of the decision loop, on demand: when each stage of each turn was over, in an array made beforehand.

For whoever wonders where a late decision comes from; see `tests/benchmarks/decision_latency.py`.
"""

from __future__ import annotations

import time
from enum import IntEnum

import numpy as np


class Stage(IntEnum):
    """Stages of a turn, in order; each mark says that the stage is over."""

    SLEEP = 0  # bytes came, or the longest sleep was over, and the loop runs again
    READ = 1
    DECIDE = 2
    ANSWER = 3
    TRENDS = 4
    RECORD = 5
    SHOW = 6
    TIDY = 7


class TurnTrace:
    """Times of the latest ``turns`` turns, ``(turns, stages)`` in ns of one clock."""

    def __init__(self, turns: int = 100_000) -> None:
        self._times_ns = np.zeros((turns, len(Stage)), dtype=np.int64)
        self._turn = -1

    def mark(self, stage: Stage) -> None:
        """Notes that ``stage`` is over; ``SLEEP`` begins a turn."""
        if stage is Stage.SLEEP:
            self._turn = (self._turn + 1) % len(self._times_ns)
        if self._turn >= 0:
            self._times_ns[self._turn, stage] = time.perf_counter_ns()

    def durations_ms(self) -> dict[str, np.ndarray]:
        """Duration of each stage but the sleep, in whole turns, ms, by the stage's name."""
        whole = self._times_ns[(self._times_ns > 0).all(axis=1)]
        steps = np.diff(whole, axis=1) / 1e6
        return {stage.name.lower(): steps[:, stage - 1] for stage in Stage if stage is not Stage.SLEEP}
