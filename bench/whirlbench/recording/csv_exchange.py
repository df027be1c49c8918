"""CSV in and out: the plain files that loggers and spreadsheets understand.

Slow samples, vibration, tach pulses and events have a file each. What ``write_csv`` writes, ``read_csv`` reads back
unchanged.
"""

from __future__ import annotations

import csv
import io
import math
import os
import re
from collections.abc import Iterable, Iterator
from pathlib import Path
from typing import Any, Literal

import numpy as np

from whirlbench.calibration.rig_values import InForce, in_force
from whirlbench.errors import RecordingError, RigError
from whirlbench.recording.csv_table import CsvTable, read_table
from whirlbench.recording.layout import PIECE_ROWS
from whirlbench.recording.reader import Recording
from whirlbench.rig.regular_file import read_bytes
from whirlbench.rig.toml import parse_rig
from whirlbench.samples import (
    SLOW_CHANNELS,
    VIBRATION_AXES,
    Channel,
    Event,
    Run,
    SlowSamples,
    TachPulses,
    VibrationSamples,
)

SLOW_NAMES = tuple(channel.name for channel in SLOW_CHANNELS)
AXIS_NAMES = tuple(axis.name for axis in VIBRATION_AXES)
SLOW_FILE, VIBRATION_FILE, TACH_FILE, EVENTS_FILE, RIG_FILE, CALIBRATIONS_FILE = (
    "slow.csv", "vibration.csv", "tach.csv", "events.csv", "rig.toml", "calibrations.csv",
)  # fmt: skip
CALIBRATION_HEADER = ["channel", "date", "quantity", "value", "standard_error", "unit"]

# Steps between samples may differ from their median by this share, or by one unit of the last decimal, before they
# count as odd; the first sample of a block carries the poll's own time, so one step in sixteen may be odd. Common
# practice, no source.
STEP_TOLERANCE = 0.05
ODD_STEPS_ALLOWED = 1 / 8
MOST_DISTINCT = 200_000  # beyond that the comparison as text takes longer than it saves
MORE_THAN_ONE_STEP = 1.5  # from here on a step is a gap: samples were lost


def read_csv(
    slow: Path | str,
    vibration: Path | str | None = None,
    tach: Path | str | None = None,
    pulses_per_rev: int = 1,
    rig_text: str = "",
    events: Path | str | None = None,
) -> Run:
    """The run in the CSV files ``slow``, and ``vibration``, ``tach`` and ``events`` where there are any.

    Columns as in the contract: ``t_s`` and ``rpm`` are required in the slow file. Empty cells are gaps. Vibration has
    to be sampled uniformly; missing rows are gaps. RecordingError in one line names file, row, column, what was found
    and what was expected.
    """
    table = read_table(Path(slow), ("t_s", *SLOW_NAMES), ("t_s", "rpm"))
    channels: dict[str, Any] = {name: column for name, column in table.columns.items() if name != "t_s"}
    return Run(
        slow=SlowSamples(table.columns["t_s"], **channels),
        tach=_read_tach(Path(tach), pulses_per_rev) if tach else TachPulses(pulses_per_rev=pulses_per_rev),
        vibration=_read_vibration(Path(vibration)) if vibration else VibrationSamples(),
        events=read_events(events) if events else (),
        source=str(slow),
        rig_text=rig_text,
    )


def _read_tach(path: Path, pulses_per_rev: int) -> TachPulses:
    return TachPulses(read_table(path, ("t_s",), ("t_s",)).columns["t_s"], pulses_per_rev)


def _read_vibration(path: Path) -> VibrationSamples:
    table = read_table(path, ("t_s", *AXIS_NAMES), ("t_s",))
    axes: dict[str, Any] = {name: _as_written(column) for name, column in table.columns.items() if name != "t_s"}
    if not axes:
        raise RecordingError(f"{path}: row 1: no axis; expected any of {', '.join(AXIS_NAMES)} beside t_s")
    return VibrationSamples(table.columns["t_s"], **axes, rate_hz=uniform_rate_hz(table))


def _as_written(values: np.ndarray) -> np.ndarray:
    """``values`` as float32 when they were written from such, or with no more digits than it carries."""
    distinct = np.unique(values[~np.isnan(values)])
    if len(distinct) > MOST_DISTINCT:
        return values
    rounded = distinct.astype(np.float32)
    return values.astype(np.float32) if np.array_equal(rounded.astype(str).astype(float), distinct) else values


