"""A session on the simulated stand without a clock: what the engine's tests drive."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, field

import numpy as np
import pytest
from cleared_set import cleared

from whirlbench.rig.toml import example_rig_text, parse_rig
from whirlbench.samples import Event
from whirlbench.session.engine import Command, Engine, Outcome, Progress, Record, SlowRecord
from whirlbench.session.plan import parse_plan
from whirlbench.session.process import WillingOperator
from whirlbench.simulator.device.device import SimulatedDevice
from whirlbench.simulator.device.simulated_port import simulated_device

STEP_S = 0.004
# The example rig with a short rest time and a slow hold, so that coast-downs do not fill the tests.
RIG_TEXT = example_rig_text().replace("rest_ms = 1000", "rest_ms = 300")
PLAN_TEXT = """
[[step]]
kind = "hold"
throttle_us = 1160
pitch_deg = 8
duration_s = 0.5
[[step]]
kind = "coast-down"
"""
LONG_PLAN = PLAN_TEXT.replace("duration_s = 0.5", "duration_s = 300")


@dataclass
class Bench:
    """Engine and simulated device on one virtual clock, with hooks into the wire and the surface."""

    engine: Engine
    device: SimulatedDevice
    records: list[Record] = field(default_factory=list)
    now_s: float = 0.0
    step_s: float = STEP_S
    to_host: Callable[[float, bytes], bytes] = lambda now_s, data: data
    to_device: Callable[[float, bytes], bytes] = lambda now_s, data: data
    surface_age_s: Callable[[float], float] = lambda now_s: 0.0
    operator: Callable[[Progress], Sequence[Command]] = field(default_factory=lambda: WillingOperator().commands)
    _pending: bytes = b""

    def run(self, until_s: float = 120.0, stop: Callable[[Bench], bool] = lambda bench: False) -> Outcome | None:
        """Steps until the engine ends, ``stop`` says so, or ``until_s`` is reached."""
        while self.now_s < until_s and not stop(self):
            if self.step() is not None:
                break
        return self.step()

    def step(self, commands: Sequence[Command] = ()) -> Outcome | None:
        """One step, of one or two slow samples; a session that waits for the port takes one each."""
        self.now_s += self.step_s
        data = self.device.exchange(self.now_s, self.to_device(self.now_s, self._pending))
        given = [*commands, *self.operator(self.engine.progress())]
        age_s = self.surface_age_s(self.now_s)
        actions = self.engine.step(self.now_s, self.to_host(self.now_s, data), given, age_s)
        self._pending = actions.to_device
        self.records += actions.records
        return actions.outcome

    def events(self, kind: str = "") -> list[Event]:
        """Recorded events, of one kind if given."""
        return [item for item in self.records if isinstance(item, Event) and kind in ("", item.kind)]

    def channel(self, name: str) -> np.ndarray:
        """A slow channel as recorded."""
        return np.concatenate([item.values[name] for item in self.records if isinstance(item, SlowRecord)])

    def times_s(self) -> np.ndarray:
        """Times of the slow samples as recorded."""
        return np.concatenate([item.time_s for item in self.records if isinstance(item, SlowRecord)])

    def turning(self) -> bool:
        """Whether the propeller turns at a hold."""
        return self.engine.telemetry.latest.get("rpm", 0.0) > 300


def build_bench(
    plan_text: str = PLAN_TEXT, rig_text: str = RIG_TEXT, seed: int = 1, faults: Sequence = (), **options: object
) -> Bench:
    """A fresh bench with a cleared blade set; ``options`` go to the engine."""
    plan = parse_plan(plan_text) if plan_text else None
    rig = parse_rig(rig_text)
    engine = Engine(rig, plan, **{"clearance": cleared(rig), **options})  # type: ignore[arg-type]
    return Bench(engine, simulated_device(rig_text, seed, faults))


@pytest.fixture
def make_bench() -> Callable[..., Bench]:
    """Builder of benches, for tests that need their own rig, plan or faults."""
    return build_bench


@pytest.fixture
def bench() -> Bench:
    """Engine and device with the quick rig and a short plan."""
    return build_bench()


@pytest.fixture
def long_bench() -> Bench:
    """The same with a hold of five minutes, for what interrupts it."""
    return build_bench(LONG_PLAN)


@pytest.fixture
def rig_text() -> str:
    """TOML of the quick rig."""
    return RIG_TEXT
