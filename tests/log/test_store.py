"""The log's file: what is added stays, whoever writes beside, whenever somebody is killed."""

from __future__ import annotations

import signal
import sqlite3
import subprocess
import sys
from pathlib import Path

import pytest

from whirlbench.errors import LogError
from whirlbench.log import EntryKind, SetLog

WRITER = """
import sys
from pathlib import Path
from whirlbench.log import EntryKind, SetLog
with SetLog(Path(sys.argv[1])) as log:
    for number in range(int(sys.argv[3])):
        log.add(sys.argv[2], EntryKind.NOTE, f"note {number}")
        print(number, flush=True)
"""


def writer(path: Path, name: str, count: int) -> subprocess.Popen[str]:
    return subprocess.Popen(
        [sys.executable, "-c", WRITER, str(path), name, str(count)], stdout=subprocess.PIPE, text=True
    )


def test_entries_come_back_in_their_order(log, a_use):
    log.add("moulded", EntryKind.NOTE, "made", "A. Builder")
    log.add("moulded", EntryKind.RUN, "", use=a_use(trips=("overspeed",)))
    log.add("printed", EntryKind.NOTE, "other set")

    first, second = log.entries("moulded")

    assert (first.text, first.operator, first.at[:10]) == ("made", "A. Builder", "2026-05-01")
    assert second.use is not None and second.use.trips == ("overspeed",)
    assert log.sets() == ("moulded", "printed")
    assert len(log.entries()) == 3


def test_the_same_recording_counts_once(log, a_use):
    use = a_use()
    number = log.add("moulded", EntryKind.RUN, "", use=use)

    with pytest.raises(LogError, match=f"in the log already, as entry {number}"):
        log.add("moulded", EntryKind.RUN, "", use=use)

    assert len(log.entries()) == 1


@pytest.mark.parametrize("statement", ["UPDATE entries SET text = 'x'", "DELETE FROM entries"])
def test_no_program_changes_an_entry(log, statement):
    log.add("moulded", EntryKind.NOTE, "as it was")

    with sqlite3.connect(log.path) as other, pytest.raises(sqlite3.IntegrityError, match="entries are never"):
        other.execute(statement)
    other.close()

    assert log.entries()[0].text == "as it was"


@pytest.mark.parametrize(
    ("name", "text"), [("", "note"), ("  ", "note"), ("n" * 81, "note"), ("moulded", " "), ("moulded", "t" * 2001)]
)
def test_empty_and_endless_entries_are_refused(log, name, text):
    with pytest.raises(LogError, match="characters"):
        log.add(name, EntryKind.NOTE, text)

    assert log.entries() == ()


@pytest.mark.parametrize("simulated", [True, False])
def test_simulated_and_real_runs_never_mix(tmp_path, a_use, simulated):
    with SetLog(tmp_path / "log.sqlite", simulated=not simulated) as log, pytest.raises(LogError, match="is a log of"):
        log.add("moulded", EntryKind.RUN, "", use=a_use(simulated=simulated))


def test_a_log_keeps_its_kind_whoever_opens_it(tmp_path, a_use):
    with SetLog(tmp_path / "log.sqlite", simulated=False) as log:
        log.add("moulded", EntryKind.NOTE, "begun")

    with SetLog(tmp_path / "log.sqlite", simulated=True) as log, pytest.raises(LogError, match="log of real runs"):
        log.add("moulded", EntryKind.RUN, "", use=a_use(simulated=True))


def test_files_that_are_no_log_are_refused_and_kept(tmp_path):
    words, database, later = (tmp_path / name for name in ("words", "database", "later"))
    words.write_bytes(b"not a database at all, but long enough to be looked at" * 40)
    with sqlite3.connect(database) as other:
        other.execute("CREATE TABLE birds (name TEXT)")
    other.close()
    SetLog(later).close()
    with sqlite3.connect(later) as other:
        other.execute("PRAGMA user_version = 99")
    other.close()

    for path, complaint in ((words, "cannot be used"), (database, "not a log"), (later, "version 99")):
        before = path.read_bytes()
        with pytest.raises(LogError, match=complaint):
            SetLog(path)
        assert path.read_bytes() == before


def test_a_folder_is_no_log(tmp_path):
    with pytest.raises(LogError, match="cannot be used"):
        SetLog(tmp_path)


def test_two_programs_write_at_once_and_nothing_is_lost(tmp_path):
    path = tmp_path / "log.sqlite"
    writers = [writer(path, name, 40) for name in ("moulded", "printed")]
    for one in writers:
        one.communicate(timeout=60)

    with SetLog(path) as log:
        for name in ("moulded", "printed"):
            assert [entry.text for entry in log.entries(name)] == [f"note {number}" for number in range(40)]


@pytest.mark.parametrize("told", [1, 4, 9])
def test_what_was_told_as_written_survives_a_kill(tmp_path, told):
    path = tmp_path / "log.sqlite"
    killed = writer(path, "moulded", 100_000)
    assert killed.stdout is not None
    for _ in range(told):
        killed.stdout.readline()
    killed.send_signal(signal.SIGKILL)
    rest = killed.communicate(timeout=60)[0]
    last = int(rest.split()[-1]) if rest.split() else told - 1

    with SetLog(path) as log:
        texts = [entry.text for entry in log.entries("moulded")]
        assert texts[: last + 1] == [f"note {number}" for number in range(last + 1)]
        log.add("moulded", EntryKind.NOTE, "goes on")


def test_an_entry_that_was_told_is_on_the_disk_itself(log):
    """No test can pull the plug: what is asked of the database is held, a write-ahead log, flushed with every entry."""
    (journal,) = log._database.execute("PRAGMA journal_mode").fetchone()
    (flushed,) = log._database.execute("PRAGMA synchronous").fetchone()

    assert (journal, flushed) == ("wal", 2)  # 2: FULL
