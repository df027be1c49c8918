"""The log's file: SQLite, rows are added and never changed; two programs may write at once, a kill loses no row.

Every entry is one transaction on disk before the call returns (write-ahead log, full synchronisation). Triggers of the
database itself refuse to change or remove a row, so that no program that opens the file can do so by accident.
"""

from __future__ import annotations

import sqlite3
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import replace
from datetime import UTC, datetime
from pathlib import Path

import msgspec
import platformdirs

from whirlbench.errors import LogError
from whirlbench.log.entries import Entry, EntryKind, RunUse
from whirlbench.log.proofs import Proof, ProofStanding, standing_of_proofs
from whirlbench.rig.description import Rig

FORMAT_VERSION = 2  # 2: proofs of the trips; a log of version 1 gets their table when it is opened
APPLICATION_ID = 0x57484C47  # "WHLG", in the head of the file: what kind of database this is
WAIT_S = 10.0  # for another program that is writing
LONGEST_NAME, LONGEST_TEXT = 80, 2000  # characters

SCHEMA = """
CREATE TABLE entries (
    number INTEGER PRIMARY KEY AUTOINCREMENT,
    blade_set TEXT NOT NULL CHECK (length(blade_set) BETWEEN 1 AND 80),
    at TEXT NOT NULL,
    kind TEXT NOT NULL,
    operator TEXT NOT NULL,
    text TEXT NOT NULL,
    sha256 TEXT UNIQUE,
    use_json TEXT
);
CREATE INDEX of_set ON entries (blade_set, number);
CREATE TABLE about (simulated INTEGER NOT NULL);
CREATE TRIGGER never_changed BEFORE UPDATE ON entries BEGIN SELECT RAISE(ABORT, 'entries are never changed'); END;
CREATE TRIGGER never_removed BEFORE DELETE ON entries BEGIN SELECT RAISE(ABORT, 'entries are never removed'); END;
"""

PROOFS = """
CREATE TABLE proofs (
    number INTEGER PRIMARY KEY AUTOINCREMENT,
    at TEXT NOT NULL,
    rig_name TEXT NOT NULL,
    proof_json TEXT NOT NULL
);
CREATE TRIGGER proof_never_changed BEFORE UPDATE ON proofs
BEGIN SELECT RAISE(ABORT, 'proofs are never changed'); END;
CREATE TRIGGER proof_never_removed BEFORE DELETE ON proofs
BEGIN SELECT RAISE(ABORT, 'proofs are never removed'); END;
"""


def default_path(simulated: bool = False) -> Path:
    """Where the log is kept when nobody names a file; runs of the simulated stand have a log of their own."""
    name = "blade_sets_simulated.sqlite" if simulated else "blade_sets.sqlite"
    return platformdirs.user_data_path("whirlbench") / name


def utc_now() -> str:
    """The present time in UTC, ISO 8601, to the second."""
    return datetime.now(UTC).isoformat(timespec="seconds")


