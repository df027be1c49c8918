"""Events as a CSV table: changes of state, trips, aborts, steps of the plan, notes."""

from __future__ import annotations

import csv
import io
import math
import re
from collections.abc import Iterable
from pathlib import Path

from whirlbench.errors import RecordingError
from whirlbench.rig.regular_file import read_bytes
from whirlbench.samples import Event

# What begins so is a formula to one spreadsheet or another, full-width signs and the true minus included; apostrophes in
# front of it are kept apart from ours.
FORMULA = re.compile("'*[=+\u2212@\t\r\n\uff1d\uff0b\uff0d\uff20-]")
MOST_BYTES = 1 << 28
HEADER = ["t_s", "kind", "name", "detail"]


def events_text(events: Iterable[Event]) -> str:
    """The table as text; details that hold commas, quotes or line ends are quoted (RFC 4180)."""
    out = io.StringIO()
    out.write(",".join(HEADER) + "\n")
    for event in events:
        writer = csv.writer(out, lineterminator="\n", quoting=_quoting(event))
        writer.writerow((float(event.time_s), *map(as_text_cell, event[1:])))
    return out.getvalue()


def _quoting(event: Event) -> int:
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
        text = read_bytes(path, MOST_BYTES, RecordingError).decode("utf-8-sig")
        rows = list(csv.reader(io.StringIO(text, newline=""), strict=True))
    except (UnicodeDecodeError, csv.Error) as error:
        raise RecordingError(f"{path}: cannot be read as a table of events ({error})") from error
    if not rows or rows[0] != HEADER:
        raise RecordingError(f"{path}: row 1: expected the header {','.join(HEADER)}")
    return tuple(_event(path, number, row) for number, row in enumerate(rows[1:], start=2))


def _event(path: Path | str, number: int, row: list[str]) -> Event:
    if len(row) != len(HEADER):
        raise RecordingError(f"{path}: row {number} has {len(row)} cells; expected {len(HEADER)} as in the header")
    try:
        time_s = float(row[0])
    except ValueError:
        time_s = math.nan
    if not math.isfinite(time_s):
        raise RecordingError(f"{path}: row {number}, column t_s: {row[0]!r} is not a number; expected a time in s")
    return Event(time_s, *map(from_text_cell, row[1:]))
