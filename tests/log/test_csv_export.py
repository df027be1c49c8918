"""The log as a table."""

from __future__ import annotations

import csv

import pytest

from whirlbench.errors import LogError
from whirlbench.log import EntryKind, write_csv


def rows(path):
    with path.open(encoding="utf-8", newline="") as file:
        return list(csv.DictReader(file))


def test_every_entry_is_a_row_and_what_is_unknown_is_empty(log, a_use, tmp_path):
    log.add("moulded", EntryKind.RUN, "", "A. Builder", a_use(peak_rpm=None, trips=("overspeed", "vibration")))
    log.add("moulded", EntryKind.NOTE, "hub greased")

    assert write_csv(log.entries(), tmp_path / "log.csv") == 2

    run, note = rows(tmp_path / "log.csv")
    assert (run["starts"], run["peak_rpm"], run["trips"]) == ("1", "", "overspeed; vibration")
    assert (note["text"], note["starts"], note["turning_s"]) == ("hub greased", "", "")


@pytest.mark.parametrize("text", ["=1+1", "+1", "-1", "@sum", "\tx"])
def test_no_cell_is_a_formula(log, tmp_path, text):
    log.add("moulded", EntryKind.NOTE, text)

    write_csv(log.entries(), tmp_path / "log.csv")

    assert rows(tmp_path / "log.csv")[0]["text"] == f"'{text}"


def test_an_existing_file_is_kept(log, tmp_path):
    log.add("moulded", EntryKind.NOTE, "x")
    (tmp_path / "log.csv").write_text("mine")

    with pytest.raises(LogError, match="exists already"):
        write_csv(log.entries(), tmp_path / "log.csv")

    assert (tmp_path / "log.csv").read_text() == "mine"
