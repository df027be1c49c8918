"""The truth that analyses are judged by: consistent with itself, with the drive and with mechanics."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest
import steady_truth as truth

from whirlbench.simulator.stand import PlantSettings
from whirlbench.units import rad_s_from_rpm


def test_throttle_map_inverts_the_speed_map(settings):
    rpm = np.array([1500.0, 3000.0, 4500.0, 5200.0])
    pitch = np.array([4.0, 10.0, 18.0, 22.0])
    there = truth.steady_at_rpm(settings, rpm, pitch)
    back = truth.steady_at_throttle(settings, there.throttle_us, pitch)
    assert back.rpm == pytest.approx(rpm, rel=1e-6)


def test_power_balance_of_the_map(settings):
    point = truth.steady_at_rpm(settings, np.array([3000.0, 5000.0]), 14.0)
    losses = settings.drive.motor_ohm * point.motor_current_a**2
    assert np.all(point.power_w > point.shaft_power_w + losses)
    assert point.shaft_power_w == pytest.approx(point.torque_n_m * rad_s_from_rpm(point.rpm))
    assert point.cp / (2 * math.pi) == pytest.approx(
        point.torque_n_m / (settings.air.density_kg_m3 * (point.rpm / 60) ** 2 * settings.diameter_m**5)
    )


def test_what_the_drive_cannot_hold_is_nan(settings):
    point = truth.steady_at_rpm(settings, np.array([5000.0, 9000.0]), 14.0)
    assert np.isfinite(point.current_a).tolist() == [True, False]


def test_wide_open_and_shut(settings):
    ends = truth.steady_at_throttle(settings, np.array([1000.0, 1100.0, 1900.0, 2000.0]), 10.0)
    assert ends.rpm[:2].tolist() == [0.0, 0.0]
    assert ends.rpm[2] == pytest.approx(ends.rpm[3]) and ends.rpm[2] > 5000.0


def test_linear_gains_are_slopes_of_the_map(settings):
    near = truth.linear_dynamics(settings, 4500.0, 12.0)
    throttle = float(truth.steady_at_rpm(settings, np.array(4500.0), np.array(12.0)).throttle_us)
    ahead, behind = truth.steady_at_throttle(settings, throttle + np.array([1.0, -1.0]), 12.0).rpm
    assert near.throttle_gain_rpm_per_us == pytest.approx((ahead - behind) / 2.0, rel=1e-3)
    coarse, fine = truth.steady_at_throttle(settings, throttle, 12.0 + np.array([0.1, -0.1])).rpm
    assert near.pitch_gain_rpm_per_deg == pytest.approx((coarse - fine) / 0.2, rel=0.02)


def test_time_constant_follows_inertia(settings):
    light, heavy = (
        truth.linear_dynamics(replace(settings, inertia_kg_m2=inertia), 4500.0, 12.0).rotor_time_constant_s
        for inertia in (4e-3, 8e-3)
    )
    assert heavy == pytest.approx(2.0 * light)


def test_example_rig_reaches_its_limits_where_a_demonstration_needs_them(settings):
    limits = settings.rig.limits
    flight = settings.rig.modes["flight"]
    pitch = np.arange(2.0, 26.0, 0.1)
    fast = truth.steady_at_rpm(settings, flight.rpm[1], pitch)
    slow = truth.steady_at_rpm(settings, flight.rpm[0], pitch)
    over = pitch[fast.current_a > limits.current_a]
    assert flight.min_pitch_deg + 5.0 < over[0] < flight.max_pitch_deg
    assert np.all(slow.current_a < limits.current_a)
    assert fast.shaft_power_w[pitch < over[0]][-1] == pytest.approx(3500.0, rel=0.15)
    runaway = truth.steady_at_throttle(settings, 1900.0, np.array([flight.min_pitch_deg, flight.max_pitch_deg]))
    assert runaway.rpm[0] > limits.overspeed_rpm > runaway.rpm[1]
    ground = settings.rig.modes["ground"]
    idle = truth.steady_at_rpm(settings, ground.rpm[0], ground.min_pitch_deg)
    assert settings.rig.throttle.min_us < idle.throttle_us < 1400.0


def test_random_stands_are_plausible_and_differ(rng):
    stands = [PlantSettings.random(rng) for _ in range(40)]
    at = [truth.steady_at_rpm(stand, np.array(4500.0), np.array(12.0)) for stand in stands]
    thrust = np.array([float(point.thrust_n) for point in at])
    assert thrust.std() > 2.0 and thrust.min() > 40.0 and thrust.max() < 160.0
    assert all(0.3 < float(point.duty) < 0.9 for point in at)
    assert len({stand.stand.unbalance_deg for stand in stands}) == 40
