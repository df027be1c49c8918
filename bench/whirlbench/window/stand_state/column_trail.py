"""The last minute reduced to columns of time as it comes: least and greatest value of each curve. No Qt here.

A curve is the line through its samples. What a column holds is the extent of that line within the column, the stretch
to a neighbouring column included, so that a column can be drawn by itself. A sample costs the same however many there
are already.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, field

import numpy as np

LOST_PERIODS = 3.0  # samples further apart than this have others missing between them, as in a replay
LEAST_PERIODS = 16  # intervals from which the period of a stream is told


@dataclass
class Stream:
    """Samples with times of their own, and the rows of the trail that they fill; ``gap_s`` breaks its lines."""

    rows: slice
    gap_s: float = math.inf
    last_s: float = math.nan
    last: np.ndarray = field(default_factory=lambda: np.empty(0))
    periods_s: list[float] = field(default_factory=list)

    def join(self, time_s: np.ndarray, values: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
        """New samples behind the last one before them."""
        if not math.isnan(self.last_s):
            time_s = np.concatenate(([self.last_s], time_s))
            values = np.concatenate((self.last[:, None], values), axis=1)
        self.last_s, self.last = float(time_s[-1]), values[:, -1].copy()
        if len(self.periods_s) < LEAST_PERIODS:
            self.periods_s += np.diff(time_s)[: LEAST_PERIODS - len(self.periods_s)].tolist()
            if len(self.periods_s) == LEAST_PERIODS:
                self.gap_s = LOST_PERIODS * float(np.median(self.periods_s))
        return time_s, values


class ColumnTrail:
    """``rows`` curves in the latest ``columns`` columns, each ``column_s`` long and numbered from time zero on.

    Column ``k`` covers the times from ``k * column_s`` on; it lies at ``k % columns`` in ``low`` and ``high``, both
    ``(rows, columns)``, NaN where nothing is known. ``newest`` is the latest of them, -1 before the first sample.
    """

    def __init__(self, rows: int, columns: int, column_s: float) -> None:
        self.columns, self.column_s = columns, column_s
        self.low, self.high = np.full((2, rows, columns), np.nan)
        self.newest = -1
        self._changed = 0  # the first column that was changed since somebody asked

    def take(self, stream: Stream, time_s: np.ndarray, values: np.ndarray) -> None:
        """Adds samples of one stream: ``time_s`` ``(n,)``, rising and not before its last; ``values`` ``(rows, n)``.

        NaN breaks a line, and so does a distance of more than the stream's ``gap_s``. What lies before the oldest
        column is dropped.
        """
        if not len(time_s):
            return
        time_s, values = stream.join(time_s, values)
        column = np.floor(time_s / self.column_s).astype(np.int64)
        self._advance(int(column[-1]))
        edges, crossings = self._crossings(time_s, values, column, stream.gap_s)
        self._widen(stream.rows, edges - 1, crossings, crossings)
        self._widen(stream.rows, edges, crossings, crossings)
        starts = np.flatnonzero(np.diff(column, prepend=column[0] - 1))
        low, high = np.fmin.reduceat(values, starts, axis=1), np.fmax.reduceat(values, starts, axis=1)
        self._widen(stream.rows, column[starts], low, high)

    def changed(self) -> range:
        """The columns that were changed since this was asked the last time, oldest first."""
        first = max(self._changed, self.newest - self.columns + 1)
        self._changed = self.newest + 1
        return range(first, self.newest + 1)

    def _advance(self, newest: int) -> None:
        """Makes room for columns up to ``newest``: what was a minute ago is forgotten."""
        new = np.arange(max(self.newest + 1, newest - self.columns + 1), newest + 1) % self.columns
        self.low[:, new] = self.high[:, new] = np.nan
        self.newest = max(self.newest, newest)

    def _crossings(
        self, time_s: np.ndarray, values: np.ndarray, column: np.ndarray, gap_s: float
    ) -> tuple[np.ndarray, np.ndarray]:
        """Columns at whose beginning the line passes from one to the next, and where it does."""
        first = max(int(column[0]), self.newest - self.columns) + 1
        edges = np.arange(first, int(column[-1]) + 1)
        after = np.searchsorted(column, edges)
        from_s, to_s = time_s[after - 1], time_s[after]
        with np.errstate(invalid="ignore"):
            share = np.clip((edges * self.column_s - from_s) / (to_s - from_s), 0.0, 1.0)
            found = values[:, after - 1] + share * (values[:, after] - values[:, after - 1])
        known = to_s - from_s <= gap_s
        return edges[known], found[:, known]

    def _widen(self, rows: slice, columns: np.ndarray, low: np.ndarray, high: np.ndarray) -> None:
        """Lets columns, each named once, reach from ``low`` to ``high`` at least."""
        kept = columns > max(self.newest - self.columns, -1)
        if not kept.any():
            return
        columns, low, high = columns[kept], low[:, kept], high[:, kept]
        self._changed = min(self._changed, int(columns[0]))
        place = columns % self.columns
        self.low[rows, place] = np.fmin(self.low[rows, place], low)
        self.high[rows, place] = np.fmax(self.high[rows, place], high)
