"""A text file of any habit as a table: encoding, separator, decimal mark, heading and row of units are recognised.

Recognised is only what the cells themselves decide; where two readings fit alike the file is refused, and the complaint
names the option that decides.
"""

from __future__ import annotations

import codecs
import csv
import re
from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

import numpy as np

from whirlbench.errors import RecordingError
from whirlbench.recording.foreign.column import ForeignColumn, ForeignTable
from whirlbench.recording.foreign.units_of_columns import is_unit
from whirlbench.rig.regular_file import read_bytes

MOST_BYTES = 1 << 28  # a log of this kind is some megabytes; cells of text take ten times their size in memory
LOOKED_AT = 200  # rows that decide the form
DEEPEST_HEADING = 60  # rows that may stand above the headings
MOST_ODD = 0.01  # share of rows that may be left out, and told; beyond, the table was misread
FEW_ODD = 2
SEPARATORS = {",": "commas", ";": "semicolons", "\t": "tabs", "|": "upright strokes", " ": "blanks"}
SPOKEN = {"tab": "\t", "space": " ", "blank": " "}
MARKS = {".": "decimal point", ",": "decimal comma"}
BYTE_ORDER_MARKS = (
    (codecs.BOM_UTF8, "utf-8-sig", "UTF-8 with a byte order mark"),
    (codecs.BOM_UTF16_LE, "utf-16", "UTF-16"),
    (codecs.BOM_UTF16_BE, "utf-16", "UTF-16"),
)
BLANKS_IN_NUMBERS = str.maketrans("", "", " \u00a0\u202f'’_")
GAPS = frozenset(("", "-", "--", "---", "nan", "null", "none", "n/a", "na", "#n/a"))
CLOCK = re.compile(r"(?:.*[T ])?\d{1,2}:\d{2}(:\d{2})?([.,]\d+)?\s*([AaPp][Mm])?(Z|[+-]\d\d:?\d\d)?")
PLAIN = re.compile(r"[+-]?(\d+\.?\d*|\.\d+)([eE][+-]?\d+)?")
WITH_UNIT = re.compile(r"([+-]?[\d.,]*\d[\d.,]*(?:[eE][+-]?\d+)?)\s*([A-Za-z%°µ][A-Za-z/%°µ]*)")


@dataclass(frozen=True)
class Form:
    """How a table is written; empty where it is to be recognised. ``columns``: headings for a file that has none."""

    separator: str = ""
    decimal: str = ""
    columns: tuple[str, ...] = ()

    @classmethod
    def of_options(cls, separator: str = "", decimal: str = "", columns: str = "") -> Form:
        """From the texts of the options: a separator may be told as a word."""
        return cls(SPOKEN.get(separator, separator), decimal, tuple(filter(None, map(str.strip, columns.split(",")))))


def read_text_table(path: Path, form: Form) -> ForeignTable:
    """The table in the text file at ``path``; RecordingError in one line when it cannot be read for certain."""
    text, encoding = _decoded(path)
    lines = [(number, line) for number, line in enumerate(text.splitlines(), start=1) if line.strip()]
    if not lines:
        raise RecordingError(f"{path}: is empty; expected a heading and one row a sample")
    separator = form.separator or _separator(path, [line for _, line in lines])
    rows = [(number, _split(line, separator)) for number, line in lines]
    head, units, body = _heading(path, rows, form)
    rows, remarks = _even_rows(path, head, body)
    decimal = form.decimal or _decimal(path, [cells for _, cells in rows])
    columns = tuple(
        _column(heading, units[place], [cells[place] for _, cells in rows], decimal)
        for place, heading in enumerate(head)
        if heading or any(cells[place] for _, cells in rows)
    )
    told = (encoding, f"separated by {SEPARATORS.get(separator, repr(separator))}", MARKS[decimal])
    return ForeignTable(str(path), columns, np.array([number for number, _ in rows]), told, remarks)


def _decoded(path: Path) -> tuple[str, str]:
    raw = read_bytes(path, MOST_BYTES, RecordingError)
    for mark, name, told in BYTE_ORDER_MARKS:
        if raw.startswith(mark):
            return raw.decode(name, errors="replace"), told
    if b"\0" in raw[:4096]:
        even, odd = raw[:4096:2].count(0), raw[1:4096:2].count(0)
        if max(even, odd) < 4 * max(1, min(even, odd)):
            raise RecordingError(f"{path}: holds zero bytes; expected a table as text, Parquet or HDF5")
        return raw.decode("utf-16-le" if odd > even else "utf-16-be", errors="replace"), "UTF-16"
    try:
        return raw.decode("utf-8"), "UTF-8"
    except UnicodeDecodeError:  # figures are plain letters in all of these; only signs such as ° are at stake
        return raw.decode("cp1252", errors="replace"), "Windows-1252"


