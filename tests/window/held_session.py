"""A session that stands still: what the window asks of a SessionHandle, without a process behind it."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace

from whirlbench.session.engine import Command, CommandKind, Outcome, Progress
from whirlbench.session.process import SharedView


class HeldSession:
    """Keeps the commands it is given; ``progress`` and ``ended`` are what it reports.

    Its samples go on coming, a fiftieth of a second apart, until it is ``silent``; ``lives`` is its process.
    """

    def __init__(self, phase: str, state: str, values: Mapping[str, float] | None = None) -> None:
        self.view = SharedView()
        self.progress = Progress(phase, state, values=values or {}, counters={"good": 1, "heartbeats": 1})
        self.ended: Outcome | None = None
        self.silent, self.lives = False, True
        self.commands: list[tuple[CommandKind, float]] = []
        self.said: list[Command] = []  # commands with words

    def command(self, kind: CommandKind | Command, value: float = 0.0) -> None:
        if isinstance(kind, Command):
            self.said.append(kind)
        else:
            self.commands.append((kind, value))

    def heard(self) -> None:
        self.view.heard()

    def state(self) -> Progress:
        if not self.silent:
            self.progress = replace(self.progress, time_s=self.progress.time_s + 0.02)
        return self.progress

    def outcome(self) -> Outcome | None:
        return self.ended

    def alive(self) -> bool:
        return self.lives and self.ended is None

    def close(self) -> None:
        self.view.close()
        self.view.unlink()