class SetLog:
    """An open log; a context manager. LogError in one line when the file is none, or cannot be written."""

    def __init__(self, path: Path, simulated: bool = False, now: Callable[[], str] = utc_now) -> None:
        """Opens or begins the log at ``path``; one of real runs is not opened for simulated ones, nor the reverse."""
        self.path, self._now = path, now
        with self._told():
            path.parent.mkdir(parents=True, exist_ok=True)
            self._database = sqlite3.connect(path, timeout=WAIT_S, isolation_level=None)
        try:
            with self._told():
                self._prepare(simulated)
        except LogError:
            self._database.close()
            raise

    def __enter__(self) -> SetLog:
        return self

    def __exit__(self, *_: object) -> None:
        self.close()

    def close(self) -> None:
        """Closes the file; every entry is on disk already."""
        self._database.close()

    def sets(self) -> tuple[str, ...]:
        """Names of the sets in the log, in the order of their first entry."""
        rows = self._rows("SELECT blade_set FROM entries GROUP BY blade_set ORDER BY min(number)")
        return tuple(str(row[0]) for row in rows)

    def entries(self, blade_set: str | None = None) -> tuple[Entry, ...]:
        """Every entry, or those of one set, the oldest first; a row that cannot be read is a LogError, not a gap."""
        query = "SELECT number, blade_set, at, kind, operator, text, use_json FROM entries"
        if blade_set is None:
            rows = self._rows(f"{query} ORDER BY number")
        else:
            rows = self._rows(f"{query} WHERE blade_set = ? ORDER BY number", (blade_set,))
        return tuple(self._entry(row) for row in rows)

    def add(self, blade_set: str, kind: EntryKind, text: str, operator: str = "", use: RunUse | None = None) -> int:
        """Adds an entry and returns its number, once it is on disk.

        LogError when a name or text is empty or too long, the recording is in the log already, or the run is of the
        other kind (simulated or real) than the log.
        """
        self._check(blade_set, kind, text, use)
        row = (blade_set, self._now(), kind.value, operator, text, use.sha256 if use else None, _json(use))
        with self._told(), self._transaction():
            if use is not None:
                self._refuse_twice(use)
            cursor = self._database.execute(
                "INSERT INTO entries (blade_set, at, kind, operator, text, sha256, use_json) VALUES (?,?,?,?,?,?,?)",
                row,
            )
            return int(cursor.lastrowid or 0)

    def add_proof(self, proof: Proof) -> int:
        """Adds a trial of the trips, dated now, and returns its number, once it is on disk."""
        dated = replace(proof, at=self._now())
        row = (dated.at, dated.rig_name, msgspec.json.encode(dated).decode())
        with self._told(), self._transaction():
            cursor = self._database.execute("INSERT INTO proofs (at, rig_name, proof_json) VALUES (?,?,?)", row)
            return int(cursor.lastrowid or 0)

    def proofs(self) -> tuple[Proof, ...]:
        """Every trial of the trips, the oldest first; a row that cannot be read is a LogError, not a gap."""
        rows = self._rows("SELECT number, proof_json FROM proofs ORDER BY number")
        return tuple(self._proof(number, text) for number, text in rows)

    def _proof(self, number: object, text: object) -> Proof:
        try:
            return msgspec.json.decode(str(text), type=Proof)
        except msgspec.DecodeError as error:
            raise LogError(f"{self.path}: proof {number} cannot be read ({error})") from error

    def _check(self, blade_set: str, kind: EntryKind, text: str, use: RunUse | None) -> None:
        if not blade_set.strip() or len(blade_set) > LONGEST_NAME:
            raise LogError(f"{self.path}: a blade set's name has 1 to {LONGEST_NAME} characters, not {len(blade_set)}")
        if len(text) > LONGEST_TEXT or (not text.strip() and kind is not EntryKind.RUN):
            raise LogError(f"{self.path}: an entry's text has 1 to {LONGEST_TEXT} characters, not {len(text)}")
        if use is not None and use.simulated != self.simulated:
            kinds = "simulated", "real"
            found, kept = kinds if use.simulated else kinds[::-1]
            raise LogError(f"{self.path}: is a log of {kept} runs, {use.recording} is a {found} one; name another log")

    def _refuse_twice(self, use: RunUse) -> None:
        found = self._database.execute("SELECT number FROM entries WHERE sha256 = ?", (use.sha256,)).fetchone()
        if found:
            raise LogError(f"{self.path}: {use.recording} is in the log already, as entry {found[0]}")

    def _prepare(self, simulated: bool) -> None:
        self._database.execute(f"PRAGMA busy_timeout = {int(WAIT_S * 1000)}")
        version = self._pragma("user_version")
        if version > FORMAT_VERSION:
            raise LogError(f"{self.path}: log format version {version}, this program reads up to {FORMAT_VERSION}")
        if version == 0:
            self._begin(simulated)
        elif version == 1:
            self._add_proofs()
        if self._pragma("application_id") != APPLICATION_ID:
            raise LogError(f"{self.path}: is a database, but not a log of blade sets; name another file")
        self._database.execute("PRAGMA synchronous = FULL")
        self.simulated = bool(self._database.execute("SELECT simulated FROM about").fetchone()[0])

    def _begin(self, simulated: bool) -> None:
        """Lays out a new file; who comes second finds it done."""
        if self._database.execute("SELECT count(*) FROM sqlite_master").fetchone()[0] and not self._pragma(
            "user_version"
        ):
            raise LogError(f"{self.path}: is a database, but not a log of blade sets; name another file")
        self._database.execute("PRAGMA journal_mode = WAL")
        with self._transaction():
            if self._pragma("user_version"):
                return
            for statement in _statements(SCHEMA + PROOFS):
                self._database.execute(statement)
            self._database.execute("INSERT INTO about VALUES (?)", (int(simulated),))
            self._database.execute(f"PRAGMA application_id = {APPLICATION_ID}")
            self._database.execute(f"PRAGMA user_version = {FORMAT_VERSION}")

    def _add_proofs(self) -> None:
        """A log of version 1 gets the table of proofs; who comes second finds it done."""
        if self._pragma("application_id") != APPLICATION_ID:
            return  # told in a moment
        with self._transaction():
            if self._pragma("user_version") == 1:
                for statement in _statements(PROOFS):
                    self._database.execute(statement)
                self._database.execute(f"PRAGMA user_version = {FORMAT_VERSION}")

    def _pragma(self, name: str) -> int:
        return int(self._database.execute(f"PRAGMA {name}").fetchone()[0])

    def _rows(self, query: str, values: tuple[str, ...] = ()) -> list[tuple[object, ...]]:
        with self._told():
            return self._database.execute(query, values).fetchall()

    def _entry(self, row: tuple[object, ...]) -> Entry:
        number, blade_set, at, kind, operator, text, use_json = row
        try:
            use = msgspec.json.decode(str(use_json), type=RunUse) if use_json is not None else None
            return Entry(int(str(number)), str(blade_set), str(at), EntryKind(str(kind)), str(operator), str(text), use)
        except (ValueError, msgspec.DecodeError) as error:
            raise LogError(f"{self.path}: entry {number} cannot be read ({error})") from error

    @contextmanager
    def _transaction(self) -> Iterator[None]:
        self._database.execute("BEGIN IMMEDIATE")
        try:
            yield
        except BaseException:
            self._database.execute("ROLLBACK")
            raise
        self._database.execute("COMMIT")

    @contextmanager
    def _told(self) -> Iterator[None]:
        """Errors of file and database as one line that names the file."""
        try:
            yield
        except (sqlite3.Error, OSError) as error:
            raise LogError(f"{self.path}: the log cannot be used ({error}); nothing was written") from error


def _statements(script: str) -> Iterator[str]:
    """The complete statements of ``script``; a trigger has semicolons within."""
    statement = ""
    for line in script.strip().splitlines(keepends=True):
        statement += line
        if sqlite3.complete_statement(statement):
            yield statement
            statement = ""


def _json(use: RunUse | None) -> str | None:
    return msgspec.json.encode(use).decode() if use is not None else None


def proof_standing(log: SetLog | None, rig: Rig, device: str = "") -> ProofStanding:
    """Last proof of the trips of ``rig`` in ``log``, and what has changed since; without a log they were never proved.

    ``device`` is board, firmware and build as the device told them, empty before it has.
    """
    return standing_of_proofs(log.proofs() if log is not None else (), rig, device)