def _split(line: str, separator: str) -> list[str]:
    if separator == " ":
        return line.split()
    cells = next(csv.reader([line], delimiter=separator, skipinitialspace=True), [])
    return [cell.strip() for cell in cells]


def _separator(path: Path, lines: Sequence[str]) -> str:
    """That which parts the later lines most evenly into cells of which most are numbers."""
    sample = lines[-LOOKED_AT:] if len(lines) > 2 * LOOKED_AT else lines[len(lines) // 3 :]
    merits = {separator: _merit(sample, separator) for separator in SEPARATORS}
    best = max(merits, key=lambda separator: merits[separator])
    if merits[best][0] < 0.5:
        raise RecordingError(
            f"{path}: no separator parts its rows into columns; add --separator with the sign that does, such as "
            "--separator ';'"
        )
    return best


def _merit(lines: Sequence[str], separator: str) -> tuple[float, float, int]:
    """(share of lines with the usual count of cells times share of numbers, the same for figures, cells)."""
    split = [_split(line, separator) for line in lines]
    usual, how_often = Counter(map(len, split)).most_common(1)[0]
    if usual < 2:
        return 0.0, 0.0, 0
    cells = [cell for one in split if len(one) == usual for cell in one]
    full = [cell for cell in cells if cell] or [""]
    share = sum(map(_is_figure, full)) / len(full)
    return round(how_often / len(split) * share, 2), len(full) / len(cells), usual


def _is_figure(cell: str) -> bool:
    return (
        bool(PLAIN.fullmatch(cell.translate(BLANKS_IN_NUMBERS).replace(",", ".")))
        or _is_grouped(cell)
        or bool(CLOCK.fullmatch(cell))
    )


def _is_grouped(cell: str) -> bool:
    """Whether a number has both marks: one of them groups its thousands."""
    return bool(re.fullmatch(r"[+-]?\d{1,3}([.,]\d{3})+([.,]\d+)?", cell))


def _is_value(cell: str) -> bool:
    return _is_figure(cell) or bool(WITH_UNIT.fullmatch(cell)) or cell.lower() in GAPS - {""}


def _heading(
    path: Path, rows: Sequence[tuple[int, list[str]]], form: Form
) -> tuple[list[str], list[str], list[tuple[int, list[str]]]]:
    """Headings, units told below them (empty where not), and the rows below."""
    if form.columns:
        first = next(place for place, (_, cells) in enumerate(rows) if any(map(_is_figure, cells)))
        return list(form.columns), [""] * len(form.columns), list(rows[first:])
    for place, (_, cells) in enumerate(rows[:DEEPEST_HEADING]):
        below = [one for _, one in rows[place + 1 : place + 4]]
        if _is_heading(cells) and below and _is_row(below[0], cells):
            return _named(cells), [""] * len(_named(cells)), list(rows[place + 1 :])
        if _is_heading(cells) and len(below) > 1 and _is_units(below[0], cells) and _is_row(below[1], cells):
            units = [one.strip("()[]{}<> ") for one in _named(below[0])] + [""] * len(cells)
            return _named(cells), units[: len(_named(cells))], list(rows[place + 2 :])
    names = ["t_s", "rpm", *(f"column_{place}" for place in range(3, len(rows[0][1]) + 1))]
    raise RecordingError(
        f"{path}: no row of headings found above the figures; name the columns: --columns "
        f'"{",".join(names[: max(len(rows[0][1]), 2)])}"'
    )


def _named(cells: Sequence[str]) -> list[str]:
    if cells and cells[0] in ("#", "//"):
        return list(cells[1:])
    return [cells[0].lstrip("#/ "), *cells[1:]] if cells else []


def _is_heading(cells: Sequence[str]) -> bool:
    filled = [cell for cell in cells if cell]
    return len(filled) >= 2 and not any(map(_is_figure, filled))


def _is_row(cells: Sequence[str], heading: Sequence[str]) -> bool:
    filled = [cell for cell in cells if cell]
    return len(cells) >= 2 and len(filled) >= 1 and sum(map(_is_value, filled)) * 2 >= len(filled)


def _is_units(cells: Sequence[str], heading: Sequence[str]) -> bool:
    filled = [cell.strip("()[]{}<> ") for cell in cells if cell.strip("()[]{}<>- ")]
    return bool(filled) and len(cells) <= len(heading) + 1 and sum(map(is_unit, filled)) * 2 >= len(filled)


def _even_rows(
    path: Path, head: Sequence[str], body: Sequence[tuple[int, list[str]]]
) -> tuple[list[tuple[int, list[str]]], tuple[str, ...]]:
    """Rows with a cell for each heading; a few others are left out and told, many are a refusal."""
    kept, odd = [], []
    for number, cells in body:
        if cells and cells[0].startswith("#"):
            continue
        if [cell.lower() for cell in _named(cells)] == [name.lower() for name in head]:
            raise RecordingError(
                f"{path}: row {number} repeats the headings: two runs in one file; cut it there in two"
            )
        cells = cells[: len(head)] if not any(cells[len(head) :]) else cells
        if len(cells) == len(head) and any(map(_is_value, cells)):
            kept.append((number, cells))
        else:
            odd.append((number, len(cells)))
    if not kept or len(odd) > max(FEW_ODD, MOST_ODD * len(body)):
        _refuse_rows(path, head, odd)
    text = ", ".join(str(number) for number, _ in odd[:5])
    more = f" and {len(odd) - 5} more" if len(odd) > 5 else ""
    return kept, (f"left out, no whole row of figures: row {text}{more}",) if odd else ()


def _refuse_rows(path: Path, head: Sequence[str], odd: Sequence[tuple[int, int]]) -> None:
    number, count = odd[0] if odd else (1, 0)
    if count > len(head):
        raise RecordingError(
            f"{path}: row {number} has {count} cells under {len(head)} headings: decimal commas between commas cannot "
            "be told apart; export it with semicolons or tabs, or with quoted numbers"
        )
    raise RecordingError(
        f"{path}: row {number} has {count} cells under {len(head)} headings; if another sign parts them, add "
        "--separator ';' (or ',', tab, space)"
    )


def _decimal(path: Path, rows: Sequence[Sequence[str]]) -> str:
    """The decimal mark, "." or ","; RecordingError where the cells leave it open whether a mark groups thousands."""
    cells = [cell for row in [*rows[:LOOKED_AT], *rows[-LOOKED_AT:]] for cell in row if not CLOCK.fullmatch(cell)]
    found = {mark: [cell for cell in cells if mark in cell and _is_figure(cell)] for mark in ".,"}
    both = [cell for cell in found["."] if "," in cell]
    if both:
        return "," if both[0].rindex(",") > both[0].rindex(".") else "."
    sure = {mark for mark in ".," if any(not _may_group(cell, mark) for cell in found[mark])}
    if len(sure) == 1:
        return sure.pop()
    if not found["."] and not found[","]:
        return "."
    mark = "," if found[","] else "."
    example = (found[","] or found["."])[0]
    raise RecordingError(
        f"{path}: {example!r} may be a decimal figure or thousands; add --decimal {mark} if it is a decimal, else "
        f"--decimal {'.' if mark == ',' else ','}"
    )


def _may_group(cell: str, mark: str) -> bool:
    """Whether ``mark`` may group the thousands of ``cell``."""
    return bool(re.fullmatch(rf"[+-]?[1-9]\d{{0,2}}(\{mark}\d{{3}})+", cell))


def _column(heading: str, unit: str, cells: Sequence[str], decimal: str) -> ForeignColumn:
    values, odd, unit_in_cells = _figures(cells, decimal)
    filled = sum(cell.lower() not in GAPS for cell in cells)
    if filled and len(odd) > max(FEW_ODD, filled // 2):
        return ForeignColumn(heading, unit, np.full(len(cells), np.nan), tuple(cells))
    return ForeignColumn(heading, unit or unit_in_cells, values, (), tuple(odd))


def _figures(cells: Sequence[str], decimal: str) -> tuple[np.ndarray, list[int], str]:
    """Figures (n,), places of cells that are none, and the unit that stands behind every figure."""
    if decimal == "." and all(map(PLAIN.fullmatch, cells)):  # nearly always; saves half the time
        return np.array(cells, dtype=float), [], ""
    values, odd, units = np.full(len(cells), np.nan), [], set()
    for place, cell in enumerate(cells):
        if cell.lower() in GAPS:
            continue
        found = WITH_UNIT.fullmatch(cell)
        number = _plain_number(found[1] if found else cell, decimal)
        units.add(found[2] if found else "")
        if PLAIN.fullmatch(number):
            values[place] = float(number)
        else:
            odd.append(place)
    return values, odd, units.pop() if len(units) == 1 else ""


def _plain_number(cell: str, decimal: str) -> str:
    """``cell`` with a point for its decimal mark and without what groups thousands."""
    bare = cell.translate(BLANKS_IN_NUMBERS)
    other = "," if decimal == "." else "."
    if other in bare and not re.fullmatch(rf"[+-]?\d{{1,3}}(\{other}\d{{3}})+(\{decimal}\d+)?", bare):
        return "?"
    return bare.replace(other, "").replace(decimal, ".")
