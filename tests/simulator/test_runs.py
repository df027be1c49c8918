"""Quick runs: what a reader of their recording sees, commands, governors, determinism."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
import steady_truth as truth
from mount_response import response_m_s2_per_n

from whirlbench.rig.toml import example_rig_text, parse_rig
from whirlbench.samples import TachPulses, speed_from_pulses
from whirlbench.simulator.runs import simulate_run, speed_seen_rpm
from whirlbench.simulator.stand import TICK_S, PlantSettings, Schedule, SetPoint, commands
from whirlbench.simulator.stand.transducers import TACH_JITTER_S
from whirlbench.units import STANDARD_GRAVITY_M_S2

HOLD = Schedule((SetPoint(0.5, throttle_us=1500, pitch_deg=12.0, ramp_s=1.0),), 6.0)


@pytest.fixture(scope="module")
def run(settings):
    return simulate_run(settings, HOLD, np.random.default_rng(3))


def test_rates_lengths_and_channels(run):
    assert len(run.slow.time_s) == 3000 and len(run.vibration.time_s) == 9600
    assert run.vibration.axes() == ("ax_g", "ay_g", "az_g")
    for name in ("rpm", "current_a", "voltage_v", "thrust_n", "servo_us", "pitch_deg", "throttle_us"):
        assert run.slow.has(name)
    assert not run.slow.has("speed_request_rpm")
    assert run.duration_s() == pytest.approx(6.0, abs=0.01)


def test_hold_reads_as_the_true_map(run, settings):
    hold = run.between(4.0, 6.0).slow
    assert hold.pitch_deg.mean() == pytest.approx(12.0, abs=0.15)  # free play and dead band of the servo
    true = truth.steady_at_rpm(settings, hold.rpm.mean(), hold.pitch_deg.mean())
    assert hold.thrust_n.mean() == pytest.approx(float(true.thrust_n), rel=0.03)
    assert hold.current_a.mean() == pytest.approx(float(true.current_a), abs=0.8)
    assert hold.throttle_us.tolist() == [1500.0] * len(hold.time_s)


def test_slow_speed_is_that_of_the_latest_pulses(run):
    between_s, speed = speed_from_pulses(run.tach)
    late = run.slow.time_s > 3.0
    last = np.searchsorted(run.tach.time_s, run.slow.time_s[late], side="right") - 1
    assert run.slow.rpm[late] == pytest.approx(speed[last - 1])
    assert len(between_s) == len(run.tach.time_s) - 1


def test_speed_is_zero_at_rest_and_before_two_pulses():
    pulses = TachPulses(np.array([1.0, 1.02, 1.04]))
    seen = speed_seen_rpm(pulses, np.array([0.5, 1.01, 1.03, 1.9, 2.1]), rest_s=1.0)
    assert seen == pytest.approx([0.0, 0.0, 3000.0, 3000.0, 0.0])


def test_thrust_holds_between_conversions_of_the_load_cell(run):
    changes = np.count_nonzero(np.diff(run.slow.thrust_n)) / 6.0
    assert changes == pytest.approx(80.0, abs=1.0)


def test_values_lie_on_the_steps_of_their_converters(run, settings):
    current = run.slow.current_a / settings.rig.calibration["current_a"].units_per_count
    assert np.abs(current - np.rint(current)).max() < 1e-6
    vibration = run.vibration.az_g / settings.rig.vibration.g_per_count
    assert np.abs(vibration - np.rint(vibration)).max() < 1e-3


def test_one_seed_one_run(settings, run):
    again = simulate_run(settings, HOLD, np.random.default_rng(3))
    other = simulate_run(settings, HOLD, np.random.default_rng(4))
    assert np.array_equal(again.slow.rpm, run.slow.rpm) and np.array_equal(again.vibration.az_g, run.vibration.az_g)
    assert not np.array_equal(other.slow.rpm, run.slow.rpm)


def test_leaving_vibration_out_changes_nothing_else(settings, run):
    bare = simulate_run(settings, HOLD, np.random.default_rng(3), vibration_rate_hz=0.0)
    two = simulate_run(settings, HOLD, np.random.default_rng(3), axes=("ay_g", "az_g"))
    assert np.array_equal(bare.slow.thrust_n, run.slow.thrust_n) and len(bare.vibration.time_s) == 0
    assert two.vibration.axes() == ("ay_g", "az_g")
    assert np.array_equal(two.vibration.az_g, run.vibration.az_g)


def test_ramps_steps_and_the_rest_before_them(settings):
    schedule = Schedule(
        (SetPoint(1.0, throttle_us=1500, ramp_s=2.0), SetPoint(4.0, throttle_us=1300, servo_us=1600)), 5.0
    )
    asked = commands(schedule, settings, 0.002)
    at = {t: round(t / 0.002) for t in (0.5, 2.0, 3.5, 3.998, 4.0)}
    assert [asked.throttle_us[at[t]] for t in at] == pytest.approx([1000.0, 1250.0, 1500.0, 1500.0, 1300.0])
    assert asked.servo_us[at[3.998]] == 1200.0 and asked.servo_us[at[4.0]] == 1600.0


def test_a_set_point_that_says_two_things_is_refused():
    with pytest.raises(ValueError, match="servo_us or pitch_deg"):
        SetPoint(0.0, servo_us=1500, pitch_deg=3.0)


def test_a_request_that_nobody_governs_is_refused(settings):
    with pytest.raises(ValueError, match="nothing in this rig governs"):
        simulate_run(settings, Schedule((SetPoint(0.5, request_rpm=3000),), 1.0), np.random.default_rng(1))


def test_a_governing_controller_follows_requests(governed_rig):
    settings = PlantSettings.from_rig(governed_rig)
    points = (SetPoint(0.5, request_rpm=3000, pitch_deg=8.0, ramp_s=2.0), SetPoint(5.0, request_rpm=3600))
    slow = simulate_run(settings, Schedule(points, 8.0), np.random.default_rng(1), vibration_rate_hz=0.0).slow
    assert slow.rpm[2400] == pytest.approx(3000.0, rel=0.003) and slow.rpm[-1] == pytest.approx(3600.0, rel=0.003)
    assert slow.speed_request_rpm[-1] == 3600.0


@pytest.mark.parametrize("mode", ["throttle", "pitch"])
def test_the_bench_governor_holds_speed_through_a_disturbance(mode):
    gains = "kp_us_per_rpm = 0.05\nki_us_per_rpm_s = 0.4\npitch_kp_us_per_rpm = -0.2\npitch_ki_us_per_rpm_s = -1.5"
    rig = parse_rig(example_rig_text().replace('mode = "pass_through"', f'mode = "{mode}"\n{gains}'))
    settings = PlantSettings.from_rig(rig)
    disturbance = SetPoint(12.0, pitch_deg=11.0) if mode == "throttle" else SetPoint(12.0, throttle_us=1490)
    points = (SetPoint(0.5, throttle_us=1480, pitch_deg=9.0, ramp_s=2.0), SetPoint(5.0, request_rpm=3300), disturbance)
    slow = simulate_run(settings, Schedule(points, 22.0), np.random.default_rng(1), vibration_rate_hz=0.0).slow
    assert slow.rpm[5900] == pytest.approx(3300.0, rel=0.005)
    assert slow.rpm[-1] == pytest.approx(3300.0, rel=0.005)
    moved, still = (slow.throttle_us, slow.servo_us) if mode == "throttle" else (slow.servo_us, slow.throttle_us)
    assert abs(moved[-1] - moved[5900]) > 2.0
    assert len(np.unique(still[6100:])) == 1


def test_without_feedback_pitch_is_what_the_table_says_of_the_command():
    rig = parse_rig(example_rig_text().replace("feedback = true", "feedback = false"))
    slow = simulate_run(PlantSettings.from_rig(rig), HOLD, np.random.default_rng(1), vibration_rate_hz=0.0).slow
    assert slow.pitch_deg[-1] == pytest.approx(12.0)


def test_two_pulses_a_turn(settings):
    text = example_rig_text().replace("pulses_per_rev = 1", "pulses_per_rev = 2")
    double = replace(settings, rig=parse_rig(text))
    one, two = (
        simulate_run(item, HOLD, np.random.default_rng(3), vibration_rate_hz=0.0) for item in (settings, double)
    )
    assert len(two.tach.time_s) == pytest.approx(2 * len(one.tach.time_s), abs=2)
    assert two.slow.rpm[-500:].mean() == pytest.approx(one.slow.rpm[-500:].mean(), rel=1e-3)


def test_1p_of_a_run_is_the_true_unbalance_through_the_mount(calm):
    still = replace(calm, stand=replace(calm.stand, warm_up_share=0.0, warm_up_deg=0.0))
    run = simulate_run(still, Schedule(HOLD.points, 12.0), np.random.default_rng(8)).between(5.0, 12.0)
    turns = np.interp(run.vibration.time_s, run.tach.time_s, np.arange(len(run.tach.time_s)))
    whole = (turns > 0.0) & (turns < len(run.tach.time_s) - 1.0)
    wave = np.exp(-2j * np.pi * turns[whole])
    frequency_hz = run.slow.rpm.mean() / 60.0
    force_n = still.stand.unbalance_g_mm * 1e-6 * (2 * np.pi * frequency_hz) ** 2
    for axis, name, lag_deg in ((2, "az_g", 0.0), (1, "ay_g", 90.0)):
        found = 2.0 * np.mean(getattr(run.vibration, name)[whole] * wave)
        heavy = force_n * np.exp(1j * np.radians(still.stand.unbalance_deg - lag_deg))
        true = heavy * response_m_s2_per_n(still.stand, axis, frequency_hz) / STANDARD_GRAVITY_M_S2
        assert abs(found) == pytest.approx(abs(true), rel=0.05)
        assert np.angle(found / true, deg=True) == pytest.approx(0.0, abs=3.0)


def test_speed_noise_of_the_tach_grows_with_the_square_of_speed(calm):
    noise = {}
    for throttle_us in (1300, 1600):
        points = (SetPoint(0.1, throttle_us=throttle_us, pitch_deg=8.0),)
        run = simulate_run(calm, Schedule(points, 20.0), np.random.default_rng(8), vibration_rate_hz=0.0)
        speed = speed_from_pulses(TachPulses(run.tach.time_s[run.tach.time_s > 6.0]))[1]
        noise[speed.mean()] = np.std(np.diff(speed)) / np.sqrt(6.0)  # of one edge: differences of differences
    (slow, small), (fast, large) = sorted(noise.items())
    assert large / small == pytest.approx((fast / slow) ** 2, rel=0.15)
    assert large == pytest.approx(fast**2 / 60.0 * np.hypot(TACH_JITTER_S, TICK_S / np.sqrt(12.0)), rel=0.1)


def test_a_rig_without_calibrations_gets_usual_sensors():
    text = example_rig_text()
    bare = text[: text.index("[calibration.current_a]")] + text[text.index("[throttle]") :]
    slow = simulate_run(
        PlantSettings.from_rig(parse_rig(bare)), HOLD, np.random.default_rng(3), vibration_rate_hz=0.0
    ).slow
    assert slow.voltage_v[-1] == pytest.approx(41.0, abs=1.0) and slow.current_a[-1] > 10.0
