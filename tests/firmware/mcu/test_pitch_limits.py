"""Pitch limits on the compiled sketch: sweep, work out the limits, load the end points, and run inside them."""

from __future__ import annotations

from pathlib import Path

import pytest
from cleared_set import cleared
from mcu_stand import McuStand
from pitch_stands import rig_with

from whirlbench.analysis.conditions import air_density_kg_m3
from whirlbench.analysis.pitch_limits import mode_end_points, pitch_limits, servo_travel
from whirlbench.analysis.propeller import find_holds
from whirlbench.recording.attributes import RunAttributes
from whirlbench.recording.files import create, read_run
from whirlbench.rig.description import Rig
from whirlbench.samples import Run
from whirlbench.session.engine import Ending, Engine
from whirlbench.session.plan import Plan, parse_plan
from whirlbench.session.process import run_in_lockstep

TURN_S = 0.01
RAMPS = 'governor = "off"\nramp_us_per_s = 400\nramp_deg_per_s = 15\n'
PITCHES_DEG = (6.0, 10.0, 14.0, 17.0)
COAST = '[[step]]\nkind = "coast-down"\n'


class OnChip:
    """The compiled sketch as a lock-step device."""

    def __init__(self, stand: McuStand) -> None:
        self.stand = stand

    def exchange(self, now_s: float, data: bytes) -> bytes:
        """Bytes out, simulated time on, bytes in."""
        self.stand.write(data)
        self.stand.run(now_s)
        return self.stand.read()


def hold(throttle_us: float, pitch_deg: float, seconds: float) -> str:
    return f'[[step]]\nkind = "hold"\nthrottle_us = {throttle_us}\npitch_deg = {pitch_deg}\nduration_s = {seconds}\n'


def run_on_chip(rig: Rig, plan: Plan, path: Path) -> Run:
    """The recording of a plan on the compiled sketch; it must end as planned."""
    with McuStand(rig=rig, seed=4) as stand, create(path, RunAttributes.of_rig(rig, "")) as recorder:
        outcome = run_in_lockstep(Engine(rig, plan, clearance=cleared(rig)), OnChip(stand), recorder, step_s=TURN_S)
        recorder.close(outcome.ending.value, outcome.reason)
    assert outcome.ending is Ending.DONE, outcome.reason
    return read_run(path)


@pytest.mark.timeout(300)
def test_sweep_limits_end_points_and_a_run_inside_them(tmp_path: Path) -> None:
    rig = rig_with(thrust_n=75.0, power_w=3600.0)
    sweep = parse_plan(RAMPS + "".join(hold(us, deg, 3.6) for us in (1450, 1600) for deg in PITCHES_DEG) + COAST)
    # the sweep itself is watched by wider limits: it has to go a little beyond where the narrower ones will bind
    measured = run_on_chip(rig_with(thrust_n=135.0, power_w=3600.0), sweep, tmp_path / "sweep.h5")
    limits = pitch_limits(find_holds(measured).holds, rig, air_density_kg_m3(rig, "test"))
    speed = 4200.0
    narrow = replace_mode(rig, (3600.0, speed))
    low_us, high_us = servo_travel(mode_end_points(limits, narrow), "flight")
    assert high_us < 1700  # thrust binds before the mode's own 22 degrees

    loaded = with_travel(narrow, low_us, high_us)
    coarse_deg = 11.0 + (high_us - 1500) * 0.03
    plan = parse_plan(
        RAMPS
        + hold(1560, coarse_deg - 2.0, 2.0)
        + f"""
[[step]]
kind = "sweep"
servo_us = [{low_us}, {high_us}]
duration_s = 5
"""
        + COAST
    )
    verified = run_on_chip(loaded, plan, tmp_path / "verified.h5")
    turning = verified.slow.rpm > 1000.0
    assert verified.slow.rpm.max() <= speed
    assert verified.slow.thrust_n[turning].max() <= 75.0
    assert verified.slow.thrust_n[turning].max() > 55.0  # the limit was approached, not avoided
    assert not [event for event in verified.events if event.kind in ("trip", "abort")]


def replace_mode(rig: Rig, rpm: tuple[float, float]) -> Rig:
    import msgspec

    flight = msgspec.structs.replace(rig.modes["flight"], rpm=rpm)
    return msgspec.structs.replace(rig, modes={"flight": flight})


def with_travel(rig: Rig, low_us: int, high_us: int) -> Rig:
    import msgspec

    return msgspec.structs.replace(
        rig, pitch=msgspec.structs.replace(rig.pitch, min_us=low_us, max_us=high_us, safe_us=low_us)
    )
