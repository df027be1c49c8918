"""Reads a CSV table of numbers quickly, and names the first bad cell when there is one.

The quick way lets NumPy parse the text, some megabytes at a time. Only when that refuses, or a rule is broken, is the
text gone through line by line, to say which row, column and value it was. Rows are counted as a spreadsheet does: the
header is row 1.
"""

from __future__ import annotations

import io
import math
import os
import re
from collections.abc import Iterator
from dataclasses import dataclass
from itertools import islice
from pathlib import Path

import numpy as np

from whirlbench.errors import RecordingError
from whirlbench.recording.layout import LONGEST_RUN_S
from whirlbench.rig.regular_file import open_regular

NUMBER = re.compile(r"[+-]?(\d+\.?\d*|\.\d+)([eE][+-]?\d+)?")
GAPS = ("", "nan")
MOST_BYTES = 1 << 32  # two hours of three axes take half of it
MOST_HEADER_BYTES = 1 << 16
PIECE_CHARACTERS = 1 << 22  # that are turned into numbers at a time


@dataclass(frozen=True)
class CsvTable:
    """Columns by name, (n,) float64 each, empty cells NaN; the file is read again to find a row."""

    source: str
    columns: dict[str, np.ndarray]

    def row_number(self, index: int) -> int:
        """Row in the file, header being 1, of the sample ``index``; blank lines count."""
        filled = (number for number, line in _lines(Path(self.source)) if line.strip())
        return next(islice(filled, index + 1, None))


def read_table(path: Path, allowed: tuple[str, ...], required: tuple[str, ...]) -> CsvTable:
    """The table in the file at ``path``; times in ``t_s`` rise from row to row and have no gaps.

    ``allowed``: every column name that may occur; ``required``: those that must. RecordingError in one line otherwise:
    the file, row, column, what was found and what was expected. The text goes through memory piece by piece.
    """
    names = _header(path, next(_lines(path), (1, ""))[1], allowed, required)
    table = CsvTable(str(path), dict(zip(names, _parse(path, names), strict=True)))
    _check_times(table)
    return table


def has_own_layout(path: Path, names: tuple[str, ...]) -> bool:
    """Whether the first row of the file at ``path`` is a heading of our own, of ``names`` alone, in text of UTF-8."""
    with open_regular(path, RecordingError) as file:
        first = file.readline(MOST_HEADER_BYTES)
    cells = [cell.strip().strip('"').strip() for cell in first.decode("utf-8-sig", errors="replace").split(",")]
    return "t_s" in cells and set(cells) <= set(names)


def _pieces(path: Path) -> Iterator[str]:
    """The text in pieces of whole lines, each with a line feed at its end."""
    with open_regular(path, RecordingError) as raw:
        if os.fstat(raw.fileno()).st_size > MOST_BYTES:
            raise RecordingError(f"{path}: is larger than {MOST_BYTES:,} bytes; expected a smaller file")
        text = io.TextIOWrapper(raw, encoding="utf-8-sig")  # spreadsheets put a byte order mark in front
        try:
            while piece := text.read(PIECE_CHARACTERS):
                yield piece + text.readline()
        except UnicodeDecodeError as error:
            raise RecordingError(f"{path}: is not text in UTF-8; expected a CSV file") from error
        except OSError as error:
            raise RecordingError(f"{path}: cannot be read ({error.strerror or error})") from error


def _lines(path: Path) -> Iterator[tuple[int, str]]:
    """(row number, text) of every line, the header first."""
    lines = (line for piece in _pieces(path) for line in piece.removesuffix("\n").split("\n"))
    return enumerate(lines, start=1)


def _header(path: Path, line: str, allowed: tuple[str, ...], required: tuple[str, ...]) -> list[str]:
    """Column names of the header row, every one known and there once."""
    if not line.strip():
        raise RecordingError(f"{path}: row 1 is empty; expected a header with {', '.join(required)}")
    if ";" in line:
        raise RecordingError(
            f"{path}: row 1 is separated by semicolons; save it again with comma separators and '.' as decimal point"
        )
    names = [cell.strip().strip('"').strip() for cell in line.split(",")]
    for name in names:
        if name not in allowed:
            raise RecordingError(f"{path}: row 1: unknown column {name!r}; expected any of {', '.join(allowed)}")
        if names.count(name) > 1:
            raise RecordingError(f"{path}: row 1: column {name} is there {names.count(name)} times; keep one")
    for name in required:
        if name not in names:
            raise RecordingError(f"{path}: row 1: column {name} is missing; found {', '.join(names)}")
    return names


