"""What runs inside the session's process: the decision loop."""

from __future__ import annotations

import contextlib
import gc
import os
import signal
import time
import traceback
from collections.abc import Callable, Sequence
from dataclasses import replace
from multiprocessing.connection import Connection

from whirlbench.errors import BenchError, LinkError, RecordingError
from whirlbench.link.framing import frame
from whirlbench.link.messages import Abort, Reason
from whirlbench.session.engine import Actions, Command, CommandKind, Ending, Engine, Outcome, Part, Phase, Record
from whirlbench.session.process.coast_down import CoastDown
from whirlbench.session.process.live_view import SharedView
from whirlbench.session.process.operating_system import (
    ask_for_priority,
    ignore_terminal_signals,
    release_signals,
    waiting_at,
)
from whirlbench.session.process.recorder import Closing, Recorder
from whirlbench.session.process.spec import Port, SessionSpec
from whirlbench.session.process.turn_trace import Stage, TurnTrace

WAIT_S = 0.002  # longest sleep for bytes: commands and heartbeats are looked after at least so often
NAP_S = 0.0005  # where a port cannot wait
STATUS_S = 0.02
LONG_TURN_S = 0.001  # after so long the next sample may be waiting: the status is shown a turn or two later
TIDY_S = 1.0
WAKE_S = 0.5


def run_session(spec: SessionSpec, view_name: str, commands: Connection) -> None:
    """Entry of the process: runs the session and leaves its outcome in the view."""
    ignore_terminal_signals()
    refused = ask_for_priority()
    view = SharedView(view_name)
    parent = os.getppid()
    try:
        outcome = _run_guarded(spec, view, commands, refused)
        view.show_progress(view.progress(), outcome)
    finally:
        view.close()
        if os.getppid() != parent:
            view.unlink()  # nobody else is left to do it


def _run_guarded(spec: SessionSpec, view: SharedView, commands: Connection, no_priority: str) -> Outcome:
    try:
        engine, port = spec.engine(), spec.open_port()
    except BenchError as error:  # a port that cannot be opened is no link that was lost
        return Outcome(Ending.REFUSED, str(error))
    if no_priority:
        engine.note("note", "no priority", f"what draws can delay decisions: {no_priority}")
    recorder = Recorder(spec, view.name, engine.telemetry.mark)
    loop = SessionLoop(engine, port, recorder, view, commands)
    try:
        outcome = loop.run()
        if engine.link_lost_turning:
            port.close()
            outcome = loop.follow_coast_down(spec, outcome)
        return _with_recording(outcome, recorder.close(outcome, loop.tell))
    except Exception as error:
        with contextlib.suppress(Exception):
            port.write(frame(Abort(Reason.HOST_RULE), 0))  # the device would trip by itself; this is sooner
        traceback.print_exc()
        outcome = Outcome(Ending.FAILED, f"{type(error).__name__}: {error}")
        with contextlib.suppress(Exception):
            outcome = _with_recording(outcome, recorder.close(outcome, loop.tell))
        return outcome
    finally:
        port.close()


def _with_recording(outcome: Outcome, closing: Closing) -> Outcome:
    """The outcome with what is recorded; a run whose recording failed did not end well, whatever the stand did."""
    if not closing.problem:
        return replace(outcome, saved=closing.saved)
    ending = Ending.FAILED if outcome.ending is Ending.DONE else outcome.ending
    told = closing.problem in outcome.reason
    reason = outcome.reason if told else "; ".join(filter(None, (outcome.reason, f"the recording: {closing.problem}")))
    return Outcome(ending, reason, closing.saved)


