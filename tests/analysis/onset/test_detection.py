"""Onset on made-up runs whose beginning is known, and on a few random spins of the simulated stand."""

from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from random_spins import random_spin

from whirlbench.analysis.onset import find_onset
from whirlbench.errors import AnalysisError
from whirlbench.recording.files import read_run
from whirlbench.rig.toml import example_rig_text, parse_rig
from whirlbench.samples import Event, Run, SlowSamples, TachPulses, VibrationSamples

RIG = parse_rig(example_rig_text())
BEGIN_S = 45.0
RECORDINGS = Path(__file__).resolve().parents[3] / "recordings"


def hold(time_s):
    return np.full_like(time_s, 4500.0)


def two_holds(time_s):
    return np.interp(time_s, [0, 30, 32, 55, 57, 90], [3600, 3600, 4500, 4500, 3600, 3600])


def grown(time_s):
    """1P of 0.3 g whose vector drifts off, straight in time, from 45 s on."""
    return 0.3 + 0.02 * np.maximum(time_s - BEGIN_S, 0.0) * np.exp(0.9j)


def test_growth_in_a_hold_is_dated_within_its_interval(make_run):
    report = find_onset(make_run(hold, 70.0, {1: grown, 4: 0.2}, noise_g=0.15, axes=("ay_g", "az_g")), RIG)
    assert report.onset is not None
    assert report.onset.signal == "1P"
    assert report.onset.kind == "growth"
    assert report.onset.at_s == pytest.approx(BEGIN_S, abs=1.5)
    assert report.onset.from_s <= BEGIN_S <= report.onset.to_s
    assert BEGIN_S < report.onset.caution_s < BEGIN_S + 8.0


def test_a_step_is_told_from_growth(make_run):
    run = make_run(hold, 70.0, {1: lambda t: 0.3 + 0.15j * (t >= BEGIN_S)}, noise_g=0.15)
    report = find_onset(run, RIG)
    assert report.onset is not None
    assert report.onset.kind == "step"
    assert report.onset.at_s == pytest.approx(BEGIN_S, abs=0.6)


def test_growth_of_phase_alone_is_seen(make_run):
    run = make_run(hold, 80.0, {1: lambda t: 0.3 * np.exp(0.03j * np.maximum(t - BEGIN_S, 0.0))}, noise_g=0.1)
    report = find_onset(run)
    assert report.onset is not None
    assert report.onset.signal == "1P"
    assert report.onset.from_s <= BEGIN_S <= report.onset.to_s


@pytest.mark.parametrize("seed", range(4))
def test_changes_of_speed_are_not_damage(make_run, seed):
    def phasor(time_s):
        return 0.02 * (two_holds(time_s) / 1000.0) ** 3 * np.exp(1j * two_holds(time_s) / 900.0)

    run = make_run(two_holds, 90.0, {1: phasor, 4: 0.3}, noise_g=0.15, rng=np.random.default_rng(seed))
    assert find_onset(run, RIG).onset is None


def test_warm_up_drift_is_not_damage(make_run):
    def warming(time_s):
        return 0.3 * (1 + 0.1 * (1 - np.exp(-time_s / 60.0))) * np.exp(0.1j * (1 - np.exp(-time_s / 60.0)))

    run = make_run(hold, 120.0, {1: warming, 4: 0.2}, noise_g=0.15)
    assert find_onset(run, RIG).onset is None


def test_growth_is_seen_back_at_a_point_held_before(make_run):
    """The weight moves while the speed is elsewhere; only the return to 3600 rpm can show it."""

    def phasor(time_s):
        speed = two_holds(time_s)
        return (0.3 + 0.2j * (time_s > 56.0)) * (speed / 3600.0) ** 2

    report = find_onset(make_run(two_holds, 90.0, {1: phasor}, noise_g=0.1))
    assert report.onset is not None
    assert report.onset.from_s <= 57.5
    assert report.onset.caution_s > 56.0


def test_earlier_healthy_runs_show_what_the_beginning_cannot(make_run):
    """Damaged from the first second: its own beginning calls it healthy, three earlier runs do not."""
    healthy = tuple(
        make_run(hold, 40.0, {1: 0.3 + 0.01 * seed}, noise_g=0.1, rng=np.random.default_rng(seed)) for seed in range(3)
    )
    run = make_run(hold, 40.0, {1: 0.3 + 0.5j}, noise_g=0.1, rng=np.random.default_rng(9))
    assert find_onset(run).onset is None
    report = find_onset(run, earlier=healthy)
    assert report.onset is not None
    assert report.onset.from_s < 2.0
    assert find_onset(healthy[0], earlier=healthy[1:]).onset is None


def test_without_tach_and_without_vibration_what_can_be_judged_is(make_run):
    run = make_run(hold, 70.0, {1: grown}, noise_g=0.1)
    silent = find_onset(replace(run, tach=TachPulses()))
    assert silent.onset is not None  # amplitude alone shows it
    assert any("without phase" in line for line in silent.refused)
    slow = SlowSamples(
        run.slow.time_s,
        rpm=run.slow.rpm,
        current_a=40.0
        - 0.8 * np.maximum(run.slow.time_s - BEGIN_S, 0.0)
        + np.random.default_rng(1).standard_normal(len(run.slow.time_s)),
    )
    blind = find_onset(replace(run, slow=slow, vibration=VibrationSamples()))
    assert blind.onset is not None
    assert blind.onset.signal == "current"
    assert any("no vibration" in line for line in blind.refused)


