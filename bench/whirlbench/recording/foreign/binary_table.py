"""Tables in Parquet and HDF5 files as columns under headings; units come from their metadata where there are any."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import numpy as np

from whirlbench.errors import RecordingError
from whirlbench.recording.foreign.column import ForeignColumn, ForeignTable
from whirlbench.rig.regular_file import open_regular

PARQUET, HDF5 = b"PAR1", b"\x89HDF\r\n\x1a\n"
UNIT_NAMES = ("unit", "units", "Unit", "Units")
MOST_ROWS = 20_000_000
OWN_FORMAT = b"whirlbench recording"


def is_binary(path: Path) -> bool:
    """Whether the file is Parquet or HDF5, by its first bytes."""
    with open_regular(path, RecordingError) as file:
        first = file.read(8)
    return first[:4] == PARQUET or first == HDF5


def read_binary_table(path: Path) -> ForeignTable:
    """The table in a Parquet or HDF5 file; RecordingError in one line when it holds none, or several."""
    with open_regular(path, RecordingError) as file:
        is_parquet = file.read(4) == PARQUET
    columns, form = _parquet_columns(path) if is_parquet else _hdf5_columns(path)
    lengths = {len(column.values) for column in columns}
    if len(lengths) != 1 or max(lengths) < 1:
        raise RecordingError(
            f"{path}: its columns have lengths {sorted(lengths)}; expected one table of at least a row"
        )
    return ForeignTable(str(path), tuple(columns), np.arange(1, max(lengths) + 1), (form,))


def _parquet_columns(path: Path) -> tuple[list[ForeignColumn], str]:
    try:
        import pyarrow
        from pyarrow import parquet
    except ImportError as error:
        raise RecordingError(f"{path}: Parquet needs pyarrow: pip install 'whirlbench[parquet]'") from error
    try:
        table = parquet.read_table(path)
    except (pyarrow.ArrowException, OSError) as error:
        raise RecordingError(f"{path}: cannot be read as Parquet ({str(error).splitlines()[0]})") from error
    fields = [(table.schema.field(place), table.column(place)) for place in range(table.num_columns)]
    return [_column(field.name, _said(field.metadata or {}), column.to_numpy()) for field, column in fields], "Parquet"


def _said(metadata: dict[Any, Any]) -> str:
    found = [metadata[key] for name in UNIT_NAMES for key in (name, name.encode()) if key in metadata]
    if not found:
        return ""
    raw = found[0]
    return raw.decode(errors="replace") if isinstance(raw, bytes) else str(raw)


def _column(heading: str, unit: str, raw: np.ndarray) -> ForeignColumn:
    """Numbers as they are; times with a date in seconds; anything else as words."""
    if raw.dtype.kind == "M":
        return ForeignColumn(heading, "s", raw.astype("datetime64[ns]").astype(np.int64) / 1e9)
    if raw.dtype.kind in "fiub":
        return ForeignColumn(heading, unit, raw.astype(float))
    return ForeignColumn(heading, unit, np.full(len(raw), np.nan), tuple(map(str, raw.tolist())))


def _hdf5_columns(path: Path) -> tuple[list[ForeignColumn], str]:
    import h5py

    try:
        with h5py.File(path, "r") as file:
            if bytes(np.bytes_(file.attrs.get("format", b""))) == OWN_FORMAT:
                raise RecordingError(f"{path}: is a recording already; give it to the verbs as it is")
            tables = _hdf5_tables(file)
            if len(tables) != 1:
                found = ", ".join(tables) or "none"
                raise RecordingError(
                    f"{path}: found {len(tables)} tables in the HDF5 file ({found}), expected one; export one, or CSV"
                )
            return next(iter(tables.values())), "HDF5"
    except (OSError, RuntimeError, KeyError, ValueError) as error:
        raise RecordingError(f"{path}: cannot be read as HDF5 ({str(error).splitlines()[0]})") from error


def _hdf5_tables(file: Any) -> dict[str, list[ForeignColumn]]:
    """Tables by the name of their place: datasets of named fields, and groups of plain columns of one length.

    Only what lies in this file itself is looked at: links into others are left alone.
    """
    import h5py

    found: dict[str, list[ForeignColumn]] = {}

    def look(group: Any, place: str) -> None:
        columns: list[ForeignColumn] = []
        for name in group:
            if not isinstance(group.get(name, getlink=True), h5py.HardLink):
                continue
            one = group[name]
            if isinstance(one, h5py.Group):
                look(one, f"{place}{name}/")
            elif one.dtype.names and one.ndim == 1 and not _is_elsewhere(one):
                found[f"{place}{name}"] = [_column(field, "", one[field]) for field in one.dtype.names]
            elif one.ndim == 1 and 0 < len(one) <= MOST_ROWS and not _is_elsewhere(one) and one.dtype.kind in "fiu":
                columns.append(_column(name, _said(dict(one.attrs)), one[()]))
        if len(columns) > 1:
            found[place or "/"] = columns

    look(file, "")
    return found


def _is_elsewhere(dataset: Any) -> bool:
    """Whether the data lie in another file."""
    return bool(dataset.external) or bool(dataset.is_virtual)