def uniform_rate_hz(table: CsvTable) -> float:
    """Samples per second; RecordingError when the steps of time are not all alike, gaps apart."""
    times_s = table.columns["t_s"]
    if len(times_s) < 3:
        raise RecordingError(f"{table.source}: {len(times_s)} rows; vibration needs at least 3 to tell its rate")
    steps_s = np.diff(times_s)
    typical_s = float(np.median(steps_s))
    odd = np.abs(steps_s - typical_s) > STEP_TOLERANCE * typical_s + _resolution_s(times_s)
    if odd.mean() > ODD_STEPS_ALLOWED:
        index = int(np.flatnonzero(odd)[0]) + 1
        raise RecordingError(
            f"{table.source}: row {table.row_number(index)}, column t_s: a step of {steps_s[index - 1]:.6g} s where "
            f"most are {typical_s:.6g} s ({odd.mean():.0%} of all differ); vibration has to be sampled uniformly"
        )
    rate_hz = 1.0 / float(steps_s[steps_s < MORE_THAN_ONE_STEP * typical_s + _resolution_s(times_s)].mean())
    return float(round(rate_hz)) if abs(rate_hz - round(rate_hz)) < 1e-6 * rate_hz else rate_hz


def _resolution_s(times_s: np.ndarray) -> float:
    """Unit of the last decimal the times were written with, 0 when finer than a nanosecond."""
    sample = times_s[:1000]
    for decimals in range(10):
        if np.allclose(sample, np.round(sample, decimals), rtol=0, atol=1e-12):
            return float(10.0**-decimals)
    return 0.0


def write_csv(source: Run | Recording, folder: Path | str) -> tuple[Path, ...]:
    """Writes a run, or an open recording piece by piece, into ``folder`` (made when absent) and returns the files.

    ``slow.csv``, and ``vibration.csv``, ``tach.csv``, ``events.csv``, ``rig.toml`` where the run has any; with the rig
    its calibrations and their standard errors as ``calibrations.csv`` (an empty cell is not known). Existing files are
    not overwritten. Numbers carry every digit that is needed to read the same number again; a gap is an
    empty cell.
    """
    folder = Path(folder)
    tables = _tables(source)
    for name in tables:
        if os.path.lexists(folder / name):
            raise RecordingError(f"{folder / name}: already exists; choose an empty folder")
    try:
        folder.mkdir(parents=True, exist_ok=True)
        for name, texts in tables.items():
            with open(folder / name, "x", encoding="utf-8", newline="\n") as file:
                file.writelines(texts)
    except OSError as error:
        raise RecordingError(f"{folder}: cannot be written ({error.strerror or error})") from error
    return tuple(folder / name for name in tables)


def _tables(source: Run | Recording) -> dict[str, Iterable[str]]:
    """Content of each file by name, in pieces of text."""
    whole = RunTables(source)
    slow = [name for name in SLOW_NAMES if name == "rpm" or whole.has("slow", name)]
    extra = [one.name for one in whole.extra()]
    tables: dict[str, Iterable[str]] = {SLOW_FILE: _table_text(whole, "slow", slow + extra)}
    if whole.rows("vibration"):
        axes = [name for name in AXIS_NAMES if whole.has("vibration", name)]
        tables[VIBRATION_FILE] = _table_text(whole, "vibration", axes or ["ax_g"])
    if whole.rows("tach"):
        tables[TACH_FILE] = _table_text(whole, "tach", [])
    if whole.events:
        tables[EVENTS_FILE] = (events_text(whole.events),)
    if whole.rig_text:
        tables[RIG_FILE] = (whole.rig_text,)
    if calibrations := whole.calibrations():
        tables[CALIBRATIONS_FILE] = (calibrations_text(calibrations),)
    return tables


def _table_text(whole: RunTables, stream: str, names: list[str]) -> Iterator[str]:
    headings = {one.name: one.description.replace(",", " ").replace('"', "'") for one in whole.extra()}
    yield ",".join(["t_s", *(as_text_cell(headings.get(name, name)) for name in names)]) + "\n"
    for columns in whole.pieces(stream, ["time_s", *names]):
        rows = zip(*(_cells(column) for column in columns), strict=True)
        yield "".join([",".join(row) + "\n" for row in rows])


def _cells(values: np.ndarray) -> list[str]:
    """The shortest text that reads back as the same number, "" for NaN."""
    if values.dtype == np.float32:
        distinct, places = np.unique(values, return_inverse=True)  # counts times a scale: few different numbers
        texts = ["" if text == "nan" else text for text in distinct.astype(str).tolist()]
        return [texts[place] for place in places.tolist()]
    return [repr(value) if value == value else "" for value in values.tolist()]


