"""The kept picture of the live strips: a ring of pixel columns, of which only those that changed are drawn. No Qt here.

What a column looks like depends on that column alone, so that drawing a few or all of them gives the same picture.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Protocol

import numpy as np

from whirlbench.results.chart import Span, ticks

DASH_COLUMNS, DASHED_COLUMNS = 8, 5  # of a limit line: the length of a dash with its pause, and of the dash
GHOST_EVERY = 3  # columns: an earlier run is dotted
SHRINK = 0.5  # a scale is narrowed when the curve would fill less than this of it: one that dances cannot be read
ROUND_STEPS = 4


class Columns(Protocol):
    """The latest ``columns`` columns of time, each ``column_s`` long; column ``k`` begins at ``k * column_s``.

    ``low`` and ``high`` are the extents of the curves, ``(rows, columns)``, column ``k`` at ``k % columns``, NaN where
    nothing is known; ``newest`` is the latest column, -1 before the first.
    """

    columns: int
    column_s: float
    low: np.ndarray
    high: np.ndarray
    newest: int

    def changed(self) -> range:
        """The columns that were changed since this was asked the last time."""


@dataclass(frozen=True)
class Band:
    """A strip in the picture: its height in pixels, and what that stands for.

    ``curve`` and ``behind`` are rows of the columns (``behind`` -1: none); ``limit`` NaN: none.
    """

    height: int
    span: Span
    curve: int
    behind: int = -1
    limit: float = math.nan

    @property
    def rows_per_unit(self) -> float:
        """Rows that one unit of the scale is high."""
        return (self.height - 1) / (self.span[1] - self.span[0])

    def row(self, value: float) -> int:
        """Row of a value, counted from the top of the strip, not bounded."""
        return round((self.span[1] - value) * self.rows_per_unit)


@dataclass(frozen=True)
class Inks:
    """Colours as ``0xffRRGGBB``: of the ground, of limits, of what lies behind, and of the curve of each band."""

    card: int
    limit: int
    behind: int
    curves: tuple[int, ...]


class StripPicture:
    """Bands one under another in ``pixels`` ``(rows, columns)``; column ``k`` of time lies at ``k % columns``.

    ``tops`` are the first rows of the bands; ``thick`` is the height of a level line in pixels.
    """

    def __init__(self, columns: int, bands: Sequence[Band], inks: Inks, thick: int = 1) -> None:
        self.bands, self.inks, self._thick = tuple(bands), inks, thick
        heights = [band.height for band in bands]
        self.tops = [sum(heights[:place]) for place in range(len(bands))]
        self.pixels = np.full((sum(heights), columns), inks.card, dtype=np.uint32)
        self._row = np.arange(sum(heights))[:, None]
        self._band = np.repeat(np.arange(len(bands)), heights)  # of each row
        self._curve_ink = np.array(inks.curves, dtype=np.uint32)[self._band][:, None]
        self._limit = self._limit_rows()[:, None]
        self._top, self._height = np.array(self.tops)[:, None], np.array(heights)[:, None]
        self._upper = np.array([band.span[1] for band in bands])[:, None]
        self._rows_per_unit = np.array([band.rows_per_unit for band in bands])[:, None]
        self._curves, self._behind = [band.curve for band in bands], [band.behind for band in bands]

    def _limit_rows(self) -> np.ndarray:
        """The rows of limit lines that lie within their strip, ``(rows,)``."""
        found = np.zeros(len(self._row), dtype=bool)
        for top, band in zip(self.tops, self.bands, strict=True):
            if band.span[0] <= band.limit <= band.span[1]:
                row = top + min(band.row(band.limit), band.height - self._thick)
                found[row : row + self._thick] = True
        return found

    def draw(
        self,
        columns: range,
        low: np.ndarray,
        high: np.ndarray,
        marks: Mapping[int, int],
        ghost: tuple[np.ndarray, np.ndarray] | None = None,
    ) -> None:
        """Draws ``columns`` anew, at most as many as there are.

        ``low`` and ``high`` are the extents of all curves in rings, ``(rows, columns)``; ``ghost`` those of an earlier
        run in ``columns``, ``(rows, len(columns))`` each; ``marks`` the inks of upright lines by their column.
        """
        if not columns:
            return
        number = np.arange(columns.start, columns.stop)
        place = number % self.pixels.shape[1]
        block = np.full((len(self._row), len(number)), self.inks.card, dtype=np.uint32)
        for column in marks.keys() & set(columns):
            block[:, column - columns.start] = marks[column]
        if ghost is not None:
            dotted = np.where(number % GHOST_EVERY == 0, 1.0, np.nan)
            self._bars(block, ghost[0][self._curves] * dotted, ghost[1][self._curves] * dotted, self.inks.behind)
        behind_low, behind_high = low[self._behind][:, place], high[self._behind][:, place]
        none = np.array(self._behind) < 0
        behind_low[none] = behind_high[none] = np.nan
        self._bars(block, behind_low, behind_high, self.inks.behind)
        dashes = number % DASH_COLUMNS < DASHED_COLUMNS
        block[self._limit & dashes] = self.inks.limit
        self._bars(block, low[self._curves][:, place], high[self._curves][:, place], self._curve_ink)
        self.pixels[:, place] = block

    def _bars(self, block: np.ndarray, low: np.ndarray, high: np.ndarray, ink: np.ndarray | int) -> None:
        """Upright bars from ``low`` to ``high`` ``(bands, n)``, cut off at the edges of their band; none for NaN."""
        known = np.isfinite(low)
        if not known.any():
            return
        first = np.where(known, np.rint((self._upper - high) * self._rows_per_unit), self._height)
        last = np.where(known, np.rint((self._upper - low) * self._rows_per_unit), 0.0)
        top = self._top + np.clip(first, 0, self._height)
        bottom = self._top + np.clip(last + self._thick, 0, self._height)
        shown = (self._row >= top[self._band]) & (self._row < bottom[self._band])
        np.copyto(block, np.broadcast_to(np.asarray(ink, dtype=np.uint32), block.shape), where=shown)


def settled_span(present: Span | None, low: float, high: float, least: float) -> Span:
    """The scale of a strip whose curve reaches from ``low`` to ``high``: round, ``least`` high at least.

    The ``present`` one stays while the curve is within it and fills enough of it; NaN: nothing is known, it stays.
    """
    if math.isnan(low) or math.isnan(high):
        return present or (0.0, least)
    room = max(least, high - low)
    inside = present is not None and present[0] <= low and high <= present[1]
    if present is not None and inside and room >= SHRINK * (present[1] - present[0]):
        return present
    bottom = low - (room - (high - low)) / 2.0
    bottom = max(bottom, 0.0) if low >= 0.0 else bottom  # what is never negative has no scale below zero
    wanted = _rounded(bottom, bottom + room)
    if present is not None and inside and wanted[1] - wanted[0] >= SHRINK * (present[1] - present[0]):
        return present
    return wanted


def _rounded(low: float, high: float) -> Span:
    """The round figures around a span."""
    first, second = (tick.at for tick in ticks((0.0, high - low), ROUND_STEPS)[:2])
    step = second - first
    return math.floor(low / step + 1e-9) * step, math.ceil(high / step - 1e-9) * step
