"""A recording, read: whole, in slices, with what is missing said in plain words.

Damage costs the rows it touches. A value that is damaged reads as a gap (NaN); a row whose time is damaged is left
out, because nobody can say when it was. What was found missing stands in ``problems``, once something was read.
"""

from __future__ import annotations

import re
from bisect import bisect_left
from collections.abc import Callable, Iterable, Iterator, Sequence
from dataclasses import replace
from pathlib import Path

import h5py
import numpy as np

from whirlbench.errors import RecordingError
from whirlbench.recording.attributes import check_format, read_attributes
from whirlbench.recording.integrity import DAMAGE, Blocks, Rows, VerifiedColumn, no_blocks, read_table
from whirlbench.recording.layout import (
    COUNTED,
    ENDING,
    ENDING_ROW,
    EXTRA,
    LARGEST_VALUE,
    LONGEST_RUN_S,
    MOST_EXTRA,
    NO_COUNT,
    PIECE_ROWS,
    Ending,
    Stream,
    extra_column,
    missing,
    streams,
)
from whirlbench.recording.structure import Structure, out_of_order
from whirlbench.recording.text import plain
from whirlbench.samples import (
    SLOW_CHANNELS,
    VIBRATION_AXES,
    Event,
    ExtraChannel,
    Run,
    SlowSamples,
    TachPulses,
    VibrationSamples,
)

Span = tuple[int, int]
PLAIN_WORD = re.compile(r"[a-z0-9_]{1,60}")
MOST_LINES = 200  # of problems for one column
FARTHEST_TIME_S = 1e10  # on either side of zero: beyond every date in seconds that a logger writes


def without_repeats(values: np.ndarray) -> np.ndarray:
    """``values``; where they are gaps or one number throughout, that number, looking as many without their memory.

    A request that nobody made, an angle that was not measured. The result cannot be written to.
    """
    if not len(values) or not (np.isnan(values[0]) or values[0] == values[-1]):
        return values
    same = np.isnan(np.fmax.reduce(values)) if np.isnan(values[0]) else (values == values[0]).all()
    return np.broadcast_to(values[0], values.shape) if same else values


