"""The recorder: takes samples as they come and keeps them safe on disk, at most half a second late.

Appending is cheap (a list); the work is done by ``flush``, which runs by itself whenever half a second of samples has
come together, and at once after a trip or an abort. Each flush writes the rows, then the CRC-32 of every block it
wrote: what that table covers has surely reached the file, so a killed run is read up to its last entry.
"""

from __future__ import annotations

import contextlib
import re
from collections.abc import Callable, Iterator, Mapping
from pathlib import Path
from zlib import crc32

import h5py
import numpy as np

from whirlbench.errors import RecordingError
from whirlbench.recording.attributes import RunAttributes
from whirlbench.recording.container import build, create_file
from whirlbench.recording.layout import (
    BLOCK_ROW,
    COUNTED,
    COUNTER_ROW,
    ENDING,
    ENDING_ROW,
    EVENT_ROW,
    INTEGRITY,
    NO_COUNT,
    NOTE_ROW,
    Stream,
    missing,
)
from whirlbench.recording.text import cut_text, fixed
from whirlbench.samples import SLOW_CHANNELS, VIBRATION_AXES, Event

NOTES = "notes/rows"
FLUSH_S = 0.5  # of sample time; the contract allows a second
SYSTEM_WORDS = re.compile(r"error message = '([^']*)'")  # within a complaint of HDF5
URGENT = ("trip", "abort")


class StreamWriter:
    """Rows of one stream, collected in memory and appended to its datasets."""

    def __init__(self, file: h5py.File, stream: Stream, first_column: int) -> None:
        self._datasets = [file[column.path] for column in stream.columns]
        self._dtypes = [column.dtype for column in stream.columns]
        self._first_column = first_column
        self._waiting: list[tuple[np.ndarray, ...]] = []
        self._rows = 0

    def append(self, *arrays: np.ndarray) -> None:
        """Takes arrays of equal length, one for each column of the stream."""
        self._waiting.append(arrays)

    def write(self) -> list[tuple[int, int, int, int]]:
        """Appends what waits to the file; returns a row of the integrity table for each column, none when idle."""
        if not self._waiting:
            return []
        parts, self._waiting = self._waiting, []
        blocks = []
        for number, arrays in enumerate(zip(*parts, strict=True)):
            block = np.concatenate(arrays).astype(self._dtypes[number], copy=False)
            append_rows(self._datasets[number], block)
            blocks.append((self._first_column + number, self._rows, len(block), crc32(block.data)))
        self._rows += blocks[0][2]
        return blocks


def append_rows(dataset: h5py.Dataset, block: np.ndarray) -> None:
    """Lengthens ``dataset`` by ``block``."""
    before = dataset.shape[0]
    dataset.resize(before + len(block), axis=0)
    dataset[before:] = block


def note_rows(time_s: float, text: str) -> np.ndarray:
    """A note as rows of its stream; a long one takes several."""
    pieces = cut_text(text, NOTE_ROW["text"].itemsize)
    return np.array([(time_s, piece) for piece in pieces], dtype=NOTE_ROW)


def append_note(path: Path, time_s: float, text: str) -> None:
    """Adds a note to the closed file at ``path``, which nobody else must have open, and guards it by a checksum."""
    with h5py.File(path, "r+") as file:
        notes, table = file[NOTES], file[INTEGRITY]
        columns = [bytes(name).decode() for name in np.atleast_1d(table.attrs["columns"])]
        first, rows = notes.shape[0], note_rows(time_s, text)
        append_rows(notes, rows)
        append_rows(table, np.array([(columns.index(NOTES), first, len(rows), crc32(rows.data))], dtype=BLOCK_ROW))


