"""Known points from a CSV table: one row a reading, in the order in which they were taken."""

from __future__ import annotations

import csv
import math
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path

from whirlbench.errors import CalibrationError

MOST_ROWS = 1000


@dataclass(frozen=True)
class Row:
    """A reading: its row in the file (the header is row 1), its numbers and its words by column."""

    number: int
    numbers: Mapping[str, float]
    words: Mapping[str, str]


def read_points(path: Path, numbers: tuple[str, ...], words: Mapping[str, tuple[str, ...]]) -> tuple[Row, ...]:
    """Rows of the table at ``path``: columns ``numbers``, and columns of ``words`` with the words each admits.

    CalibrationError in one line names file, row and column: a column that is missing or not known, an empty cell, a
    word or a number that is none.
    """
    try:
        with path.open(encoding="utf-8-sig", newline="") as file:
            table = list(csv.reader(file, strict=True))
    except (OSError, UnicodeDecodeError, csv.Error) as error:
        raise CalibrationError(f"{path}: cannot be read as a table of known points ({error})") from error
    if not table:
        raise CalibrationError(f"{path}: empty; expected a header row with {', '.join((*numbers, *words))}")
    header = [name.strip() for name in table[0]]
    if sorted(header) != sorted((*numbers, *words)):
        raise CalibrationError(
            f"{path}: the columns are {', '.join(header)}; expected {', '.join((*numbers, *words))}, each once"
        )
    rows = [(number, cells) for number, cells in enumerate(table[1:], start=2) if any(cell.strip() for cell in cells)]
    if len(rows) > MOST_ROWS:
        raise CalibrationError(f"{path}: {len(rows)} rows; a calibration has at most {MOST_ROWS}")
    return tuple(_row(path, number, header, cells, words) for number, cells in rows)


def _row(path: Path, number: int, header: list[str], cells: list[str], words: Mapping[str, tuple[str, ...]]) -> Row:
    if len(cells) != len(header):
        raise CalibrationError(f"{path}: row {number} has {len(cells)} cells, the header {len(header)}")
    found = dict(zip(header, (cell.strip() for cell in cells), strict=True))
    for column, admitted in words.items():
        if found[column] not in admitted:
            raise CalibrationError(
                f"{path}: row {number}, {column} is {found[column]!r}: expected {' or '.join(admitted)}"
            )
    numbers = {name: _number(path, number, name, text) for name, text in found.items() if name not in words}
    return Row(number, numbers, {name: found[name] for name in words})


def _number(path: Path, row: int, column: str, text: str) -> float:
    try:
        value = float(text)
    except ValueError:
        value = math.nan
    if not math.isfinite(value):
        raise CalibrationError(f"{path}: row {row}, {column} is {text!r}: expected a number")
    return value
