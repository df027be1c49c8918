"""Back-tests on arrays: the first trip of each rule, in order of time."""

import numpy as np
import pytest

from whirlbench.rig.description import Propeller, Rig, with_limits
from whirlbench.safety.back_test import back_test, rules_for
from whirlbench.samples import Run, SlowSamples, TachPulses, VibrationSamples


def run_up(with_tach=True, vibration=True):
    """Speed rises evenly to 7000 rpm within 7 s, shaking grows with it."""
    time_s = np.arange(0, 7, 0.01)
    slow = SlowSamples(time_s, rpm=1000 * time_s, current_a=10 * time_s)
    turns = np.arange(1, int(500 * 49 / 60) + 1)
    edges_s = np.sqrt(turns * 60 / 500)  # angle of an even ramp: 500 t^2 / 60 turns
    shake_s = np.arange(0, 7, 1 / 1600)
    shake_g = np.sin(2 * np.pi * 100 * shake_s) * np.sqrt(2) * shake_s
    return Run(
        slow=slow,
        tach=TachPulses(edges_s if with_tach else np.empty(0)),
        vibration=VibrationSamples(shake_s, ax_g=shake_g, rate_hz=1600.0) if vibration else VibrationSamples(),
    )


RIG = Rig(propeller=Propeller(diameter_m=0.5))
LIMITS = with_limits(RIG, overspeed_rpm=6000, vibration_g_rms=5.0, current_a=40.0)


def test_trips_come_in_order_of_time():
    run = run_up()
    trips = back_test(run, rules_for(run, LIMITS))
    assert [trip.rule for trip in trips] == ["current_a", "vibration_g_rms", "overspeed_rpm"]
    assert [trip.at_s for trip in trips] == pytest.approx([4.01, 5.03, 6.01], abs=0.03)


def test_without_tach_the_speed_channel_is_judged():
    run = run_up(with_tach=False)
    trips = {trip.rule: trip for trip in back_test(run, rules_for(run, LIMITS))}
    assert trips["overspeed_rpm"].at_s == pytest.approx(6.01, abs=0.011)


def test_what_was_not_recorded_does_not_fire():
    run = Run(slow=SlowSamples(np.arange(10.0)))
    limits = with_limits(
        RIG,
        overspeed_rpm=1, vibration_g_rms=0.1, current_a=1, thrust_n=1, power_w=1, minimum_voltage_v=99,
        tip_mach=0.1, lost_tach_ms=100,
    )  # fmt: skip
    assert back_test(run, rules_for(run, limits)) == ()
    assert back_test(Run(), rules_for(Run(), limits)) == ()


def test_rules_can_be_used_again():
    run = run_up()
    rules = rules_for(run, LIMITS)
    assert back_test(run, rules) == back_test(run, rules)


def test_a_gap_in_vibration_is_not_bridged():
    run = run_up()
    shake = run.vibration
    keep = (shake.time_s < 4.0) | (shake.time_s > 4.02)
    cut = VibrationSamples(shake.time_s[keep], ax_g=shake.ax_g[keep], rate_hz=1600.0)
    run = Run(vibration=cut)
    trips = back_test(run, rules_for(run, with_limits(RIG, vibration_g_rms=5.0)))
    assert trips[0].at_s == pytest.approx(5.03, abs=0.03)
