"""The proof plan of `check`, spun on the simulated stand: nothing trips, and no stage turns faster than planned."""

from __future__ import annotations

import re

import pytest
from cleared_set import cleared

from whirlbench.analysis.strength import check_strength, plan_text
from whirlbench.rig.toml import example_rig_text, parse_rig
from whirlbench.session.engine import Ending, Engine, Progress
from whirlbench.session.plan import parse_plan
from whirlbench.session.process import run_in_lockstep
from whirlbench.simulator.device.simulated_port import simulated_device

SHORT_HOLD_S = 2.5


def test_the_exported_proof_runs_and_stays_below_its_speeds() -> None:
    rig_text = example_rig_text()
    rig = parse_rig(rig_text)
    check = check_strength(rig)
    text = plan_text(check.plan, rig, check.fitted.name)
    short = re.sub(r"duration_s = \d+", f"duration_s = {SHORT_HOLD_S:g}", text)
    device = simulated_device(rig_text, 11)
    fastest: dict[int, float] = {}

    def watch(progress: Progress) -> None:
        fastest[progress.step] = max(fastest.get(progress.step, 0.0), float(device.plant.state.rpm))

    outcome = run_in_lockstep(
        Engine(rig, parse_plan(short), clearance=cleared(rig)), device, progress=watch, step_s=0.01
    )
    assert outcome.ending is Ending.DONE, outcome
    assert max(fastest.values()) < check.plan.proof_rpm
    assert max(fastest.values()) == pytest.approx(check.plan.proof_rpm, rel=0.08)