class RunTables:
    """What an exporter asks of a run, whether it is in memory or in a file."""

    def __init__(self, source: Run | Recording) -> None:
        """``source`` stays open as long as this is used."""
        self._source = source
        self.source = source.source if isinstance(source, Run) else str(source.path)
        self.rig_text = source.rig_text if isinstance(source, Run) else source.attributes.rig_text
        self.events = source.events if isinstance(source, Run) else source.events()

    def calibrations(self) -> tuple[InForce, ...]:
        """The calibrations in force; none without a rig, or from one that cannot be read: samples go out anyhow."""
        try:
            return in_force(parse_rig(self.rig_text, f"rig in {self.source}")) if self.rig_text.strip() else ()
        except RigError:
            return ()

    def extra(self) -> tuple[Channel, ...]:
        """The extra channels of an import, each named ``extra/NAME``, with the heading it had in its file."""
        if isinstance(self._source, Run):
            about = [one[:3] for one in self._source.slow.extra]
        else:
            about = list(self._source.attributes.extra)
        return tuple(Channel(f"extra/{name}", unit, heading) for name, unit, heading in about)

    def rows(self, stream: str) -> int:
        """Rows of a stream."""
        if isinstance(self._source, Run):
            return len(getattr(self._source, stream).time_s)
        return self._source.rows_of(stream)

    def has(self, stream: str, name: str) -> bool:
        """Whether a channel holds at least one finite value."""
        return any(bool(np.isfinite(piece[0]).any()) for piece in self.pieces(stream, [name]))

    def pieces(self, stream: str, names: list[str]) -> Iterator[list[np.ndarray]]:
        """The columns called ``names`` (``time_s`` and channels) of a stream, some ten thousand rows at a time."""
        if not isinstance(self._source, Run):
            yield from self._source.pieces(stream, [f"{stream}/{name}" for name in names])
            return
        extra = {f"extra/{one.name}": one.values for one in self._source.slow.extra}
        held = getattr(self._source, stream)
        columns = [extra[name] if name in extra else getattr(held, name) for name in names]
        for first in range(0, self.rows(stream), PIECE_ROWS):
            yield [column[first : first + PIECE_ROWS] for column in columns]


def calibrations_text(found: Iterable[InForce]) -> str:
    """The table of calibrations: a row a figure; no date and no figure are empty cells."""
    out = io.StringIO()
    writer = csv.writer(out, lineterminator="\n")
    writer.writerow(CALIBRATION_HEADER)
    for one in found:
        for figure in one.figures:
            numbers = ("" if number is None else repr(number) for number in (figure.value, figure.stderr))
            texts = map(as_text_cell, (one.channel, one.date or "", figure.quantity))
            writer.writerow((*texts, *numbers, as_text_cell(figure.unit)))
    return out.getvalue()


# --- events: changes of state, trips, aborts, steps of the plan, notes

# What begins so is a formula to one spreadsheet or another, full-width signs and the true minus included; apostrophes
# in front of it are kept apart from ours.
FORMULA = re.compile("'*[=+\u2212@\t\r\n\uff1d\uff0b\uff0d\uff20-]")
MOST_EVENT_BYTES = 1 << 28
EVENT_HEADER = ["t_s", "kind", "name", "detail"]


def events_text(events: Iterable[Event]) -> str:
    """The table as text; details that hold commas, quotes or line ends are quoted (RFC 4180)."""
    out = io.StringIO()
    out.write(",".join(EVENT_HEADER) + "\n")
    for event in events:
        writer = csv.writer(out, lineterminator="\n", quoting=_quoting(event))
        writer.writerow((float(event.time_s), *map(as_text_cell, event[1:])))
    return out.getvalue()


def _quoting(event: Event) -> Literal[0, 2]:
    """Quotes where a lone carriage return would end the row, else only where they are needed."""
    return csv.QUOTE_NONNUMERIC if any("\r" in text for text in event[1:]) else csv.QUOTE_MINIMAL


def as_text_cell(text: str) -> str:
    """``text`` with an apostrophe in front where a spreadsheet would take it for a formula; see ``from_text_cell``.

    >>> as_text_cell("=1+1"), from_text_cell("'=1+1"), from_text_cell(as_text_cell("'=x"))
    ("'=1+1", '=1+1', "'=x")
    """
    return f"'{text}" if FORMULA.match(text) else text


def from_text_cell(cell: str) -> str:
    """The text of a cell that ``as_text_cell`` made: exactly what went in."""
    return cell[1:] if cell.startswith("'") and FORMULA.match(cell[1:]) else cell


def read_events(path: Path | str) -> tuple[Event, ...]:
    """The events in the file at ``path``, in its order; RecordingError in one line names file, row and the fault."""
    try:
        text = read_bytes(path, MOST_EVENT_BYTES, RecordingError).decode("utf-8-sig")
        rows = list(csv.reader(io.StringIO(text, newline=""), strict=True))
    except (UnicodeDecodeError, csv.Error) as error:
        raise RecordingError(f"{path}: cannot be read as a table of events ({error})") from error
    if not rows or rows[0] != EVENT_HEADER:
        raise RecordingError(f"{path}: row 1: expected the header {','.join(EVENT_HEADER)}")
    return tuple(_event(path, number, row) for number, row in enumerate(rows[1:], start=2))


def _event(path: Path | str, number: int, row: list[str]) -> Event:
    if len(row) != len(EVENT_HEADER):
        raise RecordingError(
            f"{path}: row {number} has {len(row)} cells; expected {len(EVENT_HEADER)} as in the header"
        )
    try:
        time_s = float(row[0])
    except ValueError:
        time_s = math.nan
    if not math.isfinite(time_s):
        raise RecordingError(f"{path}: row {number}, column t_s: {row[0]!r} is not a number; expected a time in s")
    return Event(time_s, *map(from_text_cell, row[1:]))
