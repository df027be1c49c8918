"""Events as a CSV table: changes of state, trips, aborts, steps of the plan, notes."""

from __future__ import annotations

import csv
import io
import math
from collections.abc import Iterable
from pathlib import Path

from whirlbench.errors import RecordingError
from whirlbench.samples import Event

HEADER = ["t_s", "kind", "name", "detail"]


def events_text(events: Iterable[Event]) -> str:
    """The table as text; details that hold commas, quotes or line ends are quoted (RFC 4180)."""
    out = io.StringIO()
    writer = csv.writer(out, lineterminator="\n")
    writer.writerow(HEADER)
    writer.writerows((repr(float(event.time_s)), *event[1:]) for event in events)
    return out.getvalue()


def read_events(path: Path | str) -> tuple[Event, ...]:
    """The events in the file at ``path``, in its order; RecordingError in one line names file, row and the fault."""
    try:
        with open(path, encoding="utf-8-sig", newline="") as file:
            rows = list(csv.reader(file, strict=True))
    except (OSError, UnicodeDecodeError, csv.Error) as error:
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
    return Event(time_s, *row[1:])
