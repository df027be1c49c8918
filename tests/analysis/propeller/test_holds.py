"""Settled holds: found where speed and pitch stand still, measured with an honest error, refused with a reason."""

from __future__ import annotations

import numpy as np
import pytest

from whirlbench.analysis.propeller import find_holds
from whirlbench.analysis.propeller.hold_means import mean_of_blocks
from whirlbench.errors import AnalysisError
from whirlbench.samples import Run, SlowSamples

RATE_HZ = 100.0


def staircase(levels, seconds: float = 8.0, noise_rpm: float = 3.0, seed: int = 1, **channels) -> Run:
    """Speed and pitch in steps of equal length, with a lag of half a second after each step."""
    time_s = np.arange(0.0, seconds * len(levels), 1 / RATE_HZ)
    place = np.minimum((time_s / seconds).astype(int), len(levels) - 1)
    speeds, pitches = np.array(levels, dtype=float).T
    since_s = time_s - place * seconds
    before = speeds[np.maximum(place - 1, 0)]
    rpm = speeds[place] + (before - speeds[place]) * np.exp(-since_s / 0.5)
    rng = np.random.default_rng(seed)
    slow = SlowSamples(
        time_s,
        rpm=rpm + noise_rpm * rng.standard_normal(len(time_s)),
        pitch_deg=pitches[place] + 0.02 * rng.standard_normal(len(time_s)),
        servo_us=1200.0 + 30.0 * pitches[place],
        **{name: function(place, rng) for name, function in channels.items()},
    )
    return Run(slow=slow, source="stairs.h5")


def test_every_stair_is_one_hold_at_its_own_level() -> None:
    survey = find_holds(staircase([(2000, 5), (2600, 5), (2600, 9), (3400, 9)]))
    assert [round(hold.rpm.mean, -1) for hold in survey.holds] == [2000, 2600, 2600, 3400]
    assert [round(hold.pitch_deg.mean) for hold in survey.holds] == [5, 5, 9, 9]
    for number, hold in enumerate(survey.holds):
        assert number * 8.0 <= hold.from_s < hold.to_s <= (number + 1) * 8.0 + 0.1
        assert hold.to_s - hold.from_s > 4.0


def test_the_mean_covers_the_truth_at_the_stated_rate() -> None:
    """200 holds of correlated noise: the truth lies within two standard errors in about 95 % of them."""
    inside = 0
    rng = np.random.default_rng(5)
    for _ in range(200):
        noise = np.zeros(80)
        for place in range(1, 80):
            noise[place] = 0.7 * noise[place - 1] + rng.standard_normal()
        measured = mean_of_blocks(100.0 + noise)
        inside += abs(measured.mean - 100.0) < 2.0 * measured.stderr
    assert 176 <= inside <= 198


def test_uncorrelated_noise_gives_the_textbook_error() -> None:
    rng = np.random.default_rng(6)
    errors = [mean_of_blocks(rng.standard_normal(100)).stderr for _ in range(100)]
    assert np.mean(errors) == pytest.approx(0.1, rel=0.15)


def test_a_ramp_is_no_hold() -> None:
    time_s = np.arange(0.0, 30.0, 1 / RATE_HZ)
    run = Run(SlowSamples(time_s, rpm=2000.0 + 60.0 * time_s, pitch_deg=0 * time_s + 8.0))
    assert find_holds(run).holds == ()


def test_pack_sag_is_allowed_within_a_hold() -> None:
    time_s = np.arange(0.0, 12.0, 1 / RATE_HZ)
    run = Run(SlowSamples(time_s, rpm=4000.0 - 5.0 * time_s, pitch_deg=0 * time_s + 8.0))
    (hold,) = find_holds(run).holds
    assert hold.rpm.mean == pytest.approx(3970.0, abs=8.0)


def test_a_short_stop_is_turned_down_with_its_reason() -> None:
    survey = find_holds(staircase([(2000, 5), (3000, 5), (2000, 5)], seconds=3.8))
    assert all("are needed" in item.reason for item in survey.rejected)
    assert survey.rejected


def test_a_saturated_current_sensor_is_named() -> None:
    run = staircase(
        [(2000, 5), (3000, 5), (4000, 5)],
        current_a=lambda place, rng: np.minimum(30.0 + 30.0 * place + rng.standard_normal(len(place)), 80.0),
        voltage_v=lambda place, rng: 40.0 + 0.0 * place,
    )
    survey = find_holds(run)
    assert [round(hold.rpm.mean, -3) for hold in survey.holds] == [2000, 3000]
    assert "80.0 A" in survey.rejected[-1].reason
    assert "saturated" in survey.rejected[-1].reason


def test_gaps_are_left_out_of_the_means() -> None:
    run = staircase([(2000, 5), (2600, 5)], thrust_n=lambda place, rng: 10.0 + 10.0 * place)
    run.slow.thrust_n[::3] = np.nan
    assert [hold.thrust_n.mean for hold in find_holds(run).holds] == pytest.approx([10.0, 20.0])


def test_a_run_without_speed_is_refused_by_name() -> None:
    with pytest.raises(AnalysisError, match="blind.h5: no rpm was recorded"):
        find_holds(Run(SlowSamples(np.arange(10.0)), source="blind.h5"))


def test_without_pitch_the_holds_are_still_found() -> None:
    run = staircase([(2000, 5), (3000, 5)])
    blind = Run(SlowSamples(run.slow.time_s, rpm=run.slow.rpm))
    holds = find_holds(blind).holds
    assert len(holds) == 2
    assert np.isnan(holds[0].pitch_deg.mean)


def test_a_run_shorter_than_a_window_has_no_hold() -> None:
    time_s = np.arange(0.0, 1.0, 0.01)
    assert find_holds(Run(SlowSamples(time_s, rpm=0 * time_s + 3000.0))).holds == ()


def test_a_few_correlated_blocks_state_no_less_than_they_know() -> None:
    """Twelve blocks with lag-one correlation 0.4, a series alone: less than all, as it hardly tells."""
    rng = np.random.default_rng(1)
    series = np.empty((1500, 12))
    series[:, 0] = rng.standard_normal(1500)
    for block in range(1, 12):
        series[:, block] = 0.4 * series[:, block - 1] + np.sqrt(1.0 - 0.4**2) * rng.standard_normal(1500)
    stated = np.mean([mean_of_blocks(one).stderr ** 2 for one in series])
    assert stated / series.mean(axis=1).var() == pytest.approx(0.85, abs=0.05)
