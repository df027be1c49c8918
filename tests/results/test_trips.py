"""Trips in words: a limit that a recording cannot show never reads as one that would not have tripped."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import page_runs
import pytest

from whirlbench.errors import AnalysisError
from whirlbench.results.answer import NONE, Answer, Level, Verdict
from whirlbench.results.trips import Case, back_tested, case_of, lead_words, needs, trips_answer, trips_study
from whirlbench.rig.description import Rig, with_limits
from whirlbench.rig.toml import parse_rig
from whirlbench.safety.back_test import rules_for
from whirlbench.samples import Run, SlowSamples, TachPulses, VibrationSamples

ALL = with_limits(
    parse_rig("[propeller]\ndiameter_m = 0.56\n"),
    overspeed_rpm=9000.0, vibration_g_rms=20.0, current_a=90.0, thrust_n=90.0, power_w=4000.0, minimum_voltage_v=30.0,
    tip_mach=0.7, lost_tach_ms=400,
)  # fmt: skip
LABELS = {
    "overspeed_rpm": "overspeed", "vibration_g_rms": "vibration", "current_a": "current", "thrust_n": "thrust",
    "power_w": "power", "minimum_voltage_v": "least voltage", "tip_mach": "tip Mach", "lost_tach_ms": "lost tach",
}  # fmt: skip
VALUES = {"rpm": 3000.0, "current_a": 20.0, "voltage_v": 44.0, "thrust_n": 30.0, "throttle_us": 1500.0}


def whole_run(source: str = "whole.h5") -> Run:
    """Forty steady seconds with every channel that a limit needs."""
    run = page_runs.shaking_run(grows=False)
    slow = SlowSamples(run.slow.time_s, **{name: np.full(len(run.slow.time_s), at) for name, at in VALUES.items()})
    return replace(run, slow=slow, source=source)


def without(run: Run, *sensors: str) -> Run:
    """``run`` as if ``sensors`` had not been recorded."""
    slow = replace(run.slow, **{name: None for name in sensors if name in VALUES})
    return replace(
        run,
        slow=slow,
        tach=TachPulses() if "tach" in sensors else run.tach,
        vibration=VibrationSamples() if "vibration" in sensors else run.vibration,
    )


def answer_on(run: Run, rig: Rig = ALL) -> Answer:
    return trips_answer(trips_study([case_of(run)], rig))


def texts(answer: Answer, level: Level) -> list[str]:
    return [remark.text for remark in answer.remarks if remark.level is level]


def test_every_rule_says_what_it_needs() -> None:
    names = [rule.name for rule in rules_for(whole_run(), ALL)]
    assert set(names) == set(LABELS)
    assert all(needs(name) for name in names)
    with pytest.raises(KeyError):
        needs("humidity")


def test_all_limits_judged_and_none_tripped() -> None:
    answer = answer_on(whole_run())
    assert answer.headline == "none of the 8 judged limits would have tripped"
    assert answer.verdict is Verdict.JUDGED
    assert answer.document["trips"] == []


@pytest.mark.parametrize(
    ("missing", "limits", "word"),
    [
        (("vibration",), {"vibration_g_rms"}, "vibration"),
        (("thrust_n",), {"thrust_n"}, "thrust"),
        (("voltage_v",), {"power_w", "minimum_voltage_v"}, "pack voltage"),
        (("current_a",), {"current_a", "power_w"}, "current"),
        (("throttle_us",), {"lost_tach_ms"}, "throttle pulse"),
        (("rpm",), {"tip_mach"}, "channel of speed"),
        (("tach", "rpm", "throttle_us"), {"overspeed_rpm", "tip_mach", "lost_tach_ms"}, "speed"),
    ],
)
def test_a_limit_whose_sensor_was_not_recorded_is_not_judged(
    missing: tuple[str, ...], limits: set[str], word: str
) -> None:
    answer = answer_on(without(whole_run(), *missing))
    assert answer.verdict is Verdict.IN_PART
    assert {item.what for item in answer.not_judged} == {LABELS[name] for name in limits}
    assert all(word in item.why for item in answer.not_judged)
    expected = f"none of the {8 - len(limits)} judged limit{'s' * (len(limits) < 7)} would have tripped"
    assert answer.headline.startswith(f"{expected}; {len(limits)} not judged: ")


def test_channels_that_hold_nothing_but_gaps_are_not_recorded() -> None:
    run = whole_run()
    empty = np.full(len(run.slow.time_s), np.nan)
    shaken = replace(run.vibration, ay_g=np.full(len(run.vibration.time_s), np.nan))
    answer = answer_on(replace(run, slow=replace(run.slow, thrust_n=empty), vibration=shaken))
    assert {item.what for item in answer.not_judged} == {"thrust", "vibration"}


def test_vibration_shorter_than_a_window_or_without_its_rate_is_not_judged() -> None:
    run = whole_run()
    for vibration in (run.vibration.between(10.0, 10.05), replace(run.vibration, rate_hz=0.0)):
        answer = answer_on(replace(run, vibration=vibration))
        assert [item.what for item in answer.not_judged] == ["vibration"]


def test_nothing_judged_at_all() -> None:
    bare = without(whole_run(), "tach", "vibration", *VALUES)
    for answer in (answer_on(bare), answer_on(whole_run(), Rig())):
        assert answer.verdict is Verdict.NOT_JUDGED
        assert answer.headline == "no limit could be judged"
        assert answer.not_judged


def test_a_sensor_that_spoke_for_a_part_of_the_run_leaves_the_rest_open() -> None:
    run = whole_run()
    thrust_n = np.where(run.slow.time_s < 10.0, run.slow.channel("thrust_n"), np.nan)
    vibration = run.vibration.between(0.0, 20.0)
    answer = answer_on(replace(run, slow=replace(run.slow, thrust_n=thrust_n), vibration=vibration))
    told = {item.text for item in answer.not_judged}
    assert "75 % of the run: not judged, thrust was not recorded there" in told
    assert "50 % of the run: not judged, vibration was not recorded there" in told
    assert answer.verdict is Verdict.IN_PART
    assert answer_on(run).verdict is Verdict.JUDGED


def test_a_trip_is_never_softened_by_a_sensor_that_is_missing() -> None:
    run = without(whole_run(), "tach")  # the rule of lost tach sees a driven motor, no pulse, and a speed of zero
    run = replace(run, slow=replace(run.slow, rpm=np.zeros(len(run.slow.time_s))))
    test = back_tested(case_of(run), ALL)
    assert [trip.rule for trip in test.trips] == ["lost_tach_ms"]
    assert "lost_tach_ms" in test.judged
    assert trips_answer(trips_study([case_of(run)], ALL)).table("trips").rows[0][1] == "lost tach"


def test_a_blank_speed_is_no_standstill_and_no_working_tach() -> None:
    silent = back_tested(case_of(without(whole_run(), "rpm", "tach")), ALL)
    assert silent.trips == () and "lost_tach_ms" not in silent.judged
    run = without(whole_run(), "tach")
    blank = np.where(np.abs(run.slow.time_s - 20.0) < 8.0, np.nan, 3000.0)
    answer = answer_on(replace(run, slow=replace(run.slow, rpm=blank)))
    assert answer.document["trips"] == []
    assert "40 % of the run: not judged, speed was not recorded there" in {item.text for item in answer.not_judged}


def test_a_single_sample_and_a_single_moment_tell_nothing() -> None:
    run = whole_run()
    thrust_n = np.full(len(run.slow.time_s), np.nan)
    thrust_n[700] = 30.0
    told = {
        item.what: item.why for item in answer_on(replace(run, slow=replace(run.slow, thrust_n=thrust_n))).not_judged
    }
    assert told == {"thrust": "a single sample of thrust tells nothing of a run"}
    thrust_n[700:750] = 30.0
    rare = {
        item.what: item.why for item in answer_on(replace(run, slow=replace(run.slow, thrust_n=thrust_n))).not_judged
    }
    assert rare["thrust"].startswith("thrust was recorded in ") and rare["thrust"].endswith(" % of the run")
    moment = Run(SlowSamples(np.array([3.0]), **{name: np.array([value]) for name, value in VALUES.items()}))
    assert answer_on(moment).verdict is Verdict.NOT_JUDGED


def test_a_stream_that_ends_early_or_pauses_leaves_the_rest_open() -> None:
    run = whole_run()
    assert "25 % of the run: not judged, current was not recorded there" in {
        item.text for item in answer_on(replace(run, slow=run.slow.between(0.0, 30.0))).not_judged
    }
    kept = np.abs(run.slow.time_s - 20.0) > 5.0
    values = {name: run.slow.channel(name)[kept] for name in VALUES}
    paused = answer_on(replace(run, slow=SlowSamples(run.slow.time_s[kept], **values)))
    assert "25 % of the run: not judged, thrust was not recorded there" in {item.text for item in paused.not_judged}


def test_sensors_that_spoke_by_turns_never_spoke_together() -> None:
    run, early = whole_run(), whole_run().slow.time_s < 20.0
    slow = replace(run.slow, current_a=np.where(early, 20.0, np.nan), voltage_v=np.where(early, np.nan, 44.0))
    told = {item.what: item.why for item in answer_on(replace(run, slow=slow)).not_judged}
    assert told["power"] == "current and pack voltage were recorded together in 0.0 % of the run"
    slow = replace(run.slow, current_a=np.where(early, 20.0, np.nan),
                   voltage_v=np.where(run.slow.time_s > 10.0, 44.0, np.nan))  # fmt: skip
    told = {item.what: item.why for item in answer_on(replace(run, slow=slow)).not_judged}
    assert told["power in 75 % of the run"] == "current and pack voltage were not recorded together there"


def test_overspeed_is_open_while_a_tach_that_no_limit_watches_is_silent() -> None:
    run = whole_run()
    rig = with_limits(ALL, lost_tach_ms=None)
    stopped = replace(run, tach=run.tach.between(0.0, 10.0))
    texts_ = {item.text for item in answer_on(stopped, rig).not_judged}
    assert "75 % of the run: not judged, speed was not recorded there" in texts_
    rest = np.where(run.slow.time_s < 10.0, 3000.0, 0.0)
    assert answer_on(replace(stopped, slow=replace(run.slow, rpm=rest)), rig).verdict is Verdict.JUDGED


def test_vectors_of_1p_are_not_made_from_a_log_s_own_rate() -> None:
    trends = {one["rule"]: one for one in answer_on(without(whole_run(), "tach")).document["trends"]}
    assert trends["drift_1p_pct"]["judged_s"] == 0.0
    assert trends["drift_1p_pct"]["not_judged"] == "the recording has no tach pulses"


def test_wind_is_named_as_what_nobody_recorded() -> None:
    run = whole_run()
    fallen = np.where(run.slow.time_s < 20.0, 30.0, 22.0)
    answer = answer_on(replace(run, slow=replace(run.slow, thrust_n=fallen)))
    (row,) = [row for row in answer.table("trends").rows if row[1] == "wind"]
    assert row[-2:] == (NONE, "no wind is streamed: a gust or a change of wind looks like a change of load")
    (found,) = [text for text in texts(answer, Level.CAUTION) if "thrust" in text]
    assert "a change of wind or air does this, too" in found


def test_trips_carry_value_and_limit_with_their_unit() -> None:
    answer = answer_on(whole_run(), with_limits(ALL, current_a=15.0, power_w=800.0))
    assert answer.headline.startswith("2 of 8 judged limits would have tripped, first current at 0.00 s")
    assert answer.table("trips").rows == (
        ("whole.h5", "current", "0.00", "20 A", "15 A"),
        ("whole.h5", "power", "0.00", "880 W", "800 W"),
    )
    assert [trip["rule"] for trip in answer.document["trips"]] == ["current_a", "power_w"]


def test_a_failure_that_no_limit_came_before_is_a_danger() -> None:
    late = trips_answer(trips_study([Case(whole_run(), 30.0)], ALL))
    assert texts(late, Level.DANGER) == [
        "the failure at 30.00 s came before any trip of the limits that could be judged"
    ]
    early = trips_answer(trips_study([Case(whole_run(), 30.0)], with_limits(ALL, current_a=15.0)))
    assert not texts(early, Level.DANGER)
    assert early.headline.endswith("failed at 30.00 s; first trip 30.00 s before the failure")


def test_several_runs_are_counted_and_told_apart() -> None:
    runs = [whole_run("a.h5"), without(whole_run("b.h5"), "thrust_n")]
    answer = trips_answer(trips_study([case_of(run) for run in runs], ALL))
    assert answer.headline == "0 of 2 runs would have tripped; in 1 not every limit could be judged"
    assert [item.what for item in answer.not_judged] == ["thrust in b.h5"]
    assert [row[0] for row in answer.table("runs").rows] == ["a.h5", "b.h5"]


def test_a_moved_limit_is_a_table_and_a_chart() -> None:
    cases = [Case(page_runs.shaking_run(grows=True), 38.0), Case(page_runs.shaking_run(grows=False))]
    answer = trips_answer(trips_study(cases, ALL, ("vibration_g_rms", [0.2, 1.0, 9.0])))
    rows = answer.table("moved").rows
    assert [row[0] for row in rows] == ["0.2 g rms", "1 g rms", "9 g rms"]
    assert [row[1] for row in rows] == ["100", "100", "0"]
    assert rows[2][2] == NONE
    lead_s = answer.chart("moved").curves[0].y
    assert lead_s[1] == pytest.approx(38.0 - 29.6, abs=0.4) and np.isnan(lead_s[2])
    assert [caption.text for caption in answer.chart("moved").captions] == ["0.2 g rms (100 %)", "1 g rms (100 %)"]
    assert not any("moved limit" in item.what for item in answer.not_judged)


def test_a_limit_moved_on_a_run_that_cannot_show_it_is_not_judged() -> None:
    blind = without(whole_run("blind.h5"), "thrust_n")
    answer = trips_answer(trips_study([Case(blind)], ALL, ("thrust_n", [10.0, 40.0])))
    assert answer.charts == () and answer.document["moved"] is None
    assert "moved limit of thrust on blind.h5" in {item.what for item in answer.not_judged}
    run = whole_run()
    run = replace(run, slow=replace(run.slow, thrust_n=np.where(run.slow.time_s < 10.0, 0.0, 30.0)))
    healthy = trips_answer(trips_study([Case(run), Case(blind)], ALL, ("thrust_n", [10.0, 40.0])))
    alarms = [one.false_alarms_per_hour for one in healthy.document["moved"]["values"]]
    # One in the ten seconds until it; the run without thrust does not count as forty healthy seconds
    assert alarms == pytest.approx([360.0, 0.0], rel=0.01)
    assert "lead of the moved limit of thrust" in {item.what for item in healthy.not_judged}
    failed = trips_answer(trips_study([Case(whole_run(), 30.0)], ALL, ("thrust_n", [10.0, 40.0])))
    assert "false alarms of the moved limit of thrust" in {item.what for item in failed.not_judged}


def test_a_limit_without_a_number_cannot_be_moved() -> None:
    with pytest.raises(AnalysisError, match="cannot be moved"):
        trips_study([Case(whole_run())], ALL, ("lost_tach_ms", [1.0, 2.0]))


def test_limits_are_suggested_as_far_as_the_healthy_hours_reach() -> None:
    run = page_runs.shaking_run(grows=False)
    time_s = np.arange(0.0, 90.0, 0.02)
    current_a = 20.0 + np.random.default_rng(2).normal(0.0, 1.0, len(time_s))
    long = Run(SlowSamples(time_s, rpm=np.full(len(time_s), 3000.0), current_a=current_a), source="long.h5")
    rig = with_limits(Rig(), current_a=90.0, vibration_g_rms=20.0)
    answer = trips_answer(trips_study([Case(run), Case(long)], rig, suggest_per_hour=0.1))
    row = answer.table("suggestions").rows[0]
    assert row[0] == "current" and row[1].endswith(" A") and row[-1] == "extrapolated"
    assert answer.document["suggestions"][0].limit > current_a.max()
    assert any(text.startswith("extrapolated limits") for text in texts(answer, Level.CAUTION))
    short = {item.what: item.why for item in answer.not_judged}
    assert "at least 60 s are needed" in short["suggested limit of vibration"]


def test_a_back_test_is_no_promise() -> None:
    assert any("no promise for the next" in text for text in texts(answer_on(whole_run()), Level.CAUTION))


def test_a_trend_is_a_caution_with_its_lead_and_never_changes_what_the_limits_say() -> None:
    run = whole_run()
    fallen = np.where(run.slow.time_s < 20.0, 30.0, 22.0)
    rig = with_limits(ALL, thrust_n=90.0)
    answer = answer_on(replace(run, slow=replace(run.slow, thrust_n=fallen)), rig)
    (found,) = [text for text in texts(answer, Level.CAUTION) if "thrust" in text]
    assert "a loose pitch link, a blade that turned, a load cell that slips; a change of wind" in found
    assert found.startswith("at 2")
    assert "; first caution thrust drift at 2" in answer.headline
    assert answer.headline.startswith("none of the 8 judged limits would have tripped")
    assert answer.document["trips"] == []
    (row,) = [one for one in answer.document["trends"] if one["caution"]]
    assert row["rule"] == "drift_thrust_pct" and not row["trips"] and row["caution"]["value"] > 12.0


def test_a_trend_that_could_not_be_judged_says_why_and_no_temperature_reads_as_good() -> None:
    answer = answer_on(without(whole_run(), "thrust_n"))
    (table,) = [one for one in answer.tables if one.key == "trends"]
    said = {row[1]: row for row in table.rows}
    assert said["thrust drift"][-2:] == ("0", "the recording has no thrust")
    assert said["pack sag"][-2:] == ("0", "the pack was never seen at rest before it was driven")
    assert said["temperatures"][-2:] == (NONE, "no temperature is streamed")
    assert said["hunting"][-1] == NONE and float(said["hunting"][-2]) > 20.0
    short = answer_on(whole_run().between(0.0, 5.0))
    why = {one["rule"]: one["not_judged"] for one in short.document["trends"]}
    assert why["hunting_pct"].startswith("no operating point was held long enough")


def test_a_trend_that_the_rig_makes_a_trip_is_judged_like_a_limit() -> None:
    rig = with_limits(ALL, trend_trips=("drift_thrust_pct",))
    run = whole_run()
    assert answer_on(run, rig).headline == "none of the 9 judged limits would have tripped"
    fallen = replace(run, slow=replace(run.slow, thrust_n=np.where(run.slow.time_s < 20.0, 30.0, 22.0)))
    answer = answer_on(fallen, rig)
    assert answer.headline.startswith("1 of 9 judged limits would have tripped, first thrust drift at 2")
    assert "first caution" not in answer.headline
    unheard = answer_on(without(run, "thrust_n"), rig)
    assert {item.what for item in unheard.not_judged} == {"thrust", "thrust drift"}


def test_cautions_after_the_end_of_a_run_are_no_warning() -> None:
    case = Case(replace(whole_run(), slow=replace(whole_run().slow, thrust_n=np.where(
        whole_run().slow.time_s < 20.0, 30.0, 22.0))), failed_at_s=20.5)  # fmt: skip
    test = back_tested(case, ALL)
    assert test.cautions == ()
    assert [one.rule for one in test.trends if one.caution] == ["drift_thrust_pct"]


def narrowed_run(limits: str) -> Run:
    return replace(whole_run(), plan_text=f"[limits]\n{limits}\n")


def test_a_limit_that_the_plan_narrowed_is_the_one_that_counts_and_is_said() -> None:
    answer = answer_on(narrowed_run("overspeed_rpm = 2900\nthrust_n = 25.0"))
    assert {trip["rule"]: trip["limit"] for trip in answer.document["trips"]} == {
        "overspeed_rpm": 2900.0, "thrust_n": 25.0,
    }  # fmt: skip
    (told,) = texts(answer, Level.NOTE)
    assert "the run's plan: overspeed 2900 rpm (the rig's is 9000 rpm), thrust 25 N (the rig's is 90 N)" in told
    assert answer.document["runs"][0]["narrowed"] == told


def test_a_lower_limit_is_narrowed_upwards_and_one_that_the_rig_lacks_is_the_plan_s() -> None:
    raised = answer_on(narrowed_run("minimum_voltage_v = 45.0"))
    assert [trip["limit"] for trip in raised.document["trips"]] == [45.0]
    lacking = answer_on(narrowed_run("current_a = 15.0"), with_limits(ALL, current_a=None))
    assert [trip["rule"] for trip in lacking.document["trips"]] == ["current_a"]
    assert "current 15 A (the rig sets none)" in texts(lacking, Level.NOTE)[0]


def test_a_plan_never_widens_the_limits_of_a_back_test() -> None:
    strict = with_limits(ALL, overspeed_rpm=2500.0)
    answer = answer_on(narrowed_run("overspeed_rpm = 2900"), strict)
    assert answer.document["trips"][0]["limit"] == 2500.0
    assert not texts(answer, Level.NOTE)


@pytest.mark.parametrize("text", ["[limits]\noverspeed_rpm = 'low'", "[limits", "[limits]\nno_limit = 3"])
def test_a_plan_that_cannot_be_read_leaves_its_limits_open(text: str) -> None:
    answer = answer_on(replace(whole_run(), plan_text=text))
    assert answer.verdict is Verdict.IN_PART
    assert [item.what for item in answer.not_judged] == ["limits of the plan"]


def test_what_came_after_the_failure_has_no_minus() -> None:
    assert [lead_words(lead_s) for lead_s in (1.234, 0.0, -0.04, None)] == ["1.23", "0.00", "0.04 after it", "–"]
