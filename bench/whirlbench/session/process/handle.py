"""The surface's end of a session, which lives in a process of its own, apart from whatever draws.

The parent (window or terminal) sends commands through a pipe and its sign of life through shared memory. If the parent
dies, the heartbeat stops, the device cuts the power, and the session records the coast-down before it ends.
"""

from __future__ import annotations

import contextlib
import multiprocessing
import time
from dataclasses import replace
from multiprocessing.connection import Connection
from multiprocessing.process import BaseProcess

from whirlbench.session.engine import Command, CommandKind, Ending, Outcome, Progress
from whirlbench.session.process.live_view import SharedView
from whirlbench.session.process.loop import run_session
from whirlbench.session.process.operating_system import SurfaceRank, signals_held
from whirlbench.session.process.spec import SessionSpec

COAST_PATIENCE_S = 260.0  # a lost port is tried again, the longest coast-down is recorded, and the recording closed
HUNG_S = 2.0  # a thousand turns, and several times the device's limit of silence: it has cut the power
YOUNG_S = 60.0  # where nothing can turn: it still imports what it needs, on a busy computer
HEIR_S = 5.0  # for the recorder of a dead session to say that it lives
LOOKS = 20  # at a silent session: a surface that was stopped itself has looked but once
POLL_S = 0.05


class SessionHandle:
    """The parent's end of a session; a context manager that ends the session when left."""

    def __init__(self, process: BaseProcess, commands: Connection, view: SharedView, recorded: bool = False) -> None:
        """``recorded``: a recorder lives beside the session, and takes over when that dies."""
        self._process, self._commands = process, commands
        self.view = view
        self._rank = SurfaceRank()
        self._outcome: Outcome | None = None
        self._closed = self._hung = False
        self._recorded = recorded
        self._version, self._was_alive, self._silent_since_s, self._looks = -1, True, time.monotonic(), 0

    @property
    def pid(self) -> int:
        """Process number of the session."""
        return self._process.pid or 0

    def heard(self) -> None:
        """Sign of life of the surface; see ``SharedView.heard``."""
        self.view.heard()

    def command(self, kind: CommandKind | Command, value: float = 0.0, text: str = "") -> None:
        """Sends a command; one that finds no session any more is dropped."""
        command = kind if isinstance(kind, Command) else Command(kind, value, text)
        with contextlib.suppress(OSError):  # the session has ended: outcome() tells how
            self._commands.send(command)

    def state(self) -> Progress:
        """Where the session stands."""
        return self.view.progress()

    def alive(self) -> bool:
        """Whether the session's process runs."""
        return self._process.is_alive()

    def outcome(self) -> Outcome | None:
        """How the session ended, None while it goes on or its recorder still records the coast-down without it.

        A session that shows no life for ``HUNG_S`` is ended: the device has long cut the power by then, and its
        recorder takes over. A process that died without a word, and without such an heir, counts as failed.
        """
        if self._outcome is None and not self._closed:
            self._outcome = self._told_outcome()
            if self._outcome is None and self._is_silent():
                if self._process.is_alive():
                    self._process.kill()
                    self._hung = True
                else:
                    died = f"the session's process died (exit code {self._process.exitcode})"
                    self._outcome = self._told_outcome() or Outcome(Ending.FAILED, died)
        if self._outcome is not None:
            self._rank.give_back()  # nobody waits for a sign of life any more
        return self._outcome

    def _told_outcome(self) -> Outcome | None:
        outcome = self.view.outcome()
        if outcome is None or not self._hung:
            return outcome
        return replace(outcome, reason=f"the session hung for {HUNG_S:g} s and was ended; {outcome.reason}")

    def _is_silent(self) -> bool:
        """Whether nobody has shown life for longer than is patience, by the clock and by the looks at it."""
        version, now_s = self.view.version, time.monotonic()
        alive = self._process.is_alive()
        if version != self._version or alive != self._was_alive:
            self._version, self._was_alive, self._silent_since_s, self._looks = version, alive, now_s, 0
            return not alive and not self._recorded
        self._looks += 1
        if not alive and not self._recorded:
            return True
        at_stake = self.view.progress().state in ("armed", "turning", "tripped")
        patience_s = HEIR_S if not alive else HUNG_S if at_stake else YOUNG_S
        return self._looks >= LOOKS and now_s - self._silent_since_s > patience_s

    def join(self, timeout_s: float = COAST_PATIENCE_S) -> Outcome | None:
        """Waits for the end of the session, gives its resources back and returns the outcome; None when time is up."""
        until_s = time.monotonic() + timeout_s
        while self.outcome() is None or self._process.is_alive():
            if time.monotonic() > until_s:
                return None
            self._process.join(POLL_S)
            if not self._process.is_alive():
                time.sleep(POLL_S)
        outcome = self.outcome()
        self.close()
        return outcome

    def close(self) -> None:
        """Gives memory and pipe back; a session that still runs sees its surface die."""
        if self._closed:
            return
        self.outcome()
        self._commands.close()
        self._wait_for_end()
        self.view.close()
        self.view.unlink()

    def _wait_for_end(self) -> None:
        """Until the session has recorded its coast-down and ended; one that hangs is ended, as in ``outcome``."""
        until_s = time.monotonic() + COAST_PATIENCE_S
        while self._process.is_alive() and time.monotonic() < until_s:
            self._process.join(POLL_S)
            self.outcome()
        if self._process.is_alive():
            self._process.kill()
            self._process.join(POLL_S)
        self._rank.give_back()
        self._closed = True

    def __enter__(self) -> SessionHandle:
        return self

    def __exit__(self, *_: object) -> None:
        self.close()


def start(spec: SessionSpec) -> SessionHandle:
    """Starts a session in a process of its own; RigError or PlanError before that when rig and plan do not fit."""
    spec.engine()
    context = multiprocessing.get_context("spawn")
    with signals_held():
        view = SharedView()  # the first one starts a process that tracks it, which has to outlive signals as well
    receiving, sending = context.Pipe(duplex=False)
    process = context.Process(
        target=run_session, args=(spec, view.name, receiving), name="whirlbench session", daemon=False
    )
    try:
        with signals_held():
            process.start()
    except BaseException:
        view.close()
        view.unlink()
        raise
    receiving.close()
    return SessionHandle(process, sending, view, bool(spec.recording))
