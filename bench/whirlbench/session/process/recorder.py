"""The recording is written by a process of its own, so that no disk ever delays a decision.

A flush costs several milliseconds, and as long as the disk likes when it is busy; the interpreter is held meanwhile,
so that not even a thread would do. A thread only carries records that are packed already: packing a portion at once
would hold the interpreter for milliseconds, so the loop packs each turn's own after it was decided upon. If the session
dies, the recording process closes what it has.
"""

from __future__ import annotations

import multiprocessing
import pickle
import queue
import sys
import threading
import time
from collections.abc import Iterable
from multiprocessing.connection import Connection

from whirlbench.errors import RecordingError
from whirlbench.session.engine import Ending, Outcome, Record
from whirlbench.session.process.operating_system import give_priority_back, ignore_terminal_signals, join_real_time
from whirlbench.session.process.record_writing import RunRecording
from whirlbench.session.process.spec import SessionSpec

BATCH_S = 0.05  # records travel in portions: waking for each would cost the loop more than it saves
SWITCH_S = 0.0005  # the interpreter's switch interval: the loop gets its turn back within half a millisecond


class Recorder:
    """Takes records from the loop and never makes it wait; an error is raised by the next ``keep``, once."""

    def __init__(self, spec: SessionSpec) -> None:
        self._waiting: queue.SimpleQueue[bytes | Outcome] = queue.SimpleQueue()
        self._error: Exception | None = None
        self._wanted = bool(spec.recording)
        if self._wanted:
            context = multiprocessing.get_context("spawn")
            self._pipe, inner = context.Pipe()
            self._process = context.Process(target=write_recording, args=(spec, inner), name="whirlbench recording")
            self._process.start()
            inner.close()
            sys.setswitchinterval(SWITCH_S)
            self._thread = threading.Thread(target=self._carry, name="recorder", daemon=True)
            self._thread.start()

    def keep(self, records: Iterable[Record]) -> None:
        """Hands records over; raises what went wrong with earlier ones, a RecordingError when the disk did."""
        error, self._error = self._error, None
        if error is not None:
            raise error
        if self._wanted:
            self._waiting.put(pack(records))

    def close(self, outcome: Outcome) -> None:
        """Ends the recording with ``outcome`` and waits until it is written."""
        if self._wanted:
            self._waiting.put(outcome)
            self._thread.join()
            self._process.join()
            self._pipe.close()

    def _carry(self) -> None:
        join_real_time()  # it holds the interpreter now and then, and must not be pushed aside meanwhile
        outcome = None
        while outcome is None:
            time.sleep(BATCH_S)
            records, outcome = self._take()
            try:
                self._pipe.send(records)
                if outcome is not None:
                    self._pipe.send(outcome)
                elif self._pipe.poll():
                    self._error = RecordingError(self._pipe.recv())
            except (OSError, EOFError):
                self._error = RecordingError("the process that writes the recording died")
                return

    def _take(self) -> tuple[list[bytes], Outcome | None]:
        """All that waits, packed turn by turn, and the outcome once it is there."""
        records: list[bytes] = []
        while True:
            try:
                portion = self._waiting.get_nowait()
            except queue.Empty:
                return records, None
            if isinstance(portion, Outcome):
                return records, portion
            records.append(portion)


def pack(records: Iterable[Record]) -> bytes:
    """The records of one turn as bytes."""
    return pickle.dumps(tuple(records), pickle.HIGHEST_PROTOCOL)


def unpack(portion: Iterable[bytes]) -> list[Record]:
    """The records of several turns, in order."""
    return [record for packed in portion for record in pickle.loads(packed)]


def write_recording(spec: SessionSpec, pipe: Connection) -> None:
    """Entry of the recording process: writes until the outcome comes, or the session's end of the pipe is gone."""
    ignore_terminal_signals()
    give_priority_back()  # the disk is in no hurry
    recording = RunRecording(spec)
    while True:
        try:
            portion = pipe.recv()
        except (EOFError, OSError):
            portion = Outcome(Ending.FAILED, "the session's process died")
        try:
            if isinstance(portion, Outcome):
                recording.close(portion)
                return
            recording.keep(unpack(portion))
        except RecordingError as error:
            if isinstance(portion, Outcome):
                return
            recording.give_up()
            pipe.send(str(error))
