"""The last minute of a live run: samples as they came, and what the strips draw of them. No Qt here."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from whirlbench.samples import SLOW_CHANNELS, VIBRATION_AXES, Run
from whirlbench.session.process import SharedView
from whirlbench.window.stand_state.column_trail import ColumnTrail, Stream

SHOWN_S = 60.0
CHANNEL_NAMES = tuple(channel.name for channel in SLOW_CHANNELS)
VIBRATION_ROW = len(CHANNEL_NAMES)  # of the columns; the slow channels have those before it
ROW_NAMES = (*CHANNEL_NAMES, "vibration_g")
SLOW_ROOM, BLOCK_ROOM = 36_000, 18_000  # samples in a minute at the highest rate of a device, and a fifth more
BLOCK = 16  # samples of vibration in a block of an earlier run, as a device sends them


class RollingRows:
    """The samples of the last ``SHOWN_S``, time in the first of ``rows``, each row in one piece.

    A sample costs the same however many there are: the past moves to the front only when the room is used up.
    """

    def __init__(self, rows: int, room: int) -> None:
        self._kept = np.empty((rows, 2 * room))
        self._room, self._from, self._to = room, 0, 0

    def take(self, rows: np.ndarray) -> None:
        """Adds samples ``(rows, n)`` and forgets what has left the minute."""
        rows = rows[:, -self._room :]
        if self._to + rows.shape[1] > self._kept.shape[1]:
            self._from = max(self._from, self._to - self._room)
            kept = self.rows.copy()
            self._from, self._to = 0, kept.shape[1]
            self._kept[:, : self._to] = kept
        self._kept[:, self._to : self._to + rows.shape[1]] = rows
        self._to += rows.shape[1]
        if self._to > self._from:
            oldest_s = self._kept[0, self._to - 1] - SHOWN_S
            self._from += int(np.searchsorted(self._kept[0, self._from : self._to], oldest_s))

    @property
    def rows(self) -> np.ndarray:
        """What is kept, ``(rows, n)``: a view."""
        return self._kept[:, self._from : self._to]

    def clear(self) -> None:
        """Forgets everything."""
        self._from = self._to = 0


@dataclass(frozen=True)
class Fresh:
    """Samples of the slow channels by name, and their times, ``(n,)`` each."""

    time_s: np.ndarray
    channels: dict[str, np.ndarray]


class LiveTrail:
    """Takes what is new from the shared view in small portions; ``columns`` are those of the strips.

    A device that counts its time anew begins a new trail: the past has no place on the axis any more.
    """

    def __init__(self, view: SharedView) -> None:
        self._view = view
        self._slow, self._blocks = RollingRows(1 + len(SLOW_CHANNELS), SLOW_ROOM), RollingRows(2, BLOCK_ROOM)
        self._slow_count = self._envelope_count = 0
        self._fresh: list[np.ndarray] = []
        self.lost = 0  # rows that the window was too slow to read
        self.columns = self._new_columns(1)

    def _new_columns(self, columns: int) -> ColumnTrail:
        self._streams = (Stream(slice(0, VIBRATION_ROW)), Stream(slice(VIBRATION_ROW, VIBRATION_ROW + 1)))
        return ColumnTrail(len(ROW_NAMES), columns, SHOWN_S / columns)

    def advance(self) -> None:
        """Takes what is new and forgets what has left the chart."""
        slow = self._view.slow_since(self._slow_count)
        envelope = self._view.envelope_since(self._envelope_count)
        self._slow_count, self._envelope_count = slow.total, envelope.total
        self.lost += slow.lost
        swing_g = _swing_g((envelope.rows["high_g"] - envelope.rows["low_g"]).T)
        self._take([slow.rows.T, np.vstack((envelope.rows["time_s"], swing_g))])

    def _take(self, portion: list[np.ndarray]) -> None:
        kept = (self._slow, self._blocks)
        back = [_runs_back(one.rows[0, -1:], new[0]) for one, new in zip(kept, portion, strict=True)]
        if any(back):
            self._begin_anew()  # of a stream that does not run back yet, this portion may be of the time before
            portion = [new[:, place - 1 if place else new.shape[1] :] for new, place in zip(portion, back, strict=True)]
        self._fresh.append(portion[0])
        for new, rows, stream in zip(portion, kept, self._streams, strict=True):
            rows.take(new)
            self.columns.take(stream, new[0], new[1:])

    def _begin_anew(self) -> None:
        self._slow.clear()
        self._blocks.clear()
        self.columns = self._new_columns(self.columns.columns)

    def show_columns(self, columns: int) -> ColumnTrail:
        """The minute in so many columns: as they are kept, or reduced anew when another number is asked for."""
        if columns != self.columns.columns:
            self.columns = self._new_columns(columns)
            for kept, stream in zip((self._slow, self._blocks), self._streams, strict=True):
                self.columns.take(stream, kept.rows[0], kept.rows[1:])
        return self.columns

    def take_fresh(self) -> Fresh:
        """The samples that came since this was asked the last time."""
        fresh = np.concatenate(self._fresh or [np.empty((1 + len(SLOW_CHANNELS), 0))], axis=1)
        self._fresh.clear()
        return Fresh(fresh[0], dict(zip(CHANNEL_NAMES, fresh[1:], strict=True)))

    def seconds_ago(self) -> np.ndarray:
        """Age of the slow samples against the newest, ``(n,)``, zero or below."""
        time_s: np.ndarray = self._slow.rows[0]
        return time_s - time_s[-1] if len(time_s) else time_s

    def channel(self, name: str) -> np.ndarray:
        """Values of a slow channel, ``(n,)``: a view of what is kept."""
        values: np.ndarray = self._slow.rows[1 + CHANNEL_NAMES.index(name)]
        return values


class EarlierRun:
    """A run of the same set, to be drawn behind a live one from the moment on when both began to turn."""

    def __init__(self, run: Run) -> None:
        self._began_s = began_s(run)
        slow = run.slow
        self._slow = (slow.time_s, np.array([slow.channel(name) for name in CHANNEL_NAMES]))
        self._blocks = _blocks(run)

    def columns(self, column_s: float) -> ColumnTrail | None:
        """The run in columns of that length, the first of them at the moment when it began to turn; None: never."""
        if self._began_s is None:
            return None
        streams = (Stream(slice(0, VIBRATION_ROW)), Stream(slice(VIBRATION_ROW, VIBRATION_ROW + 1)))
        later = [(time_s - self._began_s, values) for time_s, values in (self._slow, self._blocks)]
        later = [(time_s[time_s >= 0.0], values[:, time_s >= 0.0]) for time_s, values in later]
        length_s = max((float(time_s[-1]) for time_s, _ in later if len(time_s)), default=0.0)
        found = ColumnTrail(len(ROW_NAMES), int(length_s / column_s) + 1, column_s)
        for stream, samples in zip(streams, later, strict=True):
            found.take(stream, *samples)
        return found


def began_s(run: Run) -> float | None:
    """When the shaft began to turn: the first event that says so; None where none does."""
    return next((event.time_s for event in run.events if (event.kind, event.name) == ("state", "turning")), None)


def _runs_back(last_s: np.ndarray, time_s: np.ndarray) -> int:
    """Where times that run back begin to rise for good, counted from 1; 0: they rise. ``last_s``: the one before."""
    if not len(time_s) or (not (time_s[0] < last_s).any() and (time_s[1:] >= time_s[:-1]).all()):
        return 0
    return int(np.flatnonzero(np.diff(time_s, prepend=np.append(math.inf, last_s)[-1]) < 0.0)[-1]) + 1


def _swing_g(spans_g: np.ndarray) -> np.ndarray:
    """Half the peak-to-peak over all axes measured, ``spans_g`` ``(axes, n)``; NaN where none is."""
    swing_g = np.sqrt(np.nansum((spans_g / 2.0) ** 2, axis=0))
    return np.where(np.isnan(spans_g).all(axis=0), np.nan, swing_g)


def _blocks(run: Run) -> tuple[np.ndarray, np.ndarray]:
    """(time, swing in g) of the blocks of a recorded run, as the live view has them."""
    vibration = run.vibration
    whole = len(vibration.time_s) // BLOCK * BLOCK
    axes = np.array([getattr(vibration, axis.name)[:whole] for axis in VIBRATION_AXES]).reshape(3, -1, BLOCK)
    return vibration.time_s[:whole:BLOCK], _swing_g(axes.max(axis=2) - axes.min(axis=2))[None, :]
