"""What runs inside the session's process: the decision loop."""

from __future__ import annotations

import contextlib
import gc
import os
import signal
import time
import traceback
from dataclasses import replace
from multiprocessing.connection import Connection

from whirlbench.errors import BenchError, LinkError, RecordingError
from whirlbench.link.framing import frame
from whirlbench.link.messages import Abort, Reason
from whirlbench.session.engine.actions import Actions, Ending, Outcome
from whirlbench.session.engine.commands import Order, OrderKind
from whirlbench.session.engine.engine import Engine
from whirlbench.session.process.handle import Port, SessionSpec
from whirlbench.session.process.live_view import SharedView
from whirlbench.session.process.recorder import Scribe

WAIT_S = 0.002  # longest sleep for bytes: orders and heartbeats are looked after at least so often
NAP_S = 0.0005  # where a port cannot wait
STATUS_S = 0.02
TIDY_S = 1.0
PRIORITY = -10  # the decision comes before any picture of it; half of what the system offers


def run_session(spec: SessionSpec, view_name: str, orders: Connection) -> None:
    """Entry of the process: runs the session and leaves its outcome in the view."""
    ignore_terminal_signals()
    ask_for_priority()
    view = SharedView(view_name)
    parent = os.getppid()
    try:
        outcome = _run_guarded(spec, view, orders)
        view.show_progress(view.progress(), outcome)
    finally:
        view.close()
        if os.getppid() != parent:
            view.unlink()  # nobody else is left to do it


def ask_for_priority() -> None:
    """Ahead of whatever draws, where the system lets this process go there (POSIX, with the right to)."""
    if hasattr(os, "nice"):
        with contextlib.suppress(OSError):
            os.nice(PRIORITY)


def ignore_terminal_signals() -> None:
    """Ctrl-C and a closed terminal reach the whole group; what they mean is the surface's to say."""
    for name in ("SIGINT", "SIGHUP"):
        if hasattr(signal, name):
            signal.signal(getattr(signal, name), signal.SIG_IGN)


def _run_guarded(spec: SessionSpec, view: SharedView, orders: Connection) -> Outcome:
    try:
        engine, port = spec.engine(), spec.open_port()
    except LinkError as error:
        return Outcome(Ending.LINK_LOST, str(error))
    except BenchError as error:
        return Outcome(Ending.REFUSED, str(error))
    scribe = Scribe(spec)
    loop = SessionLoop(engine, port, scribe, view, orders)
    try:
        outcome = loop.run()
        scribe.close(outcome)
        return outcome
    except Exception as error:
        with contextlib.suppress(Exception):
            port.write(frame(Abort(Reason.HOST_RULE), 0))  # the device would trip by itself; this is sooner
        traceback.print_exc()
        outcome = Outcome(Ending.FAILED, f"{type(error).__name__}: {error}")
        with contextlib.suppress(Exception):
            scribe.close(outcome)
        return outcome
    finally:
        port.close()


class SessionLoop:
    """The single loop: read, decide, answer, then record and show."""

    def __init__(self, engine: Engine, port: Port, scribe: Scribe, view: SharedView, orders: Connection) -> None:
        self._engine, self._port, self._scribe = engine, port, scribe
        self._view, self._orders = view, orders
        self._orphaned = self._terminated = False
        self._surface_count = view.surface_count
        self._surface_at_s = float("-inf")
        self._shown_at_s = self._tidied_at_s = float("-inf")
        self._longest_turn_s = 0.0
        self._wait = getattr(port, "wait", None)

    def run(self) -> Outcome:
        """Turns until the engine ends the session."""
        signal.signal(signal.SIGTERM, self._terminate)
        gc.collect()
        gc.freeze()  # nothing that exists now needs to be looked at again during a run
        gc.disable()
        try:
            while True:
                actions = self.turn()
                if actions.outcome is not None:
                    return actions.outcome
                self.sleep()
        finally:
            gc.enable()
            gc.unfreeze()

    def turn(self) -> Actions:
        """Once through: read, decide, answer; then record and show."""
        engine = self._engine
        try:
            data = self._port.read()
            now_s = time.monotonic()
            actions = engine.step(now_s, data, self._take_orders(), self._surface_age_s(now_s))
            if actions.to_device:
                self._port.write(actions.to_device)
        except LinkError as error:
            now_s = time.monotonic()
            actions = engine.lose_link(now_s, str(error))
        if data_came := bool(actions.records):
            self._longest_turn_s = max(self._longest_turn_s, time.monotonic() - now_s)
        self._keep(actions, data_came)
        self._show(actions, now_s)
        self._tidy(now_s)
        return actions

    def _take_orders(self) -> list[Order]:
        taken: list[Order] = []
        if self._terminated:
            self._terminated = False
            self._engine.finish_wanted = True
            taken.append(Order(OrderKind.ABORT))
        try:
            while not self._orphaned and self._orders.poll():
                taken.append(self._orders.recv())
        except (EOFError, OSError):
            self._orphaned = True  # no more heartbeats from now on; the device does the rest
            self._engine.finish_wanted = True
        return taken

    def _surface_age_s(self, now_s: float) -> float:
        count = self._view.surface_count
        if count != self._surface_count:
            self._surface_count, self._surface_at_s = count, now_s
        return float("inf") if self._orphaned else now_s - self._surface_at_s

    def _keep(self, actions: Actions, any_records: bool) -> None:
        if not any_records:
            return
        try:
            self._scribe.keep(actions.records)
        except RecordingError as error:
            self._engine.lose_recording(str(error))

    def _show(self, actions: Actions, now_s: float) -> None:
        self._view.show(actions.records, self._engine.rig.vibration.g_per_count)
        if now_s - self._shown_at_s >= STATUS_S or actions.outcome is not None:
            self._shown_at_s = now_s
            progress = self._engine.progress()
            counters = {**progress.counters, "longest_turn_us": round(self._longest_turn_s * 1e6)}
            self._view.show_progress(replace(progress, counters=counters))

    def _tidy(self, now_s: float) -> None:
        """Once a second the little garbage that reference counts do not catch."""
        if now_s - self._tidied_at_s < TIDY_S:
            return
        self._tidied_at_s = now_s
        gc.collect(0)

    def sleep(self) -> None:
        """Waits for bytes, but never long."""
        if self._wait is None:
            time.sleep(NAP_S)
            return
        with contextlib.suppress(LinkError):  # the next read meets it again
            self._wait(WAIT_S)

    def _terminate(self, *_: object) -> None:
        self._terminated = True