class RecordingWriter:
    """A recording while it is written; a context manager. See ``files.create``.

    A sample that does not come after the one before it in time is left out and counted; ``rejected`` tells.
    """

    def __init__(
        self, path: Path, attributes: RunAttributes, vibration_dtype: str, finish: Callable[[Path], None] | None
    ) -> None:
        """``finish`` is called with the path once all is written and closed: it compacts the file."""
        self.path = path
        self.rejected = 0
        self.saved_s = 0.0  # time of the newest sample that a flush has brought to the file
        self._attributes, self._finish = attributes, finish
        self._file = create_file(path)
        self._streams = self._open_streams(vibration_dtype)
        self._latest_s = {"slow": -np.inf, "tach": -np.inf, "vibration": -np.inf}
        self._flushed_s = -np.inf
        self._newest_s = -np.inf
        self._closed = False

    def _open_streams(self, vibration_dtype: str) -> dict[str, StreamWriter]:
        with self._writing():
            layout = build(self._file, self._attributes, vibration_dtype)
            self._file.swmr_mode = True
            writers, column = {}, 0
            for stream in layout:
                writers[stream.name] = StreamWriter(self._file, stream, column)
                column += len(stream.columns)
            return writers

    def __enter__(self) -> RecordingWriter:
        return self

    def __exit__(self, kind: type[BaseException] | None, error: BaseException | None, _: object) -> None:
        if kind is None:
            self.close()
        else:
            self.close("failed", f"{kind.__name__}: {error}")

    def add_slow(
        self, time_s: np.ndarray, values: Mapping[str, np.ndarray], counts: Mapping[str, np.ndarray] | None = None
    ) -> None:
        """Slow samples at ``time_s`` (n,), by channel name; a channel left out is NaN, counts left out are missing."""
        time_s = np.atleast_1d(np.asarray(time_s, dtype=float))
        keep = self._in_order("slow", time_s)
        absent, none = np.full(len(time_s), np.nan), np.full(len(time_s), NO_COUNT)
        columns = [time_s, *(np.atleast_1d(values.get(channel.name, absent)) for channel in SLOW_CHANNELS)]
        columns += [np.atleast_1d((counts or {}).get(name, none)) for name in COUNTED]
        columns += [np.atleast_1d(values.get(name, absent)) for name, _, _ in self._attributes.extra]
        self._append("slow", time_s, [column[keep] for column in columns])

    def add_tach(self, time_s: np.ndarray) -> None:
        """Times of tach pulses, (n,)."""
        time_s = np.atleast_1d(np.asarray(time_s, dtype=float))
        self._append("tach", time_s, [time_s[self._in_order("tach", time_s)]])

    def add_vibration(self, first_time_s: float, period_s: float, first_index: int, counts: np.ndarray) -> None:
        """A block of accelerometer counts, (n, axes) with one to three axes, as it came from the device.

        The device estimates the time of the first sample when it polls. A block that therefore seems to begin before
        the last one ended (by less than half its length) is squeezed in behind it: no sample is lost to jitter.
        """
        time_s = self._behind_the_last(first_time_s + period_s * np.arange(len(counts)), period_s)
        index = first_index + np.arange(len(counts))
        axes = np.full((3, len(counts)), missing(np.dtype("i2")), dtype=np.int16)
        axes[: counts.shape[1]] = counts.T
        values = axes * self._attributes.g_per_count
        values[counts.shape[1] :] = np.nan
        self._add_vibration_rows(time_s, [time_s, index, *values, *axes])

    def _behind_the_last(self, time_s: np.ndarray, period_s: float) -> np.ndarray:
        latest_s = self._latest_s["vibration"]
        overlap_s = latest_s - time_s[0] if len(time_s) else -np.inf
        if not 0 <= overlap_s < len(time_s) * period_s / 2:
            return time_s
        return np.linspace(latest_s + period_s / 2, max(time_s[-1], latest_s + period_s), len(time_s))

    def add_vibration_g(
        self, time_s: np.ndarray, values_g: Mapping[str, np.ndarray], index: np.ndarray | None = None
    ) -> None:
        """Acceleration in g by axis name at ``time_s`` (n,), for data that never was in counts.

        ``index``: running numbers (n,), from 0 on when not given.
        """
        absent = np.full(len(time_s), np.nan)
        none = np.full(len(time_s), missing(np.dtype("i2")))
        values = [values_g.get(axis.name, absent) for axis in VIBRATION_AXES]
        index = np.arange(len(time_s)) if index is None else index
        self._add_vibration_rows(time_s, [time_s, index, *values, none, none, none])

    def _add_vibration_rows(self, time_s: np.ndarray, columns: list[np.ndarray]) -> None:
        keep = self._in_order("vibration", time_s)
        self._append("vibration", time_s, [column[keep] for column in columns])

    def add_event(self, event: Event) -> None:
        """Something at an instant; a trip or an abort is flushed at once, a note is kept in full length."""
        if event.kind == event.name == "note":
            self.add_note(event.time_s, event.detail)
            return
        row = (event.time_s, fixed(event.kind, 8), fixed(event.name, 40), fixed(event.detail, 200))
        self._streams["events"].append(np.array([row], dtype=EVENT_ROW))
        if event.kind in URGENT:
            self.flush()

    def add_note(self, time_s: float, text: str) -> None:
        """What the operator wrote, of any length."""
        self._streams["notes"].append(note_rows(time_s, text))

    def add_counters(self, time_s: float, totals: Mapping[str, float]) -> None:
        """Running totals by name, at one instant."""
        rows = [(time_s, fixed(name, 32), value) for name, value in totals.items()]
        self._streams["counters"].append(np.array(rows, dtype=COUNTER_ROW))

    def flush(self) -> None:
        """Brings everything taken so far to the file; RecordingError when that cannot be done (disk full)."""
        with self._writing():
            blocks = [row for stream in self._streams.values() for row in stream.write()]
            if blocks:
                self._file.flush()
                append_rows(self._file[INTEGRITY], np.array(blocks, dtype=BLOCK_ROW))
                self._file.flush()
        self._flushed_s = self._newest_s
        self.saved_s = max(self._newest_s, 0.0)

    def close(self, exit_status: str = "done", reason: str = "") -> None:
        """Writes how the run ended, closes the file and compacts it; closing twice is harmless."""
        if self._closed:
            return
        self._closed = True
        if self.rejected:
            self.add_counters(max(self._newest_s, 0.0), {"rows_out_of_order": self.rejected})
        try:
            self.flush()
            with self._writing():
                ending = (fixed(exit_status, 40), fixed(reason, 400), b"")
                append_rows(self._file[ENDING], np.array([ending], dtype=ENDING_ROW))
        finally:
            with self._writing():
                self._file.close()
        if self._finish is not None:
            self._finish(self.path)

    def _append(self, name: str, time_s: np.ndarray, columns: list[np.ndarray]) -> None:
        if not len(columns[0]):
            return
        self._streams[name].append(*columns)
        self._newest_s = max(self._newest_s, float(time_s.max()))
        if self._flushed_s == -np.inf:
            self._flushed_s = self._newest_s
        if self._newest_s - self._flushed_s >= FLUSH_S:
            self.flush()

    def _in_order(self, name: str, time_s: np.ndarray) -> np.ndarray:
        """Which rows come after all before them (NaN never does); the others are counted."""
        before = np.fmax.accumulate(np.concatenate(([self._latest_s[name]], time_s)))[:-1]
        keep = time_s > before
        if keep.any():
            self._latest_s[name] = float(time_s[keep][-1])
        self.rejected += int(len(keep) - keep.sum())
        return keep

    @contextlib.contextmanager
    def _writing(self) -> Iterator[None]:
        try:
            yield
        except (OSError, RuntimeError) as error:
            raise RecordingError(f"{self.path}: cannot be written any more ({_plain(error)})") from error


def _plain(error: Exception) -> str:
    """What the system said, without the library's page of context."""
    found = SYSTEM_WORDS.search(str(error))
    if found:
        return found[1].lower()
    return str(error).splitlines()[0] if str(error) else type(error).__name__
