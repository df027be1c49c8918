"""Sessions without a clock: engine and simulated device in even steps, as fast as they compute or N times real time.

Deterministic: the same engine, device and operator give the same run, byte by byte.
"""

from __future__ import annotations

import time
from collections.abc import Callable, Sequence
from typing import Protocol

from whirlbench.session.engine import Command, CommandKind, Engine, Outcome, Progress
from whirlbench.session.process.operator import WillingOperator
from whirlbench.session.process.record_writing import RunWriter, write

STEP_S = 0.002
PROGRESS_S = 0.05
FLUSH_S = 1.0
Operator = Callable[[Progress], Sequence[Command]]


class Device(Protocol):
    """A device that lives on virtual time."""

    def exchange(self, now_s: float, data: bytes) -> bytes:
        """Advances to ``now_s`` and takes ``data``; returns what was sent."""


def run_in_lockstep(
    engine: Engine,
    device: Device,
    recorder: RunWriter | None = None,
    speed: float | None = None,
    progress: Callable[[Progress], None] | None = None,
    operator: Operator | None = None,
    longest_s: float = 7200.0,
    step_s: float = STEP_S,
) -> Outcome:
    """Runs the session to its end and returns how it ended.

    ``speed`` is the pace against real time, None as fast as possible. ``operator`` gives the commands (default: one who
    arms, starts the plan and continues after inspections). ``step_s`` is the engine's turn: longer ones cost less and
    make the host, not the device, slower to decide. A KeyboardInterrupt is the operator's abort; the coast-down
    is still recorded, and a second one is raised. The recorder is written to, not closed.
    """
    give_commands = operator if operator is not None else WillingOperator().commands
    pace = _Pace(speed)
    turn, to_device, aborts = 0, b"", 0
    while True:
        try:
            turn += 1
            now_s = turn * step_s
            at_progress = turn % max(1, round(PROGRESS_S / step_s)) == 0
            commands = give_commands(engine.progress()) if at_progress else ()
            to_device, outcome = _turn(engine, device, recorder, now_s, to_device, commands)
            if recorder is not None and turn % round(FLUSH_S / step_s) == 0:
                recorder.flush()
            if at_progress and progress is not None:
                progress(engine.progress())
            if outcome is None and now_s > longest_s:
                raise TimeoutError(f"the session did not end within {longest_s:g} simulated seconds")
            if outcome is not None:
                return outcome
            pace.wait(now_s)
        except KeyboardInterrupt:
            aborts += 1
            if aborts > 1:
                raise
            to_device, outcome = _turn(engine, device, recorder, now_s, to_device, (Command(CommandKind.ABORT),))
            if outcome is not None:
                return outcome


def _turn(
    engine: Engine,
    device: Device,
    recorder: RunWriter | None,
    now_s: float,
    to_device: bytes,
    commands: Sequence[Command],
) -> tuple[bytes, Outcome | None]:
    data = device.exchange(now_s, to_device)
    actions = engine.step(now_s, data, commands)
    if recorder is not None:
        write(recorder, actions.records)
    return actions.to_device, actions.outcome


class _Pace:
    """Keeps virtual time from running ahead of ``speed`` times real time."""

    def __init__(self, speed: float | None) -> None:
        self._speed = speed
        self._began_s = time.monotonic()

    def wait(self, now_s: float) -> None:
        if self._speed is not None:
            ahead_s = now_s / self._speed - (time.monotonic() - self._began_s)
            if ahead_s > 0.002:
                time.sleep(ahead_s)
