"""The whole spine on the compiled sketch: plant, chip, wire, session engine, recorder, and the recording read back.

Session and chip share simulated time (``whirlbench.session.process.lockstep``), so these runs are exact and repeatable.
"""

from __future__ import annotations

import re
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import pytest
from cleared_set import cleared
from mcu import ESC, Pulse
from mcu_stand import McuStand

from whirlbench.recording.attributes import RunAttributes
from whirlbench.recording.files import create, open_recording
from whirlbench.rig.toml import example_rig_text, parse_rig
from whirlbench.samples import Run
from whirlbench.session.engine import Ending, Engine, Outcome
from whirlbench.session.plan import parse_plan
from whirlbench.session.process import run_in_lockstep
from whirlbench.simulator.stand import Fault, Runaway

RIG_TEXT = example_rig_text().replace("rest_ms = 1000", "rest_ms = 300")
PLAN_TEXT = """
governor = "off"
ramp_us_per_s = 400
[[step]]
kind = "hold"
throttle_us = 1400
pitch_deg = 4
duration_s = 3
[[step]]
kind = "coast-down"
"""
TURN_S = 0.005
LIMIT_RPM = 4500
HOST_LIMITS = ("current_a", "thrust_n", "power_w", "minimum_voltage_v", "vibration_g_rms")


@dataclass(frozen=True)
class Session:
    """How a session on a fresh chip went, seen from outside the chip."""

    outcome: Outcome
    counters: dict[str, int]
    esc: list[Pulse]


def record(board: str, path: Path, rig_text: str = RIG_TEXT, faults: tuple[Fault, ...] = ()) -> Session:
    """One session, recorded to ``path``."""
    rig = parse_rig(rig_text)
    engine = Engine(rig, parse_plan(PLAN_TEXT, "plan"), clearance=cleared(rig))
    attributes = RunAttributes.of_rig(rig, rig_text, plan_text=PLAN_TEXT, origin="compiled sketch on a simulated board")
    with McuStand(board, rig, seed=3, faults=faults) as stand, create(path, attributes) as recorder:
        outcome = run_in_lockstep(engine, stand, recorder, step_s=TURN_S, longest_s=120.0)
        recorder.close(outcome.ending.value, outcome.reason)
        esc = [pulse for pulse in stand.mcu.pulses if pulse.output == ESC]
        return Session(outcome, stand.counters, esc)


def read_back(path: Path) -> Run:
    with open_recording(path) as recording:
        assert not recording.problems
        return recording.run()


def test_a_planned_run_is_recorded_without_a_loss(tmp_path: Path) -> None:
    session = record("atmega328p", tmp_path / "run.h5")
    assert session.outcome.ending is Ending.DONE, session.outcome.reason
    run = read_back(tmp_path / "run.h5")
    rpm = run.slow.rpm[np.isfinite(run.slow.rpm)]
    assert 1500 < rpm.max() < 6000 and rpm[-1] == 0
    assert len(run.tach.time_s) == session.counters["tach_edges"]
    losses = ("stray_pulses", "receive_lost", "samples_lost", "samples_missing", "conversions_spoilt")
    assert {name: session.counters[name] for name in losses} == dict.fromkeys(losses, 0)


def test_a_runaway_is_tripped_by_the_chip_and_the_recording_tells_why(tmp_path: Path) -> None:
    """Fine pitch, and a controller that drives at full duty by itself: the chip sees the speed before the host does."""
    alone = re.sub(rf"^({'|'.join(HOST_LIMITS)}) = .*$", "", RIG_TEXT, flags=re.MULTILINE)
    alone = re.sub(r"^overspeed_rpm = \d+", f"overspeed_rpm = {LIMIT_RPM}", alone, flags=re.MULTILINE)
    session = record("atmega2560", tmp_path / "run.h5", alone, (Runaway(start_s=3.5, growth_s=0.5),))
    assert session.outcome.ending is Ending.TRIPPED, session.outcome
    run = read_back(tmp_path / "run.h5")
    (trip,) = [event for event in run.events if event.kind == "trip"]
    assert "overspeed" in trip.name
    over = np.flatnonzero(60.0 / np.diff(run.tach.time_s) > LIMIT_RPM)
    assert len(over) and trip.time_s == pytest.approx(run.tach.time_s[over[0] + 1], abs=1e-5)
    assert session.esc[-1].width_us == pytest.approx(1000, abs=1)
