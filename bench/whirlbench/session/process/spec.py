"""What a session is made of: rig, plan, port and recording, all that its process has to be told."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import Protocol

from whirlbench.rig.toml import parse_rig
from whirlbench.session.engine import Engine
from whirlbench.session.plan import parse_plan


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
