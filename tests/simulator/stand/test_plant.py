"""The plant in time against closed forms: energy, steady state, step response, edges, determinism."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest
import steady_truth as truth
from textbook_formulas import ideal_thrust_n

from whirlbench.simulator.stand import Plant, PlantSettings, StateHistory
from whirlbench.units import rad_s_from_rpm

SERVO_8, SERVO_14 = 1400.0, 1600.0


def settled(settings: PlantSettings, throttle_us: float, servo_us: float, seconds: float = 6.0) -> Plant:
    plant = Plant(settings, np.random.default_rng(1))
    plant.advance(seconds, throttle_us, servo_us)
    return plant


@pytest.mark.parametrize(("throttle_us", "servo_us"), [(1300, SERVO_8), (1500, SERVO_14), (1700, 1000.0), (1890, 1800)])
def test_steady_state_is_the_static_map(calm, throttle_us, servo_us):
    plant = settled(calm, throttle_us, servo_us)
    state = plant.state
    true = truth.steady_at_throttle(calm, np.array(throttle_us), np.array(state.pitch_deg), plant.pack.open_v)
    assert state.rpm == pytest.approx(float(true.rpm), rel=1e-3)
    again = truth.steady_at_rpm(calm, np.array(state.rpm), np.array(state.pitch_deg), plant.pack.open_v)
    assert state.thrust_n == pytest.approx(float(again.thrust_n), rel=1e-4)
    assert state.torque_n_m == pytest.approx(float(again.torque_n_m), rel=1e-4)
    assert state.motor_current_a == pytest.approx(float(again.motor_current_a), rel=2e-3)


def test_power_in_is_power_out_plus_named_losses(calm):
    plant = settled(calm, 1700, SERVO_14, 8.0)
    state, drive = plant.state, calm.drive
    electric = state.voltage_v * (state.current_a - calm.controller.idle_current_a)
    speed = rad_s_from_rpm(state.rpm)
    copper = drive.motor_ohm * state.motor_current_a**2
    gear_and_iron = (
        drive.volt_s_per_rad
        * speed
        * (state.motor_current_a - drive.gear_efficiency * (state.motor_current_a - drive.no_load_current_a))
    )
    idle = drive.pack_ohm * calm.controller.idle_current_a * (state.current_a - calm.controller.idle_current_a)
    assert electric + idle == pytest.approx(state.torque_n_m * speed + copper + gear_and_iron, rel=1e-3)
    assert state.voltage_v == pytest.approx(plant.pack.open_v - drive.pack_ohm * state.current_a)


def test_thrust_stays_below_the_actuator_disk(settings):
    plant = Plant(settings, np.random.default_rng(3), keep=True)
    plant.advance(4.0, 1500, SERVO_8)
    plant.advance(8.0, 1900, 1800)
    rows = plant.history.rows()
    power = rows[:, StateHistory.TORQUE] * rows[:, StateHistory.SPEED]
    turning = rows[:, StateHistory.SPEED] > 100.0
    ideal = ideal_thrust_n(power[turning], settings.diameter_m, settings.air.density_kg_m3)
    assert np.all(rows[turning, StateHistory.THRUST] < 0.9 * ideal)


def test_small_throttle_step_has_the_true_gain_and_time_constants(calm):
    quiet = replace(calm, capacity_ah=1e6)
    plant = Plant(quiet, np.random.default_rng(1), keep=True)
    plant.advance(6.0, 1600, SERVO_14)
    start = plant.state
    plant.advance(8.0, 1604, SERVO_14)
    true = truth.linear_dynamics(quiet, start.rpm, start.pitch_deg)
    rows = plant.history.rows()[6000:]
    rise = (rows[:, StateHistory.SPEED] - rows[0, StateHistory.SPEED]) * 60.0 / (2.0 * math.pi)
    assert rise[-1] == pytest.approx(4.0 * true.throttle_gain_rpm_per_us, rel=0.01)
    after = rows[:, StateHistory.TIME] - 6.0 - true.controller_dead_time_s
    rotor, lag = true.rotor_time_constant_s, true.controller_lag_s
    model = 1.0 - (rotor * np.exp(-after / rotor) - lag * np.exp(-after / lag)) / (rotor - lag)
    model[after < 0.0] = 0.0
    assert np.abs(rise / rise[-1] - model).max() < 0.012


def test_pitch_step_has_the_true_gain(calm):
    quiet = replace(calm, capacity_ah=1e6)
    plant = settled(quiet, 1600, SERVO_14)
    before = plant.state
    plant.advance(9.0, 1600, SERVO_14 + 10.0)
    change = plant.state.rpm - before.rpm
    middle = truth.linear_dynamics(quiet, 0.5 * (before.rpm + plant.state.rpm), before.pitch_deg + 0.15)
    assert change == pytest.approx(0.3 * middle.pitch_gain_rpm_per_deg, rel=0.02)


def test_edges_come_at_whole_turns(calm):
    plant = Plant(calm, np.random.default_rng(1), keep=True)
    plant.advance(4.0, 1500, SERVO_8)
    edges = np.array(plant.take_edges())
    rows = plant.history.rows()
    turns = np.interp(edges, rows[:, StateHistory.TIME], rows[:, StateHistory.ANGLE]) / (2.0 * math.pi)
    assert len(edges) > 100
    assert np.abs(turns - np.rint(turns)).max() < 1e-4
    assert np.array_equal(np.rint(turns), np.arange(1, len(edges) + 1))
    assert 60.0 / np.diff(edges[-2:])[0] == pytest.approx(plant.state.rpm, rel=1e-4)


def test_speed_between_edges_is_exact_while_it_changes(calm):
    plant = Plant(calm, np.random.default_rng(1), keep=True)
    plant.advance(3.0, 1700, SERVO_8)
    plant.advance(6.0, 1000, SERVO_8)
    edges = np.array(plant.take_edges())
    assert np.all(np.diff(edges) > 0.0)
    rows = plant.history.rows()
    mean = np.diff(np.interp(edges, rows[:, StateHistory.TIME], np.cumsum(rows[:, StateHistory.SPEED]) * 0.001))
    assert mean == pytest.approx(2.0 * math.pi, rel=0.02)


def test_comes_to_rest_and_stays_there(settings):
    plant = settled(settings, 1500, SERVO_8, 3.0)
    plant.advance(25.0, 1000, SERVO_8)
    assert plant.state.rpm == 0.0
    plant.take_edges()
    plant.advance(30.0, 1000, SERVO_8)
    assert plant.take_edges() == [] and plant.state.rpm == 0.0


def test_pack_sags_at_once_and_discharges_slowly(settings):
    plant = Plant(settings, np.random.default_rng(2))
    plant.advance(1.0, 1000, SERVO_8)
    rested = plant.state
    plant.advance(3.0, 1800, SERVO_14)
    early = plant.state
    plant.advance(60.0, 1800, SERVO_14)
    late = plant.state
    assert early.voltage_v < rested.voltage_v - 0.7 * settings.drive.pack_ohm * early.current_a
    assert late.voltage_v < early.voltage_v - 0.2
    used_ah = 0.5 * (early.current_a + late.current_a) * 57.0 / 3600.0
    assert (early.charge - late.charge) * settings.capacity_ah == pytest.approx(used_ah, rel=0.02)


@pytest.mark.parametrize("chunk_s", [0.001, 0.0137, 0.25])
def test_one_seed_one_run_however_it_is_cut(settings, chunk_s):
    whole, cut = (Plant(settings, np.random.default_rng(7)) for _ in range(2))
    whole.advance(2.0, 1500, SERVO_14)
    time_s = 0.0
    while time_s < 2.0:
        time_s = min(2.0, time_s + chunk_s)
        cut.advance(time_s, 1500, SERVO_14)
    assert cut.state == whole.state
    assert cut.take_edges() == whole.take_edges()


def test_another_seed_is_another_run(settings):
    one, other = (Plant(settings, np.random.default_rng(seed)) for seed in (1, 2))
    for plant in (one, other):
        plant.advance(3.0, 1500, SERVO_14)
    assert one.state.rpm != other.state.rpm


def test_gusts_have_the_stated_size_and_memory(settings):
    plant = Plant(replace(settings, air=replace(settings.air, gust_share=0.02)), np.random.default_rng(5), keep=True)
    plant.advance(150.0, 1600, SERVO_14)
    rows = plant.history.rows()[10000::10]
    steady = truth.loads(settings, rows[:, StateHistory.SPEED] * 60 / (2 * math.pi), rows[:, StateHistory.PITCH])[0]
    gust = (rows[:, StateHistory.THRUST] / steady - 1.0) * rows[:, StateHistory.SPEED] * 60 / (2 * math.pi) / 4500.0
    assert np.std(gust) == pytest.approx(0.02, rel=0.2)
    lag = round(settings.air.gust_s / 0.01)
    assert np.corrcoef(gust[:-lag], gust[lag:])[0, 1] == pytest.approx(math.exp(-1.0), abs=0.2)


def test_governing_controller_holds_its_request(governed_rig):
    settings = PlantSettings.from_rig(governed_rig)
    plant = Plant(settings, np.random.default_rng(1))
    plant.advance(4.0, 1500.0, SERVO_8)
    assert plant.state.rpm == pytest.approx(3750.0, rel=0.002)  # middle of the example's request table
    plant.advance(5.0, 1500.0, SERVO_14)
    plant.advance(8.0, 1500.0, SERVO_14)
    assert plant.state.rpm == pytest.approx(3750.0, rel=0.002)


def test_every_random_plant_with_governor_settles(governed_rig, rng):
    for _ in range(12):
        settings = PlantSettings.from_rig(governed_rig).varied(rng, 0.25)
        plant = Plant(settings, rng, keep=True)
        plant.advance(6.0, 1500.0, SERVO_14)
        speeds = plant.history.rows()[4000:, StateHistory.SPEED] * 60.0 / (2.0 * math.pi)
        assert speeds.mean() == pytest.approx(3750.0, rel=0.005) and speeds.std() < 20.0


def test_free_play_shows_as_a_gap_between_the_two_ways(settings):
    loose = replace(settings, servo=replace(settings.servo, free_play_deg=1.0, dead_band_us=0.0))
    plant = Plant(loose, np.random.default_rng(1))
    plant.advance(1.0, 1000, 1500.0)
    from_below = plant.state.pitch_deg
    plant.advance(2.0, 1000, 1700.0)
    plant.advance(4.0, 1000, 1500.0)
    assert plant.state.pitch_deg - from_below == pytest.approx(1.0, abs=0.02)


def test_servo_moves_no_faster_than_its_slew(settings):
    plant = Plant(settings, np.random.default_rng(1), keep=True)
    plant.advance(1.0, 1000, 1900.0)
    position = plant.history.rows()[:, StateHistory.SERVO]
    assert np.diff(position).max() * 1000.0 == pytest.approx(settings.servo.slew_us_per_s, rel=1e-6)
    assert position[-1] == pytest.approx(1900.0, abs=settings.servo.dead_band_us)


def test_a_large_step_agrees_with_an_independent_integrator(calm):
    from scipy.integrate import solve_ivp

    settings = replace(calm, capacity_ah=1e6)
    drive, controller = settings.drive, settings.controller
    plant = Plant(settings, np.random.default_rng(1), keep=True)
    plant.advance(1.0, 1000, SERVO_8)
    plant.advance(3.0, 1700, SERVO_8)

    def rates(time_s: float, state: np.ndarray) -> list[float]:
        duty, speed = state
        aim = 0.75 if time_s >= 1.0 + controller.dead_time_s else 0.0
        ampere = max(0.0, (duty * settings.open_voltage_v - drive.volt_s_per_rad * speed))
        ampere /= drive.motor_ohm + duty**2 * drive.pack_ohm
        push = drive.volt_s_per_rad * drive.gear_efficiency * (ampere - drive.no_load_current_a)
        load = float(truth.loads(settings, np.array(speed * 30.0 / math.pi), np.array(8.0))[1])
        gain = (push - load) / settings.inertia_kg_m2
        return [(aim - duty) / controller.lag_s, gain if speed > 0.0 or gain > 0.0 else 0.0]

    answer = solve_ivp(rates, (1.0, 3.0), [0.0, 0.0], max_step=0.0005, dense_output=True)
    rows = plant.history.rows()[1000:]
    expected = answer.sol(rows[:, StateHistory.TIME])[1]
    assert np.abs(rows[:, StateHistory.SPEED] - expected).max() < 0.01 * expected[-1]
    assert rows[-1, StateHistory.SPEED] == pytest.approx(expected[-1], rel=1e-3)
