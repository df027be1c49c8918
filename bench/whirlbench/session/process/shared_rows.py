"""Rows in shared memory: one process writes them, others copy tails out, nobody waits.

The writer first claims the rows it is going to overwrite, then writes them, then counts them as written; a reader that
finds its copy claimed meanwhile copies again. Counts are single aligned 64-bit words.
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


class SharedRows:
    """The latest rows, in ``array`` (capacity, ...) by turns; ``counts`` (2,) int64: rows written, rows claimed."""

    def __init__(self, array: np.ndarray, counts: np.ndarray) -> None:
        self._array, self._counts = array, counts
        self.capacity = len(array)

    @property
    def count(self) -> int:
        """Rows ever written."""
        return int(self._counts[0])

    def write(self, rows: np.ndarray) -> None:
        """Appends ``rows``; only one process may. More than fit: the last ones stay."""
        start, rows = self.count + max(0, len(rows) - self.capacity), rows[-self.capacity :]
        self._counts[1] = start + len(rows)
        self._put(start % self.capacity, rows)
        self._counts[0] = start + len(rows)

    def _put(self, place: int, rows: np.ndarray) -> None:
        first = min(len(rows), self.capacity - place)
        self._array[place : place + first] = rows[:first]
        if first < len(rows):
            self._array[: len(rows) - first] = rows[first:]

    def since(self, count: int) -> Rows:
        """Copy of the rows written after the first ``count``, oldest first."""
        start = end = self.count
        for _ in range(TRIES):
            end = self.count
            start = max(count, int(self._counts[1]) - self.capacity)
            rows = self._copy(start, end)
            if int(self._counts[1]) - start <= self.capacity:
                return Rows(end, start - count, rows)
        return Rows(end, end - count, self._array[:0].copy())

    def tail(self, rows: int) -> np.ndarray:
        """Copy of the latest ``rows`` rows, fewer when there are not so many."""
        return self.since(max(0, self.count - min(rows, self.capacity))).rows

    def _copy(self, start: int, end: int) -> np.ndarray:
        place, length = start % self.capacity, max(0, end - start)
        first = min(length, self.capacity - place)
        return np.concatenate((self._array[place : place + first], self._array[: length - first]))
