"""The log as a CSV table, for people who keep theirs in a spreadsheet."""

from __future__ import annotations

import csv
from collections.abc import Iterable
from pathlib import Path

from whirlbench.errors import LogError
from whirlbench.log.entries import Entry

COLUMNS = (
    "number", "blade_set", "at", "kind", "operator", "text", "recording", "sha256", "turning_s", "starts",
    "revolutions", "peak_rpm", "permitted_rpm", "trips", "peak_stderr_rpm",
)  # fmt: skip


FORMULA_MARKS = "=+-@\t\r"  # a spreadsheet takes a cell that begins so for a formula


def write_csv(entries: Iterable[Entry], path: Path) -> int:
    """Writes ``entries`` to ``path``, one row each, and returns how many; an existing file is not overwritten.

    What is not known is an empty cell. A cell that a spreadsheet would take for a formula is quoted.
    """
    count = 0
    try:
        with path.open("x", encoding="utf-8", newline="") as file:
            writer = csv.writer(file)
            writer.writerow(COLUMNS)
            for count, entry in enumerate(entries, start=1):  # noqa: B007
                writer.writerow([_safe_cell(str(cell)) for cell in _cells(entry)])
    except FileExistsError:
        raise LogError(f"{path}: exists already and is not overwritten; name another file") from None
    except OSError as error:
        raise LogError(f"{path}: cannot be written ({error.strerror or error})") from error
    return count


def _cells(entry: Entry) -> list[object]:
    head: list[object] = [entry.number, entry.blade_set, entry.at, entry.kind.value, entry.operator, entry.text]
    use = entry.use
    if use is None:
        return head + [""] * (len(COLUMNS) - len(head))
    peak, permitted = ("" if rpm is None else round(rpm, 1) for rpm in (use.peak_rpm, use.permitted_rpm))
    times = [round(use.turning_s, 3), use.starts, round(use.revolutions, 1)]
    error = "" if use.peak_stderr_rpm is None else float(f"{use.peak_stderr_rpm:.3g}")
    return [*head, use.recording, use.sha256, *times, peak, permitted, "; ".join(use.trips), error]


def _safe_cell(text: str) -> str:
    return f"'{text}" if text.startswith(tuple(FORMULA_MARKS)) else text
