"""The recording is written by a process of its own, so that no disk ever delays a decision.

A flush costs several milliseconds, and as long as the disk likes when it is busy; the interpreter is held meanwhile,
so that not even a thread would do. A thread only carries records to that process, and brings back what it reports; they
are packed already: packing a portion at once would hold the interpreter for milliseconds, so the loop packs each turn's
own after it was decided upon. If the session dies, the recording process records the coast-down and closes what it has.
"""

from __future__ import annotations

import contextlib
import multiprocessing
import os
import queue
import signal
import sys
import threading
import time
from collections import deque
from collections.abc import Callable, Iterable
from dataclasses import dataclass, replace
from multiprocessing.connection import Connection
from pathlib import Path

from whirlbench.errors import RecordingError
from whirlbench.recording.mending import seal
from whirlbench.session.engine import IdentityRecord, Mark, Outcome, Record
from whirlbench.session.process.operating_system import (
    hush,
    ignore_terminal_signals,
    join_real_time,
    signals_held,
    step_behind,
    wake,
)
from whirlbench.session.process.record_writing import Report, ReportKind, pack
from whirlbench.session.process.spec import SessionSpec

BATCH_S = 0.05  # records travel in portions: waking for each would cost the loop more than it saves
SWITCH_S = 0.0005  # the interpreter's switch interval: the loop gets its turn back within half a millisecond
CLOSE_S = 10.0  # longest wait for a recorder that says nothing while it writes and closes
PACK_S = 60.0  # and for the compaction after that, which loses nothing when it is given up
KILL_S = 2.0
DIED = "the process that writes the recording died"
SILENT = "the recorder did not answer for {:g} s"


@dataclass(frozen=True)
class Closing:
    """How a recording ended: ``saved`` for the surface, ``problem`` when not all was written, empty when all was."""

    saved: str = ""
    problem: str = ""