def _parse(path: Path, names: list[str]) -> np.ndarray:
    """All cells, (columns, rows)."""
    found = np.empty((len(names), sum(piece.count("\n") + 1 for piece in _pieces(path))))
    rows = 0
    for number, piece in enumerate(_pieces(path)):
        body = piece.partition("\n")[2] if number == 0 else piece
        if body.strip():
            values = _cells(path, body, names)
            found[:, rows : rows + len(values)] = values.T
            rows += len(values)
    if not rows:
        raise RecordingError(f"{path}: has a header but no rows; expected one row a sample")
    return found[:, :rows]


def _cells(path: Path, body: str, names: list[str]) -> np.ndarray:
    """The cells of some lines, (rows, columns)."""
    if "\0" in body:
        raise RecordingError(f"{path}: holds zero bytes; expected a CSV file in UTF-8")
    try:
        values = np.loadtxt(io.StringIO(_with_gaps(body)), delimiter=",", ndmin=2, comments=None)
    except (ValueError, OverflowError) as error:
        _blame(path, names)
        raise RecordingError(f"{path}: cannot be read as numbers ({error})") from error
    if values.shape[1] != len(names) or np.isinf(values).any():
        _blame(path, names)
        raise RecordingError(f"{path}: rows have {values.shape[1]} cells, the header has {len(names)}")
    return values


def _with_gaps(body: str) -> str:
    """Empty cells filled with "nan", by whole-text replacement: a loop over cells would take minutes."""
    if " " in body or "\t" in body:
        body = re.sub(r"[ \t]*([,\n])[ \t]*", r"\1", body.strip(" \t"))
    if ",," in body:
        body = body.replace(",,", ",nan,").replace(",,", ",nan,")
    if body.startswith(","):
        body = "nan" + body
    return (body + "\n").replace(",\n", ",nan\n").replace("\n,", "\nnan,")


def _blame(path: Path, names: list[str]) -> None:
    """Raises RecordingError for the first bad row or cell; returns when every one looks right."""
    for number, cells in _rows(path):
        if len(cells) != len(names):
            hint = "; decimal commas? write '.'" if len(cells) > len(names) else ""
            raise RecordingError(
                f"{path}: row {number} has {len(cells)} cells; expected {len(names)} as in the header{hint}"
            )
        for name, cell in zip(names, cells, strict=True):
            if cell.lower() not in GAPS and not (NUMBER.fullmatch(cell) and math.isfinite(float(cell))):
                raise RecordingError(
                    f"{path}: row {number}, column {name}: {cell!r} is not a number; expected digits with '.' as "
                    "decimal point, or an empty cell for a gap"
                )


def _rows(path: Path) -> Iterator[tuple[int, list[str]]]:
    """(row number, stripped cells) of each row under the header that is not blank."""
    for number, line in _lines(path):
        if number > 1 and line.strip():
            yield number, [cell.strip() for cell in line.split(",")]


def _check_times(table: CsvTable) -> None:
    times_s = table.columns["t_s"]
    bad = np.flatnonzero(np.isnan(times_s))
    if len(bad):
        raise RecordingError(
            f"{table.source}: row {table.row_number(int(bad[0]))}, column t_s: is empty; expected a time in s"
        )
    if len(times_s) and not times_s[-1] - times_s[0] <= LONGEST_RUN_S:
        index = int(np.argmax(times_s - times_s[0] > LONGEST_RUN_S))
        raise RecordingError(
            f"{table.source}: row {table.row_number(index)}, column t_s: {times_s[index]:.12g} comes more than "
            f"{LONGEST_RUN_S:g} s after the first; expected times in s of one run"
        )
    late = np.flatnonzero(np.diff(times_s) <= 0)
    if len(late):
        index = int(late[0]) + 1
        raise RecordingError(
            f"{table.source}: row {table.row_number(index)}, column t_s: {times_s[index]:.12g} does not come after "
            f"{times_s[index - 1]:.12g} in the row before; expected rising times"
        )
