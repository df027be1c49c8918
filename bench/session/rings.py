"""Rings in shared memory: one process writes rows, others copy tails out, nobody waits.

A row is written before the count that covers it; a reader that was overtaken while copying copies again.
"""

from __future__ import annotations

from typing import NamedTuple

import numpy as np

TRIES = 20


class Rows(NamedTuple):
    """Rows since a count: the ``total`` to ask with next time, how many were overwritten unread, the rows."""

    total: int
    lost: int
    rows: np.ndarray


class Ring:
    """A ring over ``array`` (capacity, ...) with its running count in ``count`` (1,) int64, both in shared memory."""

    def __init__(self, array: np.ndarray, count: np.ndarray) -> None:
        self._array, self._count = array, count
        self.capacity = len(array)

    @property
    def count(self) -> int:
        """Rows ever written."""
        return int(self._count[0])

    def write(self, rows: np.ndarray) -> None:
        """Appends ``rows``; only one process may. More than fit: the last ones stay."""
        start, rows = self.count + max(0, len(rows) - self.capacity), rows[-self.capacity :]
        place = start % self.capacity
        first = min(len(rows), self.capacity - place)
        self._array[place : place + first] = rows[:first]
        self._array[: len(rows) - first] = rows[first:]
        self._count[0] = start + len(rows)

    def since(self, count: int) -> Rows:
        """Copy of the rows written after the first ``count``, oldest first."""
        for _ in range(TRIES):
            end = self.count
            start = max(count, end - self.capacity)
            rows = self._copy(start, end)
            if self.count - start <= self.capacity:
                return Rows(end, max(0, start - count), rows)
            count = max(count, start + 1)  # overtaken: the oldest rows are gone
        return Rows(end, end - count, rows[:0])

    def tail(self, rows: int) -> np.ndarray:
        """Copy of the latest ``rows`` rows, fewer when there are not so many."""
        return self.since(max(0, self.count - min(rows, self.capacity))).rows

    def _copy(self, start: int, end: int) -> np.ndarray:
        place, length = start % self.capacity, end - start
        first = min(length, self.capacity - place)
        return np.concatenate((self._array[place : place + first], self._array[: length - first]))
