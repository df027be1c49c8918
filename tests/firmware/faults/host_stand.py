"""A session on the simulated stand in even steps, with a hand on the wire: what the host makes of a fault by itself.

The device's own rules never see what is changed on the wire here, so whatever ends such a run is the host's doing.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, field

from cleared_set import cleared

from whirlbench.link.framing import Unframer, frame
from whirlbench.link.messages import Message
from whirlbench.rig.toml import example_rig_text, parse_rig
from whirlbench.session.engine import Command, CommandKind, Engine, Outcome
from whirlbench.session.plan import parse_plan
from whirlbench.session.process import WillingOperator
from whirlbench.simulator.device.simulated_port import simulated_device
from whirlbench.simulator.stand import Fault

STEP_S = 0.005
RIG_TEXT = example_rig_text().replace("rest_ms = 1000", "rest_ms = 300")
PLAN_TEXT = """
[[step]]
kind = "hold"
throttle_us = 1160
pitch_deg = 8
duration_s = 60
[[step]]
kind = "coast-down"
"""
Tamper = Callable[[Message], Sequence[Message]]


@dataclass
class HostStand:
    """Engine and simulated device; ``tamper`` turns each message of the device into those that arrive."""

    seed: int = 1
    rig_text: str = RIG_TEXT
    faults: tuple[Fault, ...] = ()
    tamper: Tamper | None = None
    now_s: float = 0.0
    outcome: Outcome | None = None
    messages: list[str] = field(default_factory=list)

    def __post_init__(self) -> None:
        self.engine = Engine(parse_rig(self.rig_text), parse_plan(PLAN_TEXT), clearance=cleared(self.rig_text))
        self.device = simulated_device(self.rig_text, self.seed, self.faults)
        self.commands: list[Command] = []
        self._operator = WillingOperator().commands
        self._wire = Unframer()
        self._pending = b""
        self._number = 0

    def step(self) -> None:
        """One turn of the host's loop."""
        self.now_s += STEP_S
        data = self._arriving(self.device.exchange(self.now_s, self._pending))
        progress = self.engine.progress()
        commands, self.commands = [*self.commands, *self._operator(progress)], []
        actions = self.engine.step(self.now_s, data, commands, 0.0)
        self._pending, self.outcome = actions.to_device, actions.outcome
        if progress.message and progress.message not in self.messages[-1:]:
            self.messages.append(progress.message)

    def run(self, until_s: float, stop: Callable[[], bool] = lambda: False) -> None:
        """Steps until the session ends, ``stop`` says so, or ``until_s``."""
        while self.outcome is None and self.now_s < until_s and not stop():
            self.step()

    def turn(self) -> None:
        """Up to a steady hold; AssertionError when the session ended before."""
        self.run(30.0, lambda: self.engine.telemetry.latest.get("rpm", 0.0) > 300.0)
        assert self.outcome is None, self.outcome
        self.run(self.now_s + 0.3)

    def abort(self) -> None:
        """The operator's abort, in the next turn."""
        self.commands.append(Command(CommandKind.ABORT))

    def _arriving(self, data: bytes) -> bytes:
        messages = self._wire.feed(data)
        if self.tamper is None:
            return data
        arriving = [changed for message in messages for changed in self.tamper(message)]
        frames = []
        for message in arriving:
            frames.append(frame(message, self._number))
            self._number += 1
        return b"".join(frames)
