"""Limits on trial, against runs whose peaks are known."""

import numpy as np
import pytest

from whirlbench.errors import AnalysisError
from whirlbench.rig.description import Rig, with_limits
from whirlbench.safety.back_test import back_test, rules_for
from whirlbench.safety.back_test.study import Case, judge, quantity, suggest, trade_off
from whirlbench.samples import Run, SlowSamples, TachPulses, VibrationSamples

LIMITS = with_limits(Rig(), overspeed_rpm=6000.0, vibration_g_rms=4.0, current_a=100.0, minimum_voltage_v=30.0)


def healthy(seed=0, duration_s=240.0, level_g=1.0):
    rng = np.random.default_rng(seed)
    time_s = np.arange(0, duration_s, 1 / 800)
    slow_s = np.arange(0, duration_s, 0.02)
    return Run(
        slow=SlowSamples(
            slow_s,
            rpm=np.full(len(slow_s), 4000.0),
            current_a=50.0 + 2.0 * rng.standard_normal(len(slow_s)),
            voltage_v=37.0 + 0.1 * rng.standard_normal(len(slow_s)),
            throttle_us=np.full(len(slow_s), 1500.0),
        ),
        tach=TachPulses(np.arange(0, duration_s, 0.015)),
        vibration=VibrationSamples(time_s, ay_g=level_g * rng.standard_normal(len(time_s)), rate_hz=800.0),
        source=f"healthy {seed}",
    )


def failing(at_s=100.0):
    """Vibration that grows from 60 s on, by 0.1 g each second, to a failure at ``at_s``."""
    run = healthy(7, 110.0)
    grown = 1.0 + 0.1 * np.maximum(run.vibration.time_s - 60.0, 0.0)
    vibration = VibrationSamples(run.vibration.time_s, ay_g=run.vibration.ay_g * grown, rate_hz=800.0)
    return Case(Run(run.slow, run.tach, vibration, source="failing"), at_s)


def test_judge_gives_trips_and_lead():
    verdicts = judge([failing(), Case(healthy())], LIMITS)
    assert [trip.rule for trip in verdicts[0].trips] == ["vibration_g_rms"]
    assert verdicts[0].lead_s == pytest.approx(100.0 - verdicts[0].trips[0].at_s)
    assert verdicts[0].trips[0].at_s == pytest.approx(85.0, abs=5.0)
    assert verdicts[1].trips == () and verdicts[1].lead_s is None


def test_a_trip_after_the_failure_is_no_warning():
    verdict = judge([failing(at_s=65.0)], LIMITS)[0]
    assert verdict.trips and verdict.lead_s is None


def test_lower_limits_warn_earlier_and_cry_wolf_more():
    trades = trade_off([failing(), Case(healthy(1)), Case(healthy(2))], LIMITS, "vibration_g_rms", [1.1, 1.8, 3.0, 9.0])
    leads = [one.median_lead_s for one in trades[:3]]
    assert leads == sorted(leads, reverse=True)
    assert trades[0].false_alarms_per_hour > 100.0
    assert trades[2].false_alarms_per_hour == 0.0
    assert trades[2].caught_share == 1.0
    assert trades[3].caught_share == 0.0 and np.isnan(trades[3].median_lead_s)


def test_without_failed_or_without_healthy_runs_the_unknown_is_nan():
    only_healthy = trade_off([Case(healthy())], LIMITS, "current_a", [55.0])[0]
    assert np.isnan(only_healthy.caught_share) and only_healthy.false_alarms_per_hour > 0
    only_failed = trade_off([failing()], LIMITS, "vibration_g_rms", [2.0])[0]
    assert np.isnan(only_failed.false_alarms_per_hour)


@pytest.mark.parametrize("rule", ["vibration_g_rms", "current_a", "overspeed_rpm", "minimum_voltage_v"])
def test_quantity_peaks_where_the_live_rule_trips(rule):
    """A limit just inside the most extreme value trips the live rule at that very moment, one just beyond never."""
    run = healthy(3, 70.0)
    _, values = quantity(run, LIMITS, rule)
    sign = -1.0 if rule == "minimum_voltage_v" else 1.0
    extreme = int(np.argmax(sign * values))
    for factor, fires in ((0.99, True), (1.01, False)):
        limits = with_limits(Rig(), **{rule: float(values[extreme]) * factor**sign})
        trips = back_test(run, rules_for(run, limits))
        assert bool(trips) == fires


def test_suggested_limit_is_as_quiet_as_asked():
    """Asked for 20 an hour from 4 runs of 4 min; other runs of the kind must hold that within a factor of two."""
    found = suggest([healthy(seed) for seed in range(4)], LIMITS, "vibration_g_rms", 20.0)
    limits = with_limits(Rig(), vibration_g_rms=found.limit)
    events = hours = 0.0
    for seed in range(10, 25):
        time_s, values = quantity(healthy(seed), limits, "vibration_g_rms")
        events += len(np.unique(np.floor(time_s[values > found.limit])))
        hours += 240.0 / 3600.0
    assert 10.0 < events / hours < 40.0
    assert not found.extrapolated
    assert suggest([healthy()], LIMITS, "vibration_g_rms", 0.01).extrapolated


def test_a_lower_limit_is_suggested_below():
    found = suggest([healthy()], LIMITS, "minimum_voltage_v", 1.0)
    assert found.limit < found.largest_seen + 0.1 < 37.0


def test_what_cannot_be_moved_or_suggested_is_refused():
    with pytest.raises(AnalysisError, match="cannot be moved"):
        trade_off([Case(healthy())], LIMITS, "lost_tach_ms", [400.0])
    with pytest.raises(AnalysisError, match="above zero"):
        suggest([healthy()], LIMITS, "current_a", 0.0)
    with pytest.raises(AnalysisError, match="at least 60 s"):
        suggest([healthy(duration_s=20.0)], LIMITS, "current_a", 1.0)
    with pytest.raises(AnalysisError, match="0 s of healthy running"):
        suggest([], LIMITS, "current_a", 1.0)


def test_size_is_what_is_compared_whichever_the_sign():
    run = healthy()
    reversed_run = Run(
        slow=SlowSamples(
            run.slow.time_s,
            rpm=run.slow.channel("rpm"),
            current_a=-run.slow.channel("current_a"),
            voltage_v=run.slow.channel("voltage_v"),
        )
    )
    for rule in ("current_a", "power_w"):
        assert np.array_equal(quantity(reversed_run, LIMITS, rule)[1], quantity(run, LIMITS, rule)[1])
    assert quantity(reversed_run, LIMITS, "current_a")[1].min() > 0
