"""Trends on simulated runs: the short form of tests/benchmarks/safety/trends.py, which has the healthy hours.

Caution before the trip for a crack, long before any for a loose link; a blade that leaves without a crack gives none.
"""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from whirlbench.recording import files
from whirlbench.rig.toml import example_rig_text, parse_rig
from whirlbench.safety.back_test import back_test, rules_for
from whirlbench.safety.host_rules import trend_rules
from whirlbench.simulator.runs import Schedule, SetPoint, simulate_run
from whirlbench.simulator.stand import BladeLoss, PlantSettings

RIG = parse_rig(example_rig_text())
DEMOS = Path(__file__).parents[2] / "recordings"
AXES = ("ay_g", "az_g")


def demo(name):
    return files.open_recording(DEMOS / f"{name}.h5").run()


def cautions(run):
    return {trip.rule: trip.at_s for trip in back_test(run, trend_rules(RIG))}


def test_a_healthy_run_with_gusts_warm_up_and_pitch_changes_cautions_of_nothing():
    rng = np.random.default_rng(3)
    settings = replace(PlantSettings.from_rig(RIG).varied(rng), capacity_ah=40.0)
    points = [SetPoint(2.0, throttle_us=1450.0, pitch_deg=8.0, ramp_s=2.0), SetPoint(24.0, pitch_deg=11.0),
              SetPoint(46.0, throttle_us=1530.0, pitch_deg=8.0), SetPoint(62.0, throttle_us=1450.0)]  # fmt: skip
    run = simulate_run(settings, Schedule(tuple(points), 75.0), rng, (), 100.0, 800.0, AXES)
    rules = trend_rules(RIG)
    assert back_test(run, rules) == ()
    assert all(rule.judged_frames >= 60 for rule in rules)


@pytest.mark.parametrize("name", ["proof_spin", "lost_tach"])
def test_healthy_recordings_caution_of_nothing(name):
    assert cautions(demo(name)) == {}


def test_a_crack_cautions_long_before_the_blade_leaves_and_the_device_trips():
    run = demo("root_crack")
    trip = back_test(run, rules_for(run, RIG))[0]
    found = cautions(run.between(0.0, 63.0))
    assert set(found) == {"drift_1p_pct"}
    assert 38.0 < found["drift_1p_pct"] <= 50.0
    assert trip.at_s - found["drift_1p_pct"] >= 13.0


def test_a_loose_link_cautions_by_thrust_and_current_where_no_limit_would_trip():
    run = demo("loose_pitch_link")
    found = cautions(run)
    assert set(found) == {"drift_thrust_pct", "drift_current_pct"}
    assert 35.0 < min(found.values()) <= 40.0
    assert back_test(run, rules_for(run, RIG)) == ()


def test_hunting_cautions_before_power_and_current_pass_their_limits():
    run = demo("governor_hunting")
    trip = back_test(run, rules_for(run, RIG))[0]
    assert 25.0 < cautions(run)["hunting_pct"] < trip.at_s


def test_a_blade_that_leaves_at_once_gives_no_caution_before_the_trip():
    """Said as it is: no trend foresees what has no beginning; the device's vibration limit acts within a window."""
    schedule = Schedule((SetPoint(1.0, throttle_us=1450.0, pitch_deg=8.0, ramp_s=2.0),), 24.0)
    run = simulate_run(
        PlantSettings.from_rig(RIG), schedule, np.random.default_rng(5), (BladeLoss(20.0),), 100.0, 1600.0, AXES
    )
    trip = back_test(run, rules_for(run, RIG))[0]
    assert trip.rule == "vibration_g_rms" and trip.at_s < 20.1
    assert min(cautions(run).values()) > trip.at_s
