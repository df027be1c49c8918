"""An import in words: how each file was written, what each column was taken for, and what was left out or marked."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from pathlib import Path
from typing import Any

import numpy as np

from whirlbench.recording.csv_exchange import AXIS_NAMES, SLOW_NAMES
from whirlbench.recording.foreign import ForeignLog, ImportedRun, Meaning, could_be, is_acceleration
from whirlbench.results.answer import NONE, Answer, Column, Level, Remark, Table, figure, listed, span
from whirlbench.samples import Run

SUBJECT = "import"
EXTRA = "extra channel"
TOO_SLOW = (
    "acceleration among slow readings says nothing of vibration, which swings many times between two of them; give it "
    "as it swings, some hundred readings a second and more, in a file of its own with --vibration"
)
COLUMNS = (
    Column("column", figures=False),
    Column("read as", figures=False),
    Column("unit in the file", figures=False),
    Column("figures times"),
    Column("plus"),
    Column("range"),
    Column("why", figures=False),
)


def import_answer(imported: ImportedRun, target: Path | None) -> Answer:
    """What was recognised in each file; ``target`` None: nothing was written."""
    return Answer(
        SUBJECT,
        run_line(imported.run, target),
        tables=tuple(_table(number, log) for number, log in enumerate(imported.logs, start=1)),
        remarks=tuple(_remarks(imported, target)),
        document=_document(imported, target),
    )


def run_line(run: Run, target: Path | None) -> str:
    """How much a run holds, and where it was written."""
    return (
        f"{target or 'nothing written'}: {len(run.slow.time_s)} slow samples, {len(run.tach.time_s)} tach pulses, "
        f"{len(run.vibration.time_s)} vibration samples, {run.duration_s():.1f} s"
    )


def rate_line(log: ForeignLog) -> str:
    """How a file is written, its rows and their rate."""
    rows = len(log.times_s)
    rate = (rows - 1) / (log.times_s[-1] - log.times_s[0]) if rows > 1 else float("nan")
    return f"{Path(log.source).name}: {', '.join((*log.table.form, f'{rows} rows', f'{figure(rate)} rows a second'))}"


def _table(number: int, log: ForeignLog) -> Table:
    return Table(f"columns {number}", rate_line(log), COLUMNS, tuple(_row(log, one) for one in log.meanings))


def _row(log: ForeignLog, one: Meaning) -> tuple[str, ...]:
    values = log.times_s if one.channel == "t_s" else log.channels.get(one.channel, one.column.values)
    known = values[np.isfinite(values)]
    reach = span(float(known.min()), float(known.max()), 2) if len(known) else NONE
    plain = "" if one.column.texts else figure(one.factor, 6)
    return one.column.heading, one.channel or EXTRA, one.unit or NONE, plain or NONE, figure(one.offset), reach, one.why


def _remarks(imported: ImportedRun, target: Path | None) -> Iterator[Remark]:
    taken = [one.channel for log in imported.logs for one in log.meanings]
    for log in imported.logs:
        name = Path(log.source).name
        yield from (Remark(Level.CAUTION, f"{name}: {text}") for text in log.remarks)
        left_out = [
            one.heading for one in log.table.columns if one.texts and all(one is not m.column for m in log.meanings)
        ]
        if left_out:
            yield Remark(Level.NOTE, f"{name}: columns of words are left out: {listed(left_out)}")
        yield from _open_columns(log, name, taken)
    for source, offset in imported.offsets.items():
        yield Remark(Level.CAUTION, f"{Path(source).name}: {offset.text}; look whether both show a movement at once")
    extra = [f"{one.description} ({one.unit})" if one.unit else one.description for one in imported.run.slow.extra]
    if extra:
        yield Remark(Level.NOTE, f"kept as extra channels, which no analysis uses: {listed(extra)}")
    if target is None:
        yield Remark(Level.NOTE, "add -o OUT.h5 to write the recording, --keep-map NAME to keep this mapping by name")


def _open_columns(log: ForeignLog, name: str, taken: Sequence[str]) -> Iterator[Remark]:
    """Extra columns that could be more, with the options that would say so; acceleration that is too slow to use."""
    if set(log.channels) <= set(AXIS_NAMES) and log.channels:
        return
    for one in log.meanings:
        heading = one.column.heading
        if not (one.channel or one.column.texts or one.why) and is_acceleration(one):
            yield Remark(Level.CAUTION, f"{name}: column {heading!r} is not used: {TOO_SLOW}")
            continue
        options = [f'--map "{heading}={channel}"' for channel in could_be(one, taken, SLOW_NAMES)]
        if options:
            text = f"column {heading!r} is in {one.unit}, but its heading names no channel: kept beside the others"
            yield Remark(Level.CAUTION, f"{name}: {text}; if it is one, add {' or '.join(options)}")


def _document(imported: ImportedRun, target: Path | None) -> dict[str, Any]:
    files = [
        {
            "file": log.source,
            "form": log.table.form,
            "rows": len(log.times_s),
            "columns": [
                {"column": one.column.heading, "channel": one.channel or None, "unit": one.unit, "factor": one.factor,
                 "offset": one.offset, "why": one.why}
                for one in log.meanings
            ],
            "remarks": log.remarks,
            "offset": imported.offsets.get(log.source),
        }
        for log in imported.logs
    ]  # fmt: skip
    extra = [{"name": one.name, "unit": one.unit, "column": one.description} for one in imported.run.slow.extra]
    return {"written": str(target) if target else None, "files": files, "extra": extra}