class SessionLoop:
    """The single loop: read, decide, answer, then record and show."""

    def __init__(
        self,
        engine: Engine,
        port: Port,
        recorder: Recorder,
        view: SharedView,
        commands: Connection,
        trace: TurnTrace | None = None,
    ) -> None:
        """``trace`` is filled with the times of every turn, where one is given."""
        self._engine, self._port, self._recorder = engine, port, recorder
        self._mark: Callable[[Stage], None] = trace.mark if trace is not None else lambda _: None
        self._view, self._commands, self._command_waits = view, commands, waiting_at(commands)
        self._orphaned = self._terminated = False
        self._surface_count = view.surface_count
        self._surface_at_s = float("-inf")
        self._shown_at_s = self._tidied_at_s = float("-inf")
        self._longest_turn_s = 0.0
        self._woken_at_s = float("-inf")
        self._wait = getattr(port, "wait", None)
        if recorder.wanted:
            engine.recording.expect()
        self._awake_by_s = float("inf")  # the longest sleep is over then
        self._port_s = 0.0
        engine.keeper.chain.measured = True

    def run(self) -> Outcome:
        """Turns until the engine ends the session."""
        signal.signal(signal.SIGTERM, self._terminate)
        release_signals("SIGTERM")
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
        """Once through: read, decide, answer; then record and show. How late it was is told with the next one."""
        began_s, began_cpu_s, self._port_s = time.monotonic(), time.thread_time(), 0.0
        self._engine.keeper.chain.delayed(Part.COMPUTER, began_s - self._awake_by_s)
        actions = self._turn()
        self._tell_delays(time.monotonic() - began_s, time.thread_time() - began_cpu_s)
        return actions

    def _tell_delays(self, turn_s: float, cpu_s: float) -> None:
        """A turn as long as a sleep delays the next: by its own work, by the port, or as the computer ran others."""
        if turn_s <= WAIT_S:
            return
        work_s = min(cpu_s, turn_s)
        chain = self._engine.keeper.chain
        chain.delayed(Part.SESSION, work_s)
        chain.delayed(Part.PORT, min(self._port_s, turn_s - work_s))
        chain.delayed(Part.COMPUTER, turn_s - work_s - self._port_s)

    def _turn(self) -> Actions:
        engine, actions, mark = self._engine, Actions(), self._mark
        mark(Stage.SLEEP)
        try:
            data = self._port.read()
            mark(Stage.READ)
            now_s = time.monotonic()
            self._look_at_recorder(now_s)
            actions = engine.step(now_s, data, self._take_commands(), self._surface_age_s(now_s))
            mark(Stage.DECIDE)
            if actions.to_device:
                self._answer(actions.to_device)
            mark(Stage.ANSWER)
            engine.judge_trends()
            mark(Stage.TRENDS)
        except LinkError as error:
            now_s = time.monotonic()
            lost = engine.lose_link(now_s, str(error))  # what was heard in this turn is recorded all the same
            actions = replace(lost, records=(*actions.records, *lost.records))
        if data_came := bool(actions.records):
            self._longest_turn_s = max(self._longest_turn_s, time.monotonic() - now_s)
        self._keep(actions, data_came)
        mark(Stage.RECORD)
        self._show(actions, now_s)
        mark(Stage.SHOW)
        self._tidy(now_s)
        mark(Stage.TIDY)
        return actions

    def _look_at_recorder(self, now_s: float) -> None:
        """One that is late was perhaps stopped: once that has ended the run, it may go on and save what there is."""
        recorder, watch = self._recorder, self._engine.recording
        if recorder.wanted:
            watch.look(now_s, recorder.on_disk, recorder.lag_s(now_s), recorder.objection)
            if watch.objection() and now_s - self._woken_at_s > WAKE_S:
                self._woken_at_s = now_s
                recorder.wake()

    def follow_coast_down(self, spec: SessionSpec, outcome: Outcome) -> Outcome:
        """Tries the lost port again and records the coast-down, for a surface that may be gone by then."""

        def keep(records: Sequence[Record]) -> None:
            self._recorder.keep(records)
            self._view.show(records, self._engine.rig.vibration.g_per_count)

        try:
            said = CoastDown(spec, self._engine.telemetry, self._engine.watch, keep, self.tell).record()
        except RecordingError as error:
            said = f"the recording failed: {error}"
        return replace(outcome, reason="; ".join(filter(None, (outcome.reason, said))))

    def tell(self, text: str) -> None:
        """Shows the surface that the session lives on after its outcome, and what for."""
        self._view.show_progress(replace(self._engine.progress(), phase=Phase.COASTING.value, message=text))

    def _answer(self, data: bytes) -> None:
        """Off the core while it waits for the port: that is the port's time, not the computer's."""
        began_s, began_cpu_s = time.monotonic(), time.thread_time()
        self._port.write(data)
        self._port_s = (time.monotonic() - began_s) - (time.thread_time() - began_cpu_s)

    def _take_commands(self) -> list[Command]:
        taken: list[Command] = []
        if self._terminated:
            self._terminated = False
            self._engine.finish_wanted = True
            taken.append(Command(CommandKind.ABORT))
        try:
            while not self._orphaned and self._command_waits():
                taken.append(self._commands.recv())
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
            self._recorder.keep(actions.records)
        except RecordingError as error:
            self._engine.lose_recording(str(error))

    def _show(self, actions: Actions, now_s: float) -> None:
        self._view.show(actions.records, self._engine.rig.vibration.g_per_count)
        patience_s = STATUS_S if time.monotonic() - now_s < LONG_TURN_S else 2 * STATUS_S
        if now_s - self._shown_at_s >= patience_s or actions.outcome is not None:
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
        self._awake_by_s = time.monotonic() + WAIT_S
        if self._wait is None:
            time.sleep(NAP_S)
            return
        with contextlib.suppress(LinkError):  # the next read meets it again
            self._wait(WAIT_S)

    def _terminate(self, *_: object) -> None:
        self._terminated = True
