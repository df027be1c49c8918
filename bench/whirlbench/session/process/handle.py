"""The surface's end of a session, which lives in a process of its own, apart from whatever draws.

The parent (window or terminal) sends commands through a pipe and its sign of life through shared memory. If the parent
dies, the heartbeat stops, the device cuts the power, and the session records the coast-down before it ends.
"""

from __future__ import annotations

import contextlib
import multiprocessing
import signal
import threading
from collections.abc import Iterator
from multiprocessing.connection import Connection
from multiprocessing.process import BaseProcess

from whirlbench.session.engine import Command, CommandKind, Ending, Outcome, Progress
from whirlbench.session.process.live_view import SharedView
from whirlbench.session.process.loop import run_session
from whirlbench.session.process.spec import SessionSpec

COAST_PATIENCE_S = 240.0  # the longest coast-down that is recorded, and some more


class SessionHandle:
    """The parent's end of a session; a context manager that ends the session when left."""

    def __init__(self, process: BaseProcess, commands: Connection, view: SharedView) -> None:
        self._process, self._commands = process, commands
        self.view = view
        self._outcome: Outcome | None = None
        self._closed = False

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
        """How the session ended, None while it goes on; a process that died without a word counts as failed."""
        if self._outcome is None and not self._closed:
            self._outcome = self.view.outcome()
            if self._outcome is None and not self._process.is_alive():
                self._outcome = self.view.outcome() or Outcome(
                    Ending.FAILED, f"the session's process died (exit code {self._process.exitcode})"
                )
        return self._outcome

    def join(self, timeout_s: float | None = None) -> Outcome | None:
        """Waits for the end of the process, gives its resources back and returns the outcome; None when time is up."""
        self._process.join(timeout_s)
        if self._process.is_alive():
            return None
        outcome = self.outcome()
        self.close()
        return outcome

    def close(self) -> None:
        """Gives memory and pipe back; a session that still runs sees its surface die."""
        if self._closed:
            return
        self.outcome()
        self._closed = True
        self._commands.close()
        self._process.join(COAST_PATIENCE_S)
        self.view.close()
        self.view.unlink()

    def __enter__(self) -> SessionHandle:
        return self

    def __exit__(self, *_: object) -> None:
        self.close()


@contextlib.contextmanager
def _interrupts_ignored() -> Iterator[None]:
    """The child inherits this, so that Ctrl-C cannot kill it before it sets its own signals."""
    if threading.current_thread() is not threading.main_thread():
        yield
        return
    before = signal.signal(signal.SIGINT, signal.SIG_IGN)
    try:
        yield
    finally:
        signal.signal(signal.SIGINT, before)


def start(spec: SessionSpec) -> SessionHandle:
    """Starts a session in a process of its own; RigError or PlanError before that when rig and plan do not fit."""
    spec.engine()
    context = multiprocessing.get_context("spawn")
    view = SharedView()
    receiving, sending = context.Pipe(duplex=False)
    process = context.Process(
        target=run_session, args=(spec, view.name, receiving), name="whirlbench session", daemon=False
    )
    try:
        with _interrupts_ignored():
            process.start()
    except BaseException:
        view.close()
        view.unlink()
        raise
    receiving.close()
    return SessionHandle(process, sending, view)