def test_what_cannot_be_judged_is_refused_by_name(make_run):
    short = find_onset(make_run(hold, 5.0, {1: 0.3}))
    assert short.onset is None
    assert any("a baseline needs 6 s" in line for line in short.refused)
    nothing = find_onset(Run())
    assert nothing.refused == ("the recording holds no samples",)
    still = find_onset(make_run(lambda t: np.full_like(t, 30.0), 20.0, {1: 0.1}))
    assert any("never turned faster" in line for line in still.refused)
    speedless = Run(vibration=make_run(hold, 20.0, {1: 0.3}).vibration)
    assert any("neither tach pulses nor an rpm channel" in line for line in find_onset(speedless).refused)


def test_earlier_runs_with_other_channels_are_refused(make_run):
    run = make_run(hold, 30.0, {1: 0.3}, axes=("ay_g", "az_g"))
    with pytest.raises(AnalysisError, match="earlier run 1 has other signals"):
        find_onset(run, earlier=(make_run(hold, 30.0, {1: 0.3}),))


def test_gaps_neither_raise_alarms_nor_hide_growth(make_run):
    run = make_run(hold, 70.0, {1: grown}, noise_g=0.1)
    kept = (run.vibration.time_s % 13.0 > 0.4) | (run.vibration.time_s > 60.0)
    vibration = VibrationSamples(run.vibration.time_s[kept], ay_g=run.vibration.ay_g[kept], rate_hz=1600.0)
    report = find_onset(replace(run, vibration=vibration))
    assert report.onset is not None
    assert report.onset.from_s <= BEGIN_S <= report.onset.to_s
    healthy = make_run(hold, 70.0, {1: 0.3}, noise_g=0.1)
    quiet = VibrationSamples(healthy.vibration.time_s[kept], ay_g=healthy.vibration.ay_g[kept], rate_hz=1600.0)
    assert find_onset(replace(healthy, vibration=quiet)).onset is None


def test_nothing_is_judged_after_a_trip(make_run):
    """The power is cut at 45 s by a trip; the coast-down is no onset, though neither throttle nor current was kept."""

    def coasting(time_s):
        return 4500.0 * np.exp(-np.maximum(time_s - BEGIN_S, 0.0) / 120.0)  # hardly braked

    run = make_run(coasting, 70.0, {1: lambda t: 0.3 + 0.1j * (t > BEGIN_S)}, noise_g=0.1)
    report = find_onset(replace(run, events=(Event(BEGIN_S, "trip", "overspeed", ""),)))
    assert report.onset is None
    assert report.judged_s < BEGIN_S


def test_one_bad_frame_is_no_onset(make_run):
    run = make_run(hold, 60.0, {1: 0.3}, noise_g=0.1)
    knocked = run.vibration.ay_g.copy()
    knocked[40000:40016] += 12.0
    report = find_onset(replace(run, vibration=replace(run.vibration, ay_g=knocked)))
    assert report.onset is None
    assert report.failure is None


def test_random_spins_of_the_simulated_stand():
    """Two healthy and three damaged of the campaign in tests/benchmarks/onset_campaign.py."""
    errors, covered = [], []
    for seed in range(2):
        assert find_onset(random_spin(np.random.default_rng([seed, 0]), damaged=False).run, RIG).onset is None
    for seed in range(3):
        spin = random_spin(np.random.default_rng([seed + 50, 1]), damaged=True)
        onset = find_onset(spin.run, RIG).onset
        assert onset is not None and spin.fault is not None
        errors.append(abs(onset.at_s - spin.fault.start_s))
        covered.append(onset.from_s <= spin.fault.start_s <= onset.to_s)
    assert np.median(errors) < 1.5
    assert sum(covered) >= 2


def test_the_resonance_of_a_run_up_is_told_with_the_onset(make_run):
    """A mount at 62 Hz and 3 % of critical damping, passed by 1P in the run-up; the hold after it is judged as ever."""

    def rpm(time_s):
        return np.interp(time_s, [0.0, 40.0, 80.0], [2400.0, 5000.0, 5000.0])

    def mount(time_s):
        ratio = rpm(time_s) / 60.0 / 62.0
        return 0.1 * ratio**4 / (1.0 - ratio**2 + 0.06j * ratio)

    report = find_onset(make_run(rpm, 80.0, {1: mount}, noise_g=0.02))
    (found,) = [one for one in report.resonances if one.order == 1]
    assert report.resonances_refused == ""
    assert found.certainty == "likely"
    assert found.natural_hz == pytest.approx(62.0, rel=0.01)
    assert found.rpm == pytest.approx(62.0 * 60.0, rel=0.01)
    assert found.damping_ratio == pytest.approx(0.03, rel=0.15)


def test_resonances_that_cannot_be_told_are_refused_with_a_reason(make_run):
    held = make_run(hold, 20.0, {1: 0.3}, noise_g=0.1)
    assert find_onset(held).resonances == ()
    assert "no run-up or coast-down" in find_onset(held).resonances_refused
    blind = find_onset(replace(held, vibration=VibrationSamples()))
    assert blind.resonances == () and "no vibration was recorded" in blind.resonances_refused


@pytest.mark.parametrize("path", sorted(RECORDINGS.glob("*.h5")), ids=lambda path: path.stem)
def test_the_demo_recordings_give_resonances_of_their_stand_or_say_why_not(path):
    """Their stand is the simulator's, 47 and 66 Hz across the shaft; a rotor that failed shows nothing afterwards."""
    report = find_onset(read_run(path))
    assert bool(report.resonances) != bool(report.resonances_refused)
    for one in report.resonances:
        truth_hz = {"ax_g": 36.0, "ay_g": 47.0, "az_g": 66.0}[one.axis]
        if one.certainty != "doubtful":
            assert one.natural_hz == pytest.approx(truth_hz, rel=0.06)
        if report.failure is not None:
            assert all(each.ramp.from_s < report.failure.at_s for each in one.passes)
