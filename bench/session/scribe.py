"""The one thread of a session's process: it writes the recording, so that no disk ever delays a decision.

A flush costs several milliseconds, more when the disk is busy; beside a sample-to-decision time of half a millisecond
that would be the longest part of it. The thread shares nothing with the loop but a queue of finished records.
"""

from __future__ import annotations

import queue
import sys
import threading
import time
from collections.abc import Iterable

from bench.session.actions import Outcome, Record
from bench.session.logbook import Logbook

BATCH_S = 0.05  # records are taken in portions: waking for each would cost the loop more than it saves
SWITCH_S = 0.0005  # the interpreter's switch interval: the loop gets its turn back within half a millisecond


class Scribe:
    """A logbook kept by a thread. An error of it is raised by the next ``keep``, once."""

    def __init__(self, logbook: Logbook) -> None:
        self._logbook = logbook
        self._waiting: queue.SimpleQueue[tuple[Record, ...] | None] = queue.SimpleQueue()
        self._error: Exception | None = None
        self._thread = threading.Thread(target=self._write, name="scribe", daemon=True)
        sys.setswitchinterval(SWITCH_S)
        self._thread.start()

    def keep(self, records: Iterable[Record]) -> None:
        """Hands records over; raises what went wrong with earlier ones, a RecordingError when the disk did."""
        error, self._error = self._error, None
        if error is not None:
            raise error
        self._waiting.put(tuple(records))

    def close(self, outcome: Outcome) -> None:
        """Waits until everything is written, then ends the recording with ``outcome``."""
        self._waiting.put(None)
        self._thread.join()
        self._logbook.close(outcome)

    def _write(self) -> None:
        open_ = True
        while open_:
            time.sleep(BATCH_S)
            records, open_ = self._take()
            try:
                self._logbook.keep(records)
            except Exception as error:  # whatever it is, the loop has to know
                self._logbook.give_up()
                self._error = error

    def _take(self) -> tuple[list[Record], bool]:
        """All that waits, and whether more may come."""
        records: list[Record] = []
        while True:
            try:
                portion = self._waiting.get_nowait()
            except queue.Empty:
                return records, True
            if portion is None:
                return records, False
            records += portion