class Recording:
    """An open recording; a context manager. See ``files.open_recording``."""

    def __init__(self, file: h5py.File, path: Path, close: Callable[[], None]) -> None:
        """``close`` gives the file back."""
        self.path = path
        self._structure, self._close = Structure(file, path), close
        self._problems: dict[str, None] = {}  # in order, each once
        check_format(self._structure, path)
        self.attributes = read_attributes(self._structure, path, self._note)
        self._table, table_whole = self._read_table()
        if not table_whole:
            self._note("part of the table of checksums is damaged: those rows are guarded by HDF5's own checksum alone")
        dtype = "f8" if self._is_f8("vibration/ax_g") else "f4"
        self.attributes = replace(self.attributes, extra=self._extra())
        columns = tuple(extra_column(*one) for one in self.attributes.extra)
        self._streams = {stream.name: stream for stream in streams(dtype, columns)}
        self.ending, said = self._read_ending()
        self._columns = dict(self._open_columns())
        self._lengths = {name: self._length(stream) for name, stream in self._streams.items()}
        self._note_ending(said)

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

    def run(self, vibration: bool = True) -> Run:
        """Everything but the wire counts, as arrays; ``vibration`` false leaves out what fills the memory most."""
        left_out = {} if vibration else {"vibration": (0, 0)}
        return self._run({**{name: (0, length) for name, length in self._lengths.items()}, **left_out})

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
        keep = self._times(stream, span).good
        rows = self._read_rows(path, span)
        self._note_gaps(path, rows.good | ~keep, span)
        there = rows.good & (rows.values != missing(rows.values.dtype))
        counts: np.ndarray = np.where(there, rows.values.astype(np.int32), NO_COUNT)[keep]
        return counts

    def vibration_index(self) -> np.ndarray:
        """Running numbers of the vibration samples, int64, row for row with ``run()``; -1 where damaged."""
        span = (0, self._lengths["vibration"])
        keep = self._times("vibration", span).good
        rows = self._read_rows("vibration/index", span)
        there = rows.good & (rows.values != missing(rows.values.dtype))
        index: np.ndarray = np.where(there, rows.values.astype(np.int64), -1)[keep]
        return index

    def _vibration_index_at(self, row: int | None) -> int:
        """Running number of the sample in a row; 0 where it is damaged or missing."""
        if row is None:
            return 0
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

    def rows_of(self, stream: str) -> int:
        """Committed rows of a stream, damaged ones too."""
        return self._lengths[stream]

    def sample_of(self, path: str, first: int, rows: int) -> np.ndarray:
        """Some rows of one dataset as they are, to judge how well they pack."""
        last = min(first + rows, self._lengths[path.split("/")[0]])
        return self._read_rows(path, (first, last)).values

    def pieces(self, stream: str, paths: Sequence[str]) -> Iterator[list[np.ndarray]]:
        """The columns at ``paths`` of a stream, piece by piece: all rows whose time is good, in order.

        Where damage was stands ``layout.missing`` of the column's type; ``problems`` tells once all was taken.
        """
        after_s = -np.inf
        for first in range(0, self._lengths[stream], PIECE_ROWS):
            span = (first, min(first + PIECE_ROWS, self._lengths[stream]))
            if self._streams[stream].columns[0].path.endswith("/rows"):
                yield [self._record_rows(stream, span)]
                continue
            times = self._times(stream, span, after_s)
            keep = times.good
            if keep.any():
                after_s = float(times.values[keep][-1])
                yield [self._kept(path, span, times) for path in paths]

    def _kept(self, path: str, span: Span, times: Rows) -> np.ndarray:
        if path.endswith("/time_s"):
            return times.values if times.good.all() else times.values[times.good]
        rows = self._believed(path, span, times.good)
        if not rows.good.all():
            rows.values[~rows.good] = missing(rows.values.dtype)
        return rows.values if times.good.all() else rows.values[times.good]

    # --- opening ------------------------------------------------------------------------------------------------

    def _read_table(self) -> tuple[dict[str, Blocks], bool]:
        try:
            return read_table(self._structure)
        except DAMAGE:
            return {}, False

    def _extra(self) -> tuple[tuple[str, str, str], ...]:
        """Name, unit and heading of each extra channel; what bears no plain name was not written by us."""
        try:
            names = [name for name in self._structure.names(EXTRA) if PLAIN_WORD.fullmatch(name) and name != "time_s"]
            return tuple((name, *self._said_of(f"{EXTRA}/{name}")) for name in names[:MOST_EXTRA])
        except DAMAGE:
            self._note(f"{EXTRA}: its description is damaged, the extra channels are lost")
            return ()

    def _said_of(self, path: str) -> tuple[str, str]:
        """Unit and description of a column, empty where it has none."""
        found = self._structure.attributes(path, ("unit", "description"))
        return plain(bytes(found.get("unit", b""))), plain(bytes(found.get("description", b"")))

    def _is_f8(self, path: str) -> bool:
        try:
            return bool(self._structure.dataset(path).dtype == np.float64)
        except DAMAGE:
            return False

    def _open_columns(self) -> Iterable[tuple[str, VerifiedColumn]]:
        for stream in self._streams.values():
            for column in stream.columns:
                try:
                    dataset = self._structure.dataset(column.path)
                    if dataset.dtype != column.dtype:
                        raise ValueError(f"{column.path} is of another type")
                    stored = self._structure.stored_rows(dataset)
                except DAMAGE:
                    self._note(f"{column.path}: its description is damaged, the whole channel is lost")
                else:
                    yield column.path, VerifiedColumn(dataset, self._trusted(column.path, stored), stored)

    def _trusted(self, path: str, stored: int) -> Blocks:
        """The table of a column; not whole where a closed run holds rows that it does not speak of."""
        blocks = self._table.get(path, no_blocks(whole=False))
        if blocks.whole and self.ending.complete and blocks.committed < stored:
            self._note(
                f"{path}: rows {blocks.committed} to {stored - 1} are not in the table of checksums: guarded by HDF5's "
                "own checksum alone"
            )
            return replace(blocks, whole=False)
        if path not in self._table and self._table:
            self._note(f"{path}: not in the table of checksums: guarded by HDF5's own checksum alone")
        return blocks

    def _length(self, stream: Stream) -> int:
        """Committed rows of a stream; what a crash left behind the last commit is not counted, but told."""
        time_column = self._columns.get(stream.columns[0].path)
        if time_column is None:
            return 0
        committed, stored = time_column.blocks.committed, time_column.stored
        most = max(committed, int(time_column.dataset.shape[0]))
        if most > stored:
            lost = "are damaged or missing and left out with all that was measured then"
            self._note(f"{stream.columns[0].path}: rows {stored} to {most - 1} {lost}")
        if not time_column.blocks.whole:
            return stored
        if committed < stored:
            self._note(
                f"{stream.name}: the last {stored - committed} rows came after the last checksum and are left out"
            )
        return min(committed, stored)

    def _read_ending(self) -> tuple[Ending, list[str] | None]:
        """How the run ended, and the problems that were written with it; None for those where it is damaged."""
        try:
            dataset = self._structure.dataset(ENDING)
            if dataset.dtype != ENDING_ROW:
                raise ValueError(f"{ENDING} is of another type")
            if self._structure.stored_rows(dataset) < 1:
                return Ending(), []
            row = dataset[0]
        except DAMAGE:
            return Ending(), None
        return Ending(True, plain(row["exit_status"]), plain(row["reason"])), plain(row["problems"]).splitlines()

    def _note_ending(self, said: list[str] | None) -> None:
        if said is None:
            self._note("how the run ended is damaged")
        elif not self.ending.complete:
            self._note(f"the run was not closed; it reads up to {self._last_time_s():.3f} s")
        for line in said or ():
            self._note(line)

    def _last_time_s(self) -> float:
        lasts = [0.0]
        for name in ("slow", "tach", "vibration"):
            length = self._lengths[name]
            rows = self._read_rows(f"{name}/time_s", (max(length - 1, 0), length))
            lasts += rows.values[rows.good & np.isfinite(rows.values)].tolist()
        return max(lasts)

    # --- reading ------------------------------------------------------------------------------------------------

    def _run(self, spans: dict[str, Span]) -> Run:
        others = {f"extra/{name}": (name, unit, text) for name, unit, text in self.attributes.extra}
        slow, _ = self._read_stream("slow", spans["slow"], [*(channel.name for channel in SLOW_CHANNELS), *others])
        extra = tuple(ExtraChannel(*about, slow.pop(path)) for path, about in others.items())
        tach, _ = self._read_stream("tach", spans["tach"], [])
        vibration, first_row = self._read_stream(
            "vibration", spans["vibration"], [axis.name for axis in VIBRATION_AXES]
        )
        events = self.events()
        return Run(
            slow=SlowSamples(**slow, extra=extra),
            tach=TachPulses(tach["time_s"], self.attributes.pulses_per_rev),
            vibration=VibrationSamples(
                **vibration,
                rate_hz=self.attributes.vibration_rate_hz,
                first_index=self._vibration_index_at(first_row),
            ),
            events=events,
            source=str(self.path),
            rig_text=self.attributes.rig_text,
            plan_text=self.attributes.plan_text,
            problems=self.problems,
        )

    def _read_stream(self, name: str, span: Span, channels: list[str]) -> tuple[dict[str, np.ndarray], int | None]:
        """Times and channels of the rows whose time is good, damaged values as NaN; and the first such row."""
        times = self._times(name, span)
        keep = times.good
        arrays = {"time_s": times.values if keep.all() else times.values[keep]}
        for channel in channels:
            rows = self._believed(f"{name}/{channel}", span, keep)
            if not rows.good.all():
                rows.values[~rows.good] = np.nan
            arrays[channel] = without_repeats(rows.values if keep.all() else rows.values[keep])
        return arrays, span[0] + int(np.argmax(keep)) if keep.any() else None

    def _times(self, name: str, span: Span, after_s: float = -np.inf) -> Rows:
        """Times of a stream; those that are damaged, not finite or not later than all before them are not good."""
        path = f"{name}/time_s"
        rows = self._read_rows(path, span)
        self._note_gaps(path, rows.good, span)
        whole = bool(rows.good.all())
        wrong = out_of_order(rows.values if whole else rows.values[rows.good], after_s, FARTHEST_TIME_S)
        if wrong.any():
            good = rows.good.copy()
            rows.good[np.flatnonzero(good)[wrong]] = False
            self._note_stretches(path, ~good | rows.good, span, "run backward or are not finite and are left out")
        self._check_span(path, rows)
        return rows

    def _check_span(self, path: str, rows: Rows) -> None:
        if not rows.good.any():
            return
        low, high = rows.values[np.argmax(rows.good)], rows.values[-1 - np.argmax(rows.good[::-1])]
        if high - low > LONGEST_RUN_S:
            raise RecordingError(
                f"{self.path}: {path}: runs from {low:.6g} to {high:.6g} s; no run lasts longer than "
                f"{LONGEST_RUN_S:g} s, one of its times is wrong"
            )

    def _believed(self, path: str, span: Span, keep: np.ndarray) -> Rows:
        """Rows of a channel; infinities and sizes beyond all sense are no readings."""
        rows = self._read_rows(path, span)
        if not rows.good.all():
            self._note_gaps(path, rows.good | ~keep, span)
        if rows.values.dtype.kind == "f" and len(rows.values):
            values = rows.values
            ends = np.fmin.reduce(values), np.fmax.reduce(values)
            if max(-ends[0], ends[1]) > LARGEST_VALUE:
                wild = (np.abs(values) > LARGEST_VALUE) & rows.good
                self._note_stretches(path, ~wild | ~keep, span, "are no numbers a stand can show and read as gaps")
                rows.good[wild] = False
        return rows

    def _read_rows(self, path: str, span: Span) -> Rows:
        first, last = span
        column = self._columns.get(path)
        if column is None:
            dtype = next(
                column.dtype for stream in self._streams.values() for column in stream.columns if column.path == path
            )
            return Rows(np.zeros(last - first, dtype), np.zeros(last - first, dtype=bool))
        return column.read(first, last)

    def _record_rows(self, name: str, span: Span | None = None) -> np.ndarray:
        path, span = f"{name}/rows", span or (0, self._lengths[name])
        rows = self._read_rows(path, span)
        self._note_gaps(path, rows.good, span)
        timed = np.abs(rows.values["time_s"]) <= FARTHEST_TIME_S
        self._note_stretches(path, ~rows.good | timed, span, "have no finite time and are lost")
        whole: np.ndarray = rows.values[rows.good & timed]
        return whole

    def _note_gaps(self, path: str, good: np.ndarray, span: Span) -> None:
        if path not in self._columns:
            return  # said already
        name = path.rsplit("/", 1)[1]
        fate = {"time_s": "left out with all that was measured then", "rows": "lost"}.get(name, "read as gaps")
        self._note_stretches(path, good, span, f"are damaged or missing and {fate}")

    def _note_stretches(self, path: str, good: np.ndarray, span: Span, fate: str) -> None:
        """A line for each stretch of rows that are not ``good``; beyond MOST_LINES the others are only counted."""
        if good.all():
            return
        edges = np.flatnonzero(np.diff(np.concatenate(([True], good, [True])).astype(np.int8)))
        stretches = edges.reshape(-1, 2) + span[0]
        for begin, end in stretches[:MOST_LINES]:
            self._note(f"{path}: rows {begin} to {end - 1} {fate}")
        if len(stretches) > MOST_LINES:
            others = int((stretches[MOST_LINES:, 1] - stretches[MOST_LINES:, 0]).sum())
            self._note(f"{path}: {others} other rows from {stretches[MOST_LINES, 0]} on {fate}")

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
