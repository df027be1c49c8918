"""A session that stands still: what the window asks of a SessionHandle, without a process behind it."""

from __future__ import annotations

from whirlbench.session.engine import Command, CommandKind, Outcome, Progress
from whirlbench.session.process import SharedView


class HeldSession:
    """Keeps the commands it is given; ``progress`` and ``ended`` are what it reports."""

    def __init__(self, phase: str, state: str) -> None:
        self.view = SharedView()
        self.progress = Progress(phase=phase, state=state)
        self.ended: Outcome | None = None
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
        return self.progress

    def outcome(self) -> Outcome | None:
        return self.ended

    def alive(self) -> bool:
        return self.ended is None

    def close(self) -> None:
        self.view.close()
        self.view.unlink()
