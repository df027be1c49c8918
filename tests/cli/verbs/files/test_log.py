"""The verb `log`: what it shows, adds, retires and exports, and what it refuses in one line."""

from __future__ import annotations

import csv
import json
import sqlite3
from pathlib import Path

import pytest

from whirlbench.cli.main import BAD_INPUT, DONE, run
from whirlbench.cli.verbs.files.log import command
from whirlbench.log import EntryKind, SetLog
from whirlbench.results.check import SetJudgement
from whirlbench.rig.toml import example_rig_text

CRACK = Path(__file__).resolve().parents[4] / "recordings" / "root_crack.h5"


@pytest.fixture
def log(tmp_path, monkeypatch, capsys):
    """Runs `log` on a log of simulated runs in an empty folder; returns status, output and complaint."""
    monkeypatch.chdir(tmp_path)
    monkeypatch.setattr("whirlbench.results.check.judge_fitted_set", lambda rig: SetJudgement(6148.0))
    (tmp_path / "rig.toml").write_text(example_rig_text())

    def of(*arguments: str):
        status = run(["log", "--log", "sets.sqlite", "--simulated", *arguments])
        told = capsys.readouterr()
        return status, told.out, told.err.strip()

    return of


def test_an_entry_is_added_and_nothing_is_taken_away():
    assert set(command.commands) == {"add", "retire", "export"}


def test_an_empty_log_names_no_set_and_asks_which(log):
    status, _, complaint = log()

    assert status == BAD_INPUT and "which set?" in complaint and "none yet" in complaint


def test_a_set_without_an_entry_is_new_and_not_judged(log):
    status, out, _ = log("--rig", "rig.toml", "--json")
    told = json.loads(out)

    assert status == DONE and told["blade_set"] == "moulded" and told["state"] == "new"
    assert told["not_judged"] and told["verdict"] == "in part"


def test_a_run_a_note_and_an_inspection_are_added_and_shown(log):
    assert log("add", str(CRACK), "--by", "A. Tester")[0] == DONE
    status, out, _ = log("--rig", "rig.toml", "--json")
    assert json.loads(out)["state"] == "in service" and status == DONE

    for option in ("--note", "--photo", "--inspection"):
        assert log("add", option, "every root looked at", "--set", "moulded", "--by", "A. Tester")[0] == DONE
    told = json.loads(log("--set", "moulded", "--json")[1])
    assert [entry["kind"] for entry in told["entries"]] == ["run", "note", "photo", "inspection"]
    assert told["state"] == "in service" and told["totals"]["runs"] == 1 and told["totals"]["starts"] >= 1
    assert told["entries"][0]["use"]["recording"] == "root_crack.h5" and told["entries"][0]["operator"] == "A. Tester"


def test_a_recording_is_entered_once(log):
    log("add", str(CRACK))
    status, _, complaint = log("add", str(CRACK))

    assert status == BAD_INPUT and "in the log already, as entry 1" in complaint


def test_a_retired_set_stays_retired(log):
    log("add", "--note", "first", "--set", "moulded")
    assert log("retire", "moulded", "--why", "crack at the pin", "--by", "A. Tester")[0] == DONE
    log("add", "--inspection", "looks well", "--set", "moulded")
    status, out, _ = log()

    assert status == DONE and "moulded: retired" in out and "not to be spun again" in out


def test_the_export_is_a_table_and_never_overwrites(log, tmp_path):
    log("add", "--note", "=1+1", "--set", "moulded")
    assert log("export", "-o", "sets.csv")[0] == DONE
    with (tmp_path / "sets.csv").open() as file:
        (row,) = csv.DictReader(file)
    assert (row["blade_set"], row["kind"], row["text"]) == ("moulded", "note", "'=1+1")

    before = (tmp_path / "sets.csv").read_bytes()
    status, _, complaint = log("export", "-o", "sets.csv")
    assert status == BAD_INPUT and "is not overwritten" in complaint
    assert (tmp_path / "sets.csv").read_bytes() == before


@pytest.mark.parametrize(
    ("arguments", "words"),
    [
        (("add",), "nothing to add"),
        (("add", "--note", "", "--set", "moulded"), "1 to 2000 characters"),
        (("add", "--note", "x" * 2001, "--set", "moulded"), "1 to 2000 characters"),
        (("add", "--note", "x", "--set", "y" * 81), "1 to 80 characters"),
        (("add", "--note", "x"), "which set?"),
        (("add", "absent.h5"), "absent.h5"),
        (("add", "rig.toml"), "not a recording"),
        (("retire", "wood", "--why", "old"), "has no set 'wood'"),
        (("retire", "moulded"), "--why"),
        (("export", "-o", "none.csv"), "no entries to export"),
        (("export", "-o", "absent/none.csv", "--set", "moulded"), "no entries to export"),
    ],
)
def test_what_cannot_be_done_is_one_line(log, arguments, words, tmp_path):
    status, _, complaint = log(*arguments)

    assert status == BAD_INPUT and words in complaint and len(complaint.splitlines()) == 1
    with SetLog(tmp_path / "sets.sqlite", simulated=True) as found:
        assert found.entries() == ()


def damage(path: Path, how: str) -> None:
    """One of the ways in which a log comes to harm."""
    if how == "words":
        path.write_bytes(b"not a database, but long enough to be looked at " * 40)
    elif how == "cut":
        path.write_bytes(path.read_bytes()[:3000])
    else:
        with sqlite3.connect(path) as other:
            other.executescript(how)
        other.close()


FORGED = "INSERT INTO entries (blade_set, at, kind, operator, text, use_json) VALUES ('a', 'now', {}, '', 'x', {})"


@pytest.mark.parametrize(
    ("how", "words"),
    [
        ("words", "not a database"),
        ("cut", "cannot be used"),
        ("PRAGMA user_version = 99", "log format version 99"),
        ("PRAGMA application_id = 7", "not a log of blade sets"),
        ("DROP TABLE about", "cannot be used"),
        ("DROP TABLE entries", "cannot be used"),
        (FORGED.format("'party'", "NULL"), "entry 2 cannot be read"),
        (FORGED.format("'run'", "'{'"), "entry 2 cannot be read"),
        (FORGED.format("'run'", "'{}'"), "entry 2 cannot be read"),
    ],
)
def test_a_damaged_log_is_refused_and_left_as_it_is(log, tmp_path, how, words):
    path = tmp_path / "sets.sqlite"
    with SetLog(path, simulated=True) as found:
        found.add("moulded", EntryKind.NOTE, "first")
    damage(path, how)
    before = path.read_bytes()
    status, _, complaint = log("export", "-o", "all.csv")

    assert status == BAD_INPUT and words in complaint and len(complaint.splitlines()) == 1
    assert path.read_bytes() == before
