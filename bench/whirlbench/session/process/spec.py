"""What a session is made of: rig, plan, port and recording, all that its process has to be told."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import Protocol

from whirlbench.rig.toml import parse_rig
from whirlbench.session.engine import Engine
from whirlbench.session.plan import Clearance, parse_plan

BY_HAND_S = 1200.0  # a run by hand that the disk must have room for
RAMPS = 1.5  # of the steps' own time: ramps to their first values, and patience for rest


class Port(Protocol):
    """What a session needs of a port; ``wait(timeout_s)`` is used where a port has it.

    A port whose ``ends_with_session`` is true has its device within the session's process: it cannot be found again.
    """

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
    ``reconnect_s``: how long a port that was lost in mid-run is tried again. ``clearance`` of the fitted blade set:
    without one nothing is armed.
    """

    rig_text: str
    open_port: Callable[[], Port]
    plan_text: str = ""
    recording: str = ""
    keep_open: bool = False
    reset_first: bool = False
    origin: str = ""
    random_seed: int | None = None
    reconnect_s: float = 60.0
    clearance: Clearance | None = None

    def longest_s(self) -> float:
        """How long a run may take: the steps of its plan with their ramps, or an allowance for one by hand."""
        if not self.plan_text:
            return BY_HAND_S
        steps = parse_plan(self.plan_text).steps
        return RAMPS * sum(float(getattr(step, "duration_s", 0.0)) for step in steps)

    def engine(self) -> Engine:
        """Engine for this session; RigError or PlanError when rig and plan do not fit."""
        plan = parse_plan(self.plan_text) if self.plan_text else None
        return Engine(parse_rig(self.rig_text), plan, self.keep_open, self.reset_first, self.clearance)
