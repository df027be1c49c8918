"""The failure instant: what is one, what is none, and how closely it is dated."""

from dataclasses import replace

import numpy as np
import pytest

from whirlbench.analysis.onset import failure, find_failure
from whirlbench.rig.toml import example_rig_text, parse_rig
from whirlbench.samples import Event, Run, SlowSamples, TachPulses, VibrationSamples
from whirlbench.simulator.runs import Schedule, SetPoint, simulate_run
from whirlbench.simulator.stand import BladeLoss, LostTach, PlantSettings

SETTINGS = PlantSettings.from_rig(parse_rig(example_rig_text()))


def simulated(faults=(), seed=1, end_us=1000.0):
    points = (
        SetPoint(1.0, throttle_us=1450.0, pitch_deg=8.0, ramp_s=2.0),
        SetPoint(10.0, throttle_us=1560.0, ramp_s=0.3),
        SetPoint(20.0, throttle_us=end_us),
    )
    return simulate_run(SETTINGS, Schedule(points, 24.0), np.random.default_rng(seed), faults, slow_rate_hz=200.0)


def coasting(time_s, at_s, in_s):
    """Speed and current of a shaft that comes to rest ``in_s`` after ``at_s``."""
    rpm = 4800.0 * np.clip(1 - (time_s - at_s) / in_s, 0.0, 1.0)
    current = np.where(time_s < at_s, 40.0, 0.0)
    return rpm, current


def slow_only(at_s=20.0, in_s=1.5, throttle=None, duration_s=30.0, current=True):
    time_s = np.arange(0, duration_s, 0.01)
    rpm, amps = coasting(time_s, at_s, in_s)
    return Run(slow=SlowSamples(time_s, rpm=rpm, current_a=amps if current else None, throttle_us=throttle))


@pytest.mark.parametrize("seed", range(3))
def test_a_healthy_spin_has_no_failure(seed):
    assert find_failure(simulated(seed=seed)) is None


@pytest.mark.parametrize("lost_s", [7.3, 15.61])
def test_a_lost_blade_is_dated_to_milliseconds(lost_s):
    failure = find_failure(simulated((BladeLoss(start_s=lost_s),)))
    assert failure is not None
    assert failure.kind == "blade lost"
    assert failure.at_s == pytest.approx(lost_s, abs=0.02)


def test_power_gone_while_the_throttle_stood_open():
    steady = np.full(3000, 1500.0)
    failure = find_failure(slow_only(throttle=steady))
    assert failure is not None
    assert failure.kind in ("power cut", "shaft stopped")
    assert failure.at_s == pytest.approx(20.0, abs=0.1)
    assert failure.asked is False


def after_the_fall(amps):
    """A pack of 40 A that falls to ``amps`` one sample after the other, and stays at the last; the throttle stood."""
    run = slow_only(throttle=np.full(3000, 1500.0))
    current = run.slow.current_a.copy()
    current[2000:] = amps[-1]
    current[2000 : 2000 + len(amps)] = amps
    return find_failure(replace(run, slow=replace(run.slow, current_a=current)))


def test_a_fall_that_is_back_at_once_is_scatter_and_one_that_stays_within_a_fifth_is_a_cut():
    assert after_the_fall([2.0, 7.5, 7.5]).kind == "power cut"
    back = after_the_fall([2.0, 8.5, 2.0, 30.0])
    assert back is None or back.kind != "power cut"


def test_power_cut_by_command_by_trip_or_by_abort_is_none():
    time_s = np.arange(0, 30.0, 0.01)
    closed = np.where(time_s < 19.9, 1500.0, 1000.0)
    assert find_failure(slow_only(throttle=closed)) is None
    stood = slow_only(throttle=np.full(3000, 1500.0))
    for kind in ("trip", "abort"):
        assert find_failure(replace(stood, events=(Event(19.95, kind, "vibration_g_rms"),))) is None


def test_without_a_record_of_commands_a_cut_is_left_to_the_caller():
    failure = find_failure(slow_only())
    assert failure is not None
    assert failure.asked is None


def test_a_shaft_that_stops_dead_needs_no_command_to_be_known():
    failure = find_failure(slow_only(in_s=0.08, current=False))
    assert failure is not None
    assert failure.kind == "shaft stopped"
    assert failure.at_s == pytest.approx(20.0, abs=0.05)


def test_a_lost_tach_is_not_a_stopped_shaft():
    assert find_failure(simulated((LostTach(start_s=15.0),), end_us=1500.0)) is None


def test_pulses_and_vibration_that_end_together_are_a_stopped_shaft(make_run):
    run = make_run(lambda t: np.full_like(t, 4800.0), 20.0, {1: 1.0}, noise_g=0.02)
    vibration = run.vibration.ay_g * (run.vibration.time_s < 15.0)
    stopped = replace(
        run,
        slow=SlowSamples(),
        tach=TachPulses(run.tach.time_s[run.tach.time_s < 15.0]),
        vibration=VibrationSamples(run.vibration.time_s, ay_g=vibration, rate_hz=1600.0),
    )
    failure = find_failure(stopped)
    assert failure is not None
    assert failure.kind == "shaft stopped"
    assert failure.at_s == pytest.approx(15.0, abs=0.05)


def test_a_knock_is_not_a_lost_blade(make_run):
    run = make_run(lambda t: np.full_like(t, 4800.0), 20.0, {1: 0.5}, noise_g=0.05)
    value = run.vibration.ay_g.copy()
    value[16000:16020] += 15.0
    assert find_failure(replace(run, vibration=replace(run.vibration, ay_g=value))) is None


def test_an_empty_run_has_none():
    assert find_failure(Run()) is None


@pytest.mark.parametrize("piece", [64, 1000])
def test_a_cut_is_found_wherever_a_piece_of_the_run_ends(piece, monkeypatch):
    """Commands and current of a long run are looked at piece by piece."""
    runs = [slow_only(throttle=np.where(np.arange(3000) * 0.01 < 19.9, 1500.0, last)) for last in (1500.0, 1000.0)]
    whole = [(find_failure(run), failure.closing_times(run)) for run in runs]
    monkeypatch.setattr(failure, "PIECE_SAMPLES", piece)
    for run, (found, closing_s) in zip(runs, whole, strict=True):
        assert find_failure(run) == found
        assert failure.closing_times(run).tolist() == closing_s.tolist()
    assert whole[0][0] is not None and len(whole[0][1]) == 0
    assert len(whole[1][1]) > 0
