"""The session's own process: port, engine, recorder and live view in one loop, apart from whatever draws.

The parent (window or terminal) sends orders through a pipe and its sign of life through shared memory. If the parent
dies, the heartbeat stops, the device cuts the power, and this process records the coast-down before it ends.
"""

from __future__ import annotations

import contextlib
import multiprocessing
import signal
import threading
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from multiprocessing.connection import Connection
from multiprocessing.process import BaseProcess
from typing import Protocol

from whirlbench.rig.toml import parse_rig
from whirlbench.session.engine.actions import Ending, Outcome, Progress
from whirlbench.session.engine.commands import Order, OrderKind
from whirlbench.session.engine.engine import Engine
from whirlbench.session.plan.steps import parse_plan
from whirlbench.session.process.live_view import SharedView


class Port(Protocol):
    """What a session needs of a port; ``wait(timeout_s)`` is used where a port has it."""

    def read(self) -> bytes:
        """All bytes that are waiting."""

    def write(self, data: bytes) -> None:
        """Sends ``data``."""

    def close(self) -> None:
        """Gives the port back."""


@dataclass(frozen=True)
class SessionSpec:
    """All that a session's process needs; picklable.

    ``open_port`` opens the port inside that process. ``recording`` is the path of the file to write, empty for none.
    ``origin`` says in the recording where the data comes from, ``random_seed`` what a simulated stand was made with.
    """

    rig_text: str
    open_port: Callable[[], Port]
    plan_text: str = ""
    recording: str = ""
    keep_open: bool = False
    reset_first: bool = False
    origin: str = ""
    random_seed: int | None = None

    def engine(self) -> Engine:
        """Engine for this session; RigError or PlanError when rig and plan do not fit."""
        plan = parse_plan(self.plan_text) if self.plan_text else None
        return Engine(parse_rig(self.rig_text), plan, self.keep_open, self.reset_first)


class SessionHandle:
    """The parent's end of a session; a context manager that ends the session when left."""

    def __init__(self, process: BaseProcess, orders: Connection, view: SharedView) -> None:
        self._process, self._orders = process, orders
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

    def order(self, kind: OrderKind | Order, value: float = 0.0, text: str = "") -> None:
        """Sends an order; one that finds no session any more is dropped."""
        order = kind if isinstance(kind, Order) else Order(kind, value, text)
        with contextlib.suppress(OSError):  # the session has ended: outcome() tells how
            self._orders.send(order)

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
        self._orders.close()
        self._process.join(COAST_PATIENCE_S)
        self.view.close()
        self.view.unlink()

    def __enter__(self) -> SessionHandle:
        return self

    def __exit__(self, *_: object) -> None:
        self.close()


COAST_PATIENCE_S = 240.0  # the longest coast-down that is recorded, and some more


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
    from whirlbench.session.process.loop import run_session

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
