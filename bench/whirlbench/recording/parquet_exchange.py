"""Parquet out, for who analyses runs in tables of that kind. Needs the extra ``whirlbench[parquet]``."""

from __future__ import annotations

import os
from collections.abc import Callable, Iterable
from functools import partial
from itertools import chain
from pathlib import Path
from typing import Any

import numpy as np

from whirlbench.calibration.rig_values import InForce
from whirlbench.errors import RecordingError
from whirlbench.recording.csv_exchange import RunTables, calibrations_text
from whirlbench.recording.reader import Recording
from whirlbench.samples import SLOW_CHANNELS, VIBRATION_AXES, Channel, Run

COLUMNS_OF = {"pitch": ("pitch_deg",), "vibration": tuple(axis.name for axis in VIBRATION_AXES), "tach": ("rpm",)}
STREAMS: dict[str, tuple[Channel, ...]] = {"slow": SLOW_CHANNELS, "vibration": VIBRATION_AXES, "tach": ()}


def write_parquet(source: Run | Recording, folder: Path | str) -> tuple[Path, ...]:
    """Writes ``slow``, ``vibration``, ``tach`` and ``events`` as ``.parquet`` into ``folder``; returns the files.

    An open recording is written piece by piece. Columns as in the CSV files, with the unit of each in its field's
    metadata and the rig text in the file's; the calibrations in force stand in the file's metadata as a table in CSV,
    and each calibrated column's in that of its field. Gaps are NaN. RecordingError when pyarrow is not installed or a
    file exists.
    """
    try:
        import pyarrow.parquet  # noqa: F401 - asked for before anything is made
    except ImportError as error:
        raise RecordingError("--parquet needs pyarrow: pip install 'whirlbench[parquet]'") from error
    folder = Path(folder)
    tables = {folder / f"{name}.parquet": write for name, write in _tables(RunTables(source)).items()}
    for path in tables:
        if os.path.lexists(path):
            raise RecordingError(f"{path}: already exists; choose an empty folder")
    try:
        folder.mkdir(parents=True, exist_ok=True)
        for path, write in tables.items():
            with open(path, "xb") as file:
                write(file)
    except OSError as error:
        raise RecordingError(f"{folder}: cannot be written ({error.strerror or error})") from error
    return tuple(tables)


def _tables(whole: RunTables) -> dict[str, Callable[[Any], None]]:
    """What writes each table into an open file; streams without samples are left out, but for the slow one."""
    tables = {name: partial(_write_stream, whole, name) for name in STREAMS if name == "slow" or whole.rows(name)}
    return {**tables, "events": partial(_write_events, whole)} if whole.events else {**tables}


def _write_stream(whole: RunTables, stream: str, file: Any) -> None:
    import pyarrow
    from pyarrow.parquet import ParquetWriter

    channels = [channel for channel in STREAMS[stream] if whole.has(stream, channel.name)]
    channels += whole.extra() if stream == "slow" else ()
    names = ["time_s", *(channel.name for channel in channels)]
    pieces = whole.pieces(stream, names)
    first = next(pieces, [np.empty(0)] * len(names))
    schema = _schema(whole, channels, [column.dtype for column in first])
    with ParquetWriter(file, schema) as writer:
        for columns in chain([first], pieces):
            writer.write_table(pyarrow.table(columns, schema=schema))


def _by_column(found: Iterable[InForce]) -> dict[str, str]:
    """What is known of the calibrations behind each column."""
    told: dict[str, list[str]] = {}
    for one in found:
        for column in COLUMNS_OF.get(one.channel, (one.channel,)):
            told.setdefault(column, []).append(one.sentence)
    return {column: "; ".join(sentences) for column, sentences in told.items()}


def _schema(whole: RunTables, channels: list[Channel], dtypes: list[np.dtype]) -> Any:
    import pyarrow

    columns = (("t_s", "s"), *((channel.name.removeprefix("extra/"), channel.unit) for channel in channels))
    found = whole.calibrations()
    told = _by_column(found)
    fields = [
        pyarrow.field(
            name,
            pyarrow.from_numpy_dtype(dtype),
            metadata={"unit": unit, **({"calibration": told[name]} if name in told else {})},
        )
        for (name, unit), dtype in zip(columns, dtypes, strict=True)
    ]
    about = {"source": whole.source, "rig_toml": whole.rig_text, "calibrations_csv": calibrations_text(found)}
    return pyarrow.schema(fields, metadata=about)


def _write_events(whole: RunTables, file: Any) -> None:
    import pyarrow
    from pyarrow.parquet import write_table

    columns = list(zip(*whole.events, strict=True))
    write_table(pyarrow.table(dict(zip(("t_s", "kind", "name", "detail"), map(list, columns), strict=True))), file)