class Recorder:
    """Takes records from the loop and never makes it wait; an error is raised by the next ``keep``, once."""

    def __init__(self, spec: SessionSpec, view_name: str = "", mark: Callable[[], Mark | None] = lambda: None) -> None:
        """``view_name``: shared memory for a recorder that outlives its session; ``mark``: see ``Telemetry.mark``."""
        self._waiting: queue.SimpleQueue[tuple[float, bytes] | Outcome] = queue.SimpleQueue()
        self._error: Exception | None = None
        self._mark = mark
        self._under_way: deque[tuple[int, float, list[bytes]]] = deque()  # portions that are not on disk, and since
        self._identity: IdentityRecord | None = None
        self._former = self._replaced = ""
        self._number = 0
        self._reports: dict[ReportKind, Report] = {}
        self._heard_at_s = time.monotonic()
        self._spec, self._view_name = spec, view_name
        self.wanted = bool(spec.recording)
        if self.wanted:
            self._start_process(spec)
            sys.setswitchinterval(SWITCH_S)
            self._thread = threading.Thread(target=self._carry, name="recorder", daemon=True)
            self._thread.start()

    def _start_process(self, spec: SessionSpec) -> None:
        context = multiprocessing.get_context("spawn")
        self._pipe, inner = context.Pipe()
        self._process = context.Process(
            target=write_recording, args=(spec, inner, self._view_name), name="whirlbench recording"
        )
        with signals_held():
            self._process.start()
        inner.close()

    @property
    def on_disk(self) -> bool:
        """Whether the file was begun, read back, and took its first records."""
        return ReportKind.SAVED in self._reports

    @property
    def objection(self) -> str:
        """What speaks against turning on, though all is recorded so far; empty when nothing does."""
        report = self._reports.get(ReportKind.SAVED)
        return self._replaced or (report.text if report is not None else "")

    def lag_s(self, now_s: float) -> float:
        """Age in s of the oldest records that are not on disk; NaN before the file is begun, or without one."""
        if not self.on_disk:
            return float("nan")
        try:
            return now_s - self._under_way[0][1]
        except IndexError:
            return 0.0

    def keep(self, records: Iterable[Record]) -> None:
        """Hands records over; raises what went wrong with earlier ones, a RecordingError when the disk did."""
        error, self._error = self._error, None
        if error is not None:
            raise error
        if self.wanted:
            if self._identity is None:
                self._identity = next((one for one in records if isinstance(one, IdentityRecord)), None)
            self._waiting.put((time.monotonic(), pack(records)))

    def wake(self) -> None:
        """Lets a recorder go on that something has stopped; one that runs is not disturbed."""
        if self.wanted:
            wake(self._process.pid)

    def close(self, outcome: Outcome, tell: Callable[[str], None] = lambda text: None) -> Closing:
        """Ends the recording with ``outcome`` and waits until it is written, but not for a recorder that is silent.

        ``tell`` gets a line for the surface several times a second meanwhile.
        """
        if not self.wanted:
            return Closing()
        self.wake()
        self._waiting.put(outcome)
        self._heard_at_s = time.monotonic()
        silent = self._await(ReportKind.CLOSED, CLOSE_S, lambda: tell("the recording is being closed"))
        if not silent:
            self._await(ReportKind.PACKED, PACK_S, lambda: tell("the recording is closed and being compacted"))
        self._end_process()
        return self._closing(silent)

    def _await(self, kind: ReportKind, patience_s: float, tell: Callable[[], None]) -> str:
        """Waits for a report; returns why it did not come, empty when it did."""
        while kind not in self._reports:
            if not self._process.is_alive() and not self._thread.is_alive():
                return DIED
            if time.monotonic() - self._heard_at_s > patience_s:
                return SILENT.format(patience_s)
            tell()
            time.sleep(BATCH_S)
        return ""

    def _end_process(self) -> None:
        self._process.join(KILL_S)
        if self._process.is_alive():
            self._process.kill()
            self._process.join(KILL_S)
        self._thread.join(KILL_S)
        self._pipe.close()

    def _closing(self, silent: str) -> Closing:
        reports = self._reports
        last = reports.get(ReportKind.CLOSED) or reports.get(ReportKind.SAVED)
        closed, packed = reports.get(ReportKind.CLOSED), reports.get(ReportKind.PACKED)
        problem = silent or (closed.text if closed is not None else "")
        if last is None or not self.on_disk:
            return Closing("", problem)
        note = f"; {packed.text}" if packed is not None and packed.text else ""
        return Closing(f"{self._former}saved to {last.saved_s:.2f} s{note}", problem)

    def _carry(self) -> None:
        join_real_time()  # it holds the interpreter now and then, and must not be pushed aside meanwhile
        outcome = None
        while outcome is None:
            time.sleep(BATCH_S)
            since_s, records, outcome = self._take()
            self._number += 1
            self._under_way.append((self._number, since_s, records))
            try:
                self._send(records, outcome)
            except (OSError, EOFError):
                if not self._replace(outcome):
                    self._error = RecordingError(DIED)
                    return
        self._hear_to_the_end()

    def _send(self, records: list[bytes], outcome: Outcome | None) -> None:
        self._pipe.send((self._number, records, self._mark()))
        if outcome is not None:
            self._pipe.send(outcome)
        self._hear()

    def _replace(self, outcome: Outcome | None) -> bool:
        """A recorder died: another one, once, writes what is not on disk, and what follows, beside the first file."""
        saved = self._reports.get(ReportKind.SAVED)
        if self._replaced or saved is None or self._identity is None:
            return False
        first = Path(self._spec.recording)
        path = first.with_name(f"{first.stem}-continued{first.suffix}")
        with contextlib.suppress(OSError):
            seal(first)
        self._replaced = f"{DIED}; another one goes on in {path}"
        self._former = f"saved to {saved.saved_s:.2f} s, from then on in {path}: "
        self._pipe.close()
        self._start_process(replace(self._spec, recording=str(path)))
        try:
            self._send(
                [pack([self._identity]), *(packed for _, _, portion in self._under_way for packed in portion)], outcome
            )
        except (OSError, EOFError):
            return False
        return True

    def _hear(self) -> None:
        while self._pipe.poll():
            self._note(self._pipe.recv())

    def _hear_to_the_end(self) -> None:
        try:
            while ReportKind.PACKED not in self._reports:
                self._note(self._pipe.recv())
        except (OSError, EOFError):
            return

    def _note(self, report: Report) -> None:
        self._heard_at_s = time.monotonic()
        if report.kind is ReportKind.FAILED:
            self._error = RecordingError(report.text)
        if report.kind is ReportKind.SAVED:
            while self._under_way and self._under_way[0][0] <= report.number:
                self._under_way.popleft()
        self._reports[report.kind] = report

    def _take(self) -> tuple[float, list[bytes], Outcome | None]:
        """Since when the oldest of what waits has waited, all that waits, and the outcome once it is there."""
        records: list[bytes] = []
        since_s = time.monotonic()
        while True:
            try:
                waiting = self._waiting.get_nowait()
            except queue.Empty:
                return since_s, records, None
            if isinstance(waiting, Outcome):
                return since_s, records, waiting
            since_s = min(since_s, waiting[0])
            records.append(waiting[1])


def write_recording(spec: SessionSpec, pipe: Connection, view_name: str = "") -> None:
    """Entry of the recording process: writes until the outcome comes, or the session's end of the pipe is gone."""
    ignore_terminal_signals(*(name for name in ("SIGTERM",) if hasattr(signal, name)))
    step_behind()  # the decision comes first
    hush()  # of a file that cannot be written, the format's library prints a page for every piece of it
    from whirlbench.session.process.recording_process import RecordingProcess  # nobody else needs the format's library

    recording = RecordingProcess(spec, pipe, view_name)
    code = recording.run()
    if code:
        os._exit(code)  # letting go of a file that could not be written would write to it once more
