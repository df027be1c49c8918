"""Parquet out, for who analyses runs in tables of that kind. Needs the extra ``whirlbench[parquet]``."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import numpy as np

from whirlbench.errors import RecordingError
from whirlbench.samples import SLOW_CHANNELS, VIBRATION_AXES, Channel, Run


def write_parquet(run: Run, folder: Path | str) -> tuple[Path, ...]:
    """Writes ``slow``, ``vibration``, ``tach`` and ``events`` as ``.parquet`` into ``folder``; returns the files.

    Columns as in the CSV files, with the unit of each in its field's metadata and the rig text in the file's; gaps are
    NaN. RecordingError when pyarrow is not installed or a file exists.
    """
    try:
        import pyarrow.parquet as parquet
    except ImportError as error:
        raise RecordingError("--parquet needs pyarrow: pip install 'whirlbench[parquet]'") from error
    folder = Path(folder)
    tables = _tables(run)
    for name in tables:
        if (folder / f"{name}.parquet").exists():
            raise RecordingError(f"{folder / name}.parquet: already exists; choose an empty folder")
    try:
        folder.mkdir(parents=True, exist_ok=True)
        for name, table in tables.items():
            parquet.write_table(table, folder / f"{name}.parquet")
    except OSError as error:
        raise RecordingError(f"{folder}: cannot be written ({error.strerror or error})") from error
    return tuple(folder / f"{name}.parquet" for name in tables)


def _tables(run: Run) -> dict[str, Any]:
    """pyarrow tables by name; streams without samples are left out, but for the slow one."""
    slow = {channel: run.slow.channel(channel.name) for channel in SLOW_CHANNELS if run.slow.has(channel.name)}
    axes = {axis: getattr(run.vibration, axis.name) for axis in VIBRATION_AXES if run.vibration.has(axis.name)}
    tables = {"slow": _table(run, run.slow.time_s, slow)}
    if len(run.vibration.time_s):
        tables["vibration"] = _table(run, run.vibration.time_s, axes)
    if len(run.tach.time_s):
        tables["tach"] = _table(run, run.tach.time_s, {})
    if run.events:
        tables["events"] = _events(run)
    return tables


def _table(run: Run, time_s: np.ndarray, columns: dict[Channel, np.ndarray]) -> Any:
    import pyarrow

    fields = [pyarrow.field("t_s", pyarrow.float64(), metadata={"unit": "s"})]
    fields += [
        pyarrow.field(channel.name, pyarrow.from_numpy_dtype(values.dtype), metadata={"unit": channel.unit})
        for channel, values in columns.items()
    ]
    schema = pyarrow.schema(fields, metadata={"source": run.source, "rig_toml": run.rig_text})
    return pyarrow.table([time_s, *columns.values()], schema=schema)


def _events(run: Run) -> Any:
    import pyarrow

    columns = list(zip(*run.events, strict=True))
    return pyarrow.table(dict(zip(("t_s", "kind", "name", "detail"), map(list, columns), strict=True)))
