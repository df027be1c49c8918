"""A recording, read: whole, in slices, with what is missing said in plain words.

Damage costs the rows it touches. A value that is damaged reads as a gap (NaN); a row whose time is damaged is left
out, because nobody can say when it was. What was found missing stands in ``problems``, once something was read.
"""

from __future__ import annotations

from bisect import bisect_left
from collections.abc import Callable, Iterable
from pathlib import Path

import h5py
import numpy as np

from whirlbench.errors import RecordingError
from whirlbench.recording.attributes import check_format, read_attributes
from whirlbench.recording.integrity import DAMAGE, Blocks, Rows, VerifiedColumn, read_table
from whirlbench.recording.layout import (
    COUNTED,
    ENDING,
    NO_COUNT,
    Column,
    Ending,
    Stream,
    missing,
    streams,
)
from whirlbench.recording.text import plain
from whirlbench.samples import (
    SLOW_CHANNELS,
    VIBRATION_AXES,
    Event,
    Run,
    SlowSamples,
    TachPulses,
    VibrationSamples,
)

Span = tuple[int, int]


class Recording:
    """An open recording; a context manager. See ``files.open_recording``."""

    def __init__(self, file: h5py.File, path: Path, close: Callable[[], None]) -> None:
        """``close`` gives the file back."""
        self.path = path
        self._file, self._close = file, close
        self._problems: dict[str, None] = {}  # in order, each once
        check_format(file, path)
        self.attributes = read_attributes(file, path, self._note)
        self._table, table_whole = self._read_table()
        if not table_whole:
            self._note("part of the table of checksums is damaged: those rows are guarded by HDF5's own checksum alone")
        dtype = "f8" if self._is_f8("vibration/ax_g") else "f4"
        self._streams = {stream.name: stream for stream in streams(dtype)}
        self._columns = dict(self._open_columns())
        self._lengths = {name: self._length(stream) for name, stream in self._streams.items()}
        self.ending = self._read_ending()

    @property
    def problems(self) -> tuple[str, ...]:
        """What was found missing or damaged so far, one plain line each."""
        return tuple(self._problems)

    def __enter__(self) -> Recording:
        return self

    def __exit__(self, *_: object) -> None:
        self.close()

    def close(self) -> None:
        """Closes the file; what was read stays."""
        self._close()

    # --- what is in it ------------------------------------------------------------------------------------------

    def run(self) -> Run:
        """Everything but the wire counts, as arrays."""
        return self._run({name: (0, length) for name, length in self._lengths.items()})

    def slice(self, from_s: float, to_s: float) -> Run:
        """The part with from_s <= time < to_s; reads only the chunks that hold it."""
        spans = {name: self._span(name, from_s, to_s) for name in ("slow", "tach", "vibration")}
        rest = {name: (0, self._lengths[name]) for name in ("events", "notes", "counters")}
        return self._run({**spans, **rest}).between(from_s, to_s)

    def counts(self, name: str) -> np.ndarray:
        """Wire counts behind the channel or axis ``name``, int32, row for row with ``run()``; NO_COUNT where missing.

        RecordingError when there are none: an import, or a channel that is not measured in counts.
        """
        stream = "slow" if name in COUNTED else "vibration"
        path = f"{stream}/counts/{name}"
        if not self.attributes.counted or path not in {column.path for column in self._streams[stream].columns}:
            raise RecordingError(f"{self.path}: there are no wire counts of {name}")
        span = (0, self._lengths[stream])
        keep = self._read_rows(f"{stream}/time_s", span).good
        rows = self._read_rows(path, span)
        self._note_gaps(path, rows.good | ~keep, span)
        there = rows.good & (rows.values != missing(rows.values.dtype))
        counts: np.ndarray = np.where(there, rows.values.astype(np.int32), NO_COUNT)[keep]
        return counts

    def vibration_index(self) -> np.ndarray:
        """Running numbers of the vibration samples, int64, row for row with ``run()``; -1 where damaged."""
        span = (0, self._lengths["vibration"])
        keep = self._read_rows("vibration/time_s", span).good
        rows = self._read_rows("vibration/index", span)
        there = rows.good & (rows.values != missing(rows.values.dtype))
        index: np.ndarray = np.where(there, rows.values.astype(np.int64), -1)[keep]
        return index

    def _first_vibration_index(self, span: Span) -> int:
        """Running number of the first sample of ``span`` that is kept; 0 where it is damaged or missing."""
        keep = self._read_rows("vibration/time_s", span).good
        if not keep.any():
            return 0
        row = span[0] + int(np.argmax(keep))
        rows = self._read_rows("vibration/index", (row, row + 1))
        there = rows.good[0] and rows.values[0] != missing(rows.values.dtype)
        return int(rows.values[0]) if there else 0

    def events(self) -> tuple[Event, ...]:
        """Changes of state, trips, aborts, steps of the plan and the operator's notes, in order of time."""
        rows = self._record_rows("events")
        found = [
            Event(float(row["time_s"]), *(plain(row[name]) for name in ("kind", "name", "detail"))) for row in rows
        ]
        notes = [Event(time_s, "note", "note", text) for time_s, text in self.notes()]
        return tuple(sorted([*found, *notes], key=lambda event: event.time_s))

    def notes(self) -> tuple[tuple[float, str], ...]:
        """(time in s, text) of each operator note; the pieces of a long one are joined."""
        width = self._streams["notes"].columns[0].dtype["text"].itemsize
        joined: list[tuple[float, bytes]] = []
        goes_on = False
        for time_s, piece in self._record_rows("notes").tolist():
            if goes_on and joined[-1][0] == time_s:
                joined[-1] = (time_s, joined[-1][1] + piece)
            else:
                joined.append((time_s, piece))
            goes_on = len(piece) > width - 4  # a full field, but for a character of up to four bytes
        return tuple((time_s, plain(raw)) for time_s, raw in joined)

    def counters(self) -> dict[str, tuple[np.ndarray, np.ndarray]]:
        """(times in s, running totals) of each counter, by name."""
        rows = self._record_rows("counters")
        names = rows["name"]
        return {
            plain(name): (rows["time_s"][names == name], rows["value"][names == name])
            for name in dict.fromkeys(names.tolist())
        }

    def last_counters(self) -> dict[str, float]:
        """The last total of each counter, by name."""
        return {name: float(values[-1]) for name, (_, values) in self.counters().items()}

    def streams(self) -> tuple[Stream, ...]:
        """The streams of this recording and their columns."""
        return tuple(self._streams.values())

    def whole_column(self, path: str) -> Rows:
        """All committed rows of one dataset, and which of them are good."""
        return self._read_rows(path, (0, self._lengths[path.split("/")[0]]))

    def mended_column(self, column: Column) -> np.ndarray:
        """All committed rows of one dataset; where the damage was stands ``layout.missing`` of its type."""
        rows = self.whole_column(column.path)
        if rows.good.all():
            return rows.values
        self._note_gaps(column.path, rows.good, (0, len(rows.good)))
        if column.dtype.names is None:
            rows.values[~rows.good] = missing(column.dtype)
        return rows.values

    # --- opening ------------------------------------------------------------------------------------------------

    def _read_table(self) -> tuple[dict[str, Blocks], bool]:
        try:
            return read_table(self._file)
        except DAMAGE:
            return {}, False

    def _is_f8(self, path: str) -> bool:
        try:
            return bool(self._file[path].dtype == np.float64)
        except DAMAGE:
            return False

    def _open_columns(self) -> Iterable[tuple[str, VerifiedColumn]]:
        for stream in self._streams.values():
            for column in stream.columns:
                try:
                    dataset = self._file[column.path]
                    if dataset.dtype != column.dtype or dataset.ndim != 1:
                        raise ValueError(f"{column.path} is of another type")
                    yield column.path, VerifiedColumn(dataset, self._blocks(column.path))
                except DAMAGE:
                    self._note(f"{column.path}: its description is damaged, the whole channel is lost")

    def _blocks(self, path: str) -> Blocks:
        nothing = np.empty(0, dtype=np.int64)
        return self._table.get(path, Blocks(nothing, nothing, nothing, False))

    def _length(self, stream: Stream) -> int:
        """Committed rows of a stream; what a crash left behind the last commit is not counted."""
        time_column = self._columns.get(stream.columns[0].path)
        if time_column is None:
            return 0
        blocks = time_column.blocks
        return blocks.committed if blocks.whole else max(blocks.committed, time_column.stored)

    def _read_ending(self) -> Ending:
        try:
            rows = self._file[ENDING][...]
            row = rows[0] if len(rows) else None
        except DAMAGE:
            self._note("how the run ended is damaged")
            return Ending()
        if row is None:
            self._note(f"the run was not closed; it reads up to {self._last_time_s():.3f} s")
            return Ending()
        for line in plain(row["problems"]).splitlines():
            self._note(line)
        return Ending(True, plain(row["exit_status"]), plain(row["reason"]))

    def _last_time_s(self) -> float:
        lasts = [0.0]
        for name in ("slow", "tach", "vibration"):
            length = self._lengths[name]
            rows = self._read_rows(f"{name}/time_s", (max(length - 1, 0), length))
            lasts += rows.values[rows.good].tolist()
        return max(lasts)

    # --- reading ------------------------------------------------------------------------------------------------

    def _run(self, spans: dict[str, Span]) -> Run:
        slow = self._read_stream("slow", spans["slow"], [channel.name for channel in SLOW_CHANNELS])
        tach = self._read_stream("tach", spans["tach"], [])
        vibration = self._read_stream("vibration", spans["vibration"], [axis.name for axis in VIBRATION_AXES])
        events = self.events()
        return Run(
            slow=SlowSamples(**slow),
            tach=TachPulses(tach["time_s"], self.attributes.pulses_per_rev),
            vibration=VibrationSamples(
                **vibration,
                rate_hz=self.attributes.vibration_rate_hz,
                first_index=self._first_vibration_index(spans["vibration"]),
            ),
            events=events,
            source=str(self.path),
            rig_text=self.attributes.rig_text,
            plan_text=self.attributes.plan_text,
            problems=self.problems,
        )

    def _read_stream(self, name: str, span: Span, channels: list[str]) -> dict[str, np.ndarray]:
        """Times and channels of the rows whose time is good, damaged values as NaN."""
        times = self._read_rows(f"{name}/time_s", span)
        self._note_gaps(f"{name}/time_s", times.good, span)
        keep = times.good
        arrays = {"time_s": times.values if keep.all() else times.values[keep]}
        for channel in channels:
            rows = self._read_rows(f"{name}/{channel}", span)
            if not rows.good.all():
                self._note_gaps(f"{name}/{channel}", rows.good | ~keep, span)
                rows.values[~rows.good] = np.nan
            arrays[channel] = rows.values if keep.all() else rows.values[keep]
        return arrays

    def _read_rows(self, path: str, span: Span) -> Rows:
        first, last = span
        column = self._columns.get(path)
        if column is None:
            dtype = next(
                column.dtype for stream in self._streams.values() for column in stream.columns if column.path == path
            )
            return Rows(np.zeros(last - first, dtype), np.zeros(last - first, dtype=bool))
        return column.read(first, last)

    def _record_rows(self, name: str) -> np.ndarray:
        path, span = f"{name}/rows", (0, self._lengths[name])
        rows = self._read_rows(path, span)
        self._note_gaps(path, rows.good, span)
        whole: np.ndarray = rows.values[rows.good]
        return whole

    def _note_gaps(self, path: str, good: np.ndarray, span: Span) -> None:
        if path not in self._columns:
            return  # said already
        name = path.rsplit("/", 1)[1]
        fate = {"time_s": "left out with all that was measured then", "rows": "lost"}.get(name, "read as gaps")
        edges = np.flatnonzero(np.diff(np.concatenate(([True], good, [True])).astype(np.int8)))
        for begin, end in edges.reshape(-1, 2) + span[0]:
            self._note(f"{path}: rows {begin} to {end - 1} are damaged or missing and {fate}")

    def _note(self, problem: str) -> None:
        self._problems.setdefault(problem)

    def _span(self, name: str, from_s: float, to_s: float) -> Span:
        """Rows that surely hold the times from_s to to_s, found by the first time of each chunk."""
        length = self._lengths[name]
        column = self._columns.get(f"{name}/time_s")
        if column is None or length == 0:
            return 0, 0
        chunk_rows = column.dataset.chunks[0]
        chunks = range(-(-length // chunk_rows))
        try:
            first = bisect_left(chunks, from_s, key=lambda chunk: column.dataset[chunk * chunk_rows])
            last = bisect_left(chunks, to_s, key=lambda chunk: column.dataset[chunk * chunk_rows])
        except DAMAGE:
            return 0, length
        low, high = max(first - 1, 0) * chunk_rows, min(last * chunk_rows, length)
        times = column.read(low, high)
        if not times.good.all():
            return low, high
        inside = np.searchsorted(times.values, (from_s, to_s), side="left")
        return low + int(inside[0]), low + int(inside[1])
