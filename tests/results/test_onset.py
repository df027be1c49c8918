"""Onset in words: what was found, what could not be judged, and that silence never reads as health."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import page_runs
import pytest
from msgspec.structs import replace as changed

from whirlbench.analysis.onset import Cause, Failure
from whirlbench.analysis.orders import Resonance
from whirlbench.results.answer import NONE, Answer, Level, Verdict
from whirlbench.results.onset import OnsetStudy, moments, onset_answer, onset_study
from whirlbench.rig.toml import parse_rig
from whirlbench.samples import Event, Run, SlowSamples, TachPulses, VibrationSamples

RIG = parse_rig("[propeller]\nblades = 4\n[limits]\nvibration_g_rms = 1.0\n")
NO_LIMITS = parse_rig("[propeller]\nblades = 4\n")


@pytest.fixture(scope="module")
def growing() -> OnsetStudy:
    return onset_study(page_runs.shaking_run(grows=True), RIG)


@pytest.fixture(scope="module")
def steady() -> OnsetStudy:
    return onset_study(page_runs.shaking_run(grows=False), RIG)


def cautions(answer: Answer) -> list[str]:
    return [remark.text for remark in answer.remarks if remark.level is Level.CAUTION]


def unjudged(answer: Answer) -> dict[str, str]:
    return {item.what: item.why for item in answer.not_judged}


def fully_recorded() -> Run:
    """A steady run with every signal in which an onset is looked for."""
    run = page_runs.shaking_run(grows=False)
    count, noise = len(run.slow.time_s), np.random.default_rng(5)
    channels = {"current_a": 20.0, "thrust_n": 30.0}
    return replace(
        run,
        slow=replace(run.slow, **{name: at + noise.normal(0.0, 0.1, count) for name, at in channels.items()}),
    )


def test_the_headline_tells_onset_and_first_trip(growing: OnsetStudy) -> None:
    onset = growing.report.onset
    assert onset is not None and growing.test is not None
    assert abs(onset.at_s - 25.0) < 2.0
    headline = onset_answer(growing).headline
    assert headline.startswith(f"growth from {onset.at_s:.1f} s ({onset.from_s:.1f} to {onset.to_s:.1f} s, 95 %)")
    # 0.5 g at rest and 0.2 g a second from 25 s on pass 1 g rms, 1.41 g peak, at 29.6 s
    assert growing.test.trips[0].rule == "vibration_g_rms"
    assert abs(growing.test.trips[0].at_s - 29.6) < 0.4
    assert f"first vibration at {growing.test.trips[0].at_s:.2f} s" in headline


def test_rows_fit_their_headings_and_carry_units(growing: OnsetStudy) -> None:
    answer = onset_answer(growing)
    for table in answer.tables:
        assert (table.rows or table.key == "resonances") and all(len(row) == len(table.columns) for row in table.rows)
    trip = answer.table("trips").rows[0]
    assert trip[:2] == ("vibration", "would have") and trip[3].endswith(" g rms") and trip[4] == "1 g rms"
    assert answer.chart("evidence").curves[0].label in [row[0] for row in answer.table("signals").rows]
    assert any(line.label.startswith("onset") for line in answer.chart("speed").lines)


def test_trips_that_fired_stand_with_those_that_would_have() -> None:
    run = replace(page_runs.shaking_run(grows=True), events=(Event(39.0, "trip", "overspeed", "6210 rpm"),))
    answer = onset_answer(onset_study(run, RIG))
    rows = answer.table("trips").rows
    assert [row[:2] for row in rows] == [("vibration", "would have"), ("overspeed", "yes")]
    assert rows[1][2:4] == ("39.00", "6210 rpm")
    assert "tripped at 39.00 s: overspeed" in answer.headline
    assert [trip["recorded"] for trip in answer.document["trips"]] == [False, True]


def test_silence_is_said_with_what_was_judged_and_is_no_proof_of_health(steady: OnsetStudy) -> None:
    answer = onset_answer(steady)
    assert steady.report.onset is None
    assert f"no onset in {steady.report.judged_s:.0f} s of steady running" in answer.headline
    told = [text for text in cautions(answer) if "no proof of health" in text]
    assert len(told) == 1 and f"{steady.report.judged_s:.0f} s of steady running" in told[0]


def test_none_states_what_each_signal_would_have_shown(steady: OnsetStudy) -> None:
    answer = onset_answer(steady)
    (told,) = [one.text for one in answer.remarks if "would have been seen from these sizes on" in one.text]
    rows = {row[0]: row[1] for row in answer.table("smallest_seen").rows}
    seen = answer.as_document()["smallest_seen"]
    assert set(rows) == set(seen) == set(steady.report.signal_names) and "1P" in seen
    assert seen["1P"]["unit"] == "g" and 0.0 < seen["1P"]["size"] < 0.5 and seen["1P"]["lasting_s"] == 10.0
    assert rows["1P"].endswith(" g") and f"1P {rows['1P']}" in told
    blind = replace(steady.report.smallest_seen[0], size=float("inf"))
    answer = onset_answer(replace(steady, report=replace(steady.report, smallest_seen=(blind,))))
    assert answer.as_document()["smallest_seen"][blind.signal]["size"] is None
    assert answer.table("smallest_seen").rows[0][1] == NONE
    assert not any("would have been seen from" in one.text for one in answer.remarks)


def test_the_cause_is_told_with_its_reason(growing: OnsetStudy) -> None:
    answer = onset_answer(growing)
    assert growing.report.cause is not None and growing.report.cause.kind == "rotor"
    assert "; the rotor changed" in answer.headline
    assert answer.document["onset"]["cause"] == "rotor" and "1P" in answer.document["onset"]["cause_why"]
    assert any("the rotor changed: " in one.text for one in answer.remarks)
    for kind, words in (("load", "wind, air or pitch"), ("drive", "the drive changed"), ("sensor", "a sensor changed")):
        report = replace(growing.report, cause=Cause(kind, "thrust moved"))
        assert words in onset_answer(replace(growing, report=report)).headline


def test_signals_that_began_apart_are_told_apart(growing: OnsetStudy) -> None:
    assert growing.report.onset is not None
    onset = replace(growing.report.onset, moved=("1P", "thrust"), together=("1P",))
    answer = onset_answer(replace(growing, report=replace(growing.report, onset=onset)))
    assert any(one.text == "one common beginning: 1P; later by itself: thrust" for one in answer.remarks)


def test_an_onset_found_is_not_called_silence(growing: OnsetStudy) -> None:
    assert not any("no proof of health" in text for text in cautions(onset_answer(growing)))


def test_too_little_steady_running_is_not_judged() -> None:
    run = page_runs.shaking_run(grows=False).between(0.0, 4.0)
    answer = onset_answer(onset_study(run, RIG))
    assert answer.verdict is Verdict.NOT_JUDGED
    assert answer.headline.startswith("onset not judged")
    assert "a baseline needs 6 s" in unjudged(answer)["onset"]
    assert "evidence" not in [chart.key for chart in answer.charts]
    assert not any("no proof of health" in text for text in cautions(answer))


def test_a_run_that_never_turned_is_not_judged() -> None:
    time_s = np.arange(0.0, 20.0, 0.02)
    answer = onset_answer(onset_study(Run(SlowSamples(time_s, rpm=0.0 * time_s)), RIG))
    assert answer.verdict is Verdict.NOT_JUDGED
    assert "never turned" in unjudged(answer)["onset"]


def test_signals_that_were_not_recorded_leave_the_verdict_in_part(steady: OnsetStudy) -> None:
    answer = onset_answer(steady)
    assert answer.verdict is Verdict.IN_PART
    assert unjudged(answer) == {"thrust": "no thrust was recorded", "current": "no current was recorded"}
    blind = replace(fully_recorded(), vibration=VibrationSamples(), tach=TachPulses())
    found = unjudged(onset_answer(onset_study(blind, RIG)))
    assert found["orders, broadband and crest factor"] == "no vibration was recorded"
    assert found["unsteadiness within the turn"] == "no tach pulses were recorded"
    assert found["vibration"] == "the recording has no vibration"


def test_a_quantity_that_is_no_signal_and_has_no_limit_judged_is_said_once() -> None:
    rig = changed(RIG, limits=changed(RIG.limits, current_a=110.0))
    answer = onset_answer(onset_study(page_runs.shaking_run(grows=False), rig))
    assert [item.why for item in answer.not_judged if item.what == "current"] == ["the recording has no current"]
    assert len({item.what for item in answer.not_judged}) == len(answer.not_judged)
    assert "no current was recorded" not in " ".join(unjudged(answer).values())


def test_all_signals_and_limits_recorded_is_judged() -> None:
    answer = onset_answer(onset_study(fully_recorded(), RIG))
    assert answer.verdict is Verdict.JUDGED and answer.not_judged == ()


def test_without_a_rig_or_limits_no_trip_is_said_to_stay_away() -> None:
    for rig, why in ((None, "no rig was given"), (NO_LIMITS, "the rig sets no limit")):
        answer = onset_answer(onset_study(fully_recorded(), rig))
        assert answer.verdict is Verdict.IN_PART
        assert any(why in text for text in unjudged(answer).values())
        assert "would have tripped" not in answer.headline


def test_a_run_ended_by_a_trip_says_what_cannot_be_told() -> None:
    run = replace(page_runs.shaking_run(grows=False), events=(Event(39.0, "trip", "lost_tach"),))
    answer = onset_answer(onset_study(run, RIG))
    assert any("ended by a trip at 39.00 s (lost tach)" in text for text in cautions(answer))
    assert answer.document["ended_by_trip"] == {"rule": "lost_tach", "at_s": 39.0}


def test_damage_of_the_recording_and_orders_without_phase_are_cautions() -> None:
    run = replace(fully_recorded(), problems=("3 blocks are damaged",))
    run = replace(run, tach=replace(run.tach, pulses_per_rev=2))
    answer = onset_answer(onset_study(run, RIG))
    assert "in the recording: 3 blocks are damaged" in cautions(answer)
    assert any("without phase" in text for text in cautions(answer))
    assert answer.document["problems"] == ("3 blocks are damaged",)


def test_a_failure_before_every_trip_is_a_danger(growing: OnsetStudy) -> None:
    from pathlib import Path

    from whirlbench.recording.files import read_run
    from whirlbench.rig.toml import example_rig_text

    crack = read_run(Path(__file__).parents[2] / "recordings" / "root_crack.h5")
    answer = onset_answer(onset_study(crack, parse_rig(example_rig_text())))
    assert "blade lost at 63.00 s" in answer.headline
    dangers = [remark.text for remark in answer.remarks if remark.level is Level.DANGER]
    assert dangers == ["the failure at 63.00 s came before any trip of the limits that could be judged"]
    assert not any(remark.level is Level.DANGER for remark in onset_answer(growing).remarks)


def test_moments_are_in_order_and_hold_what_was_found() -> None:
    events = (Event(30.0, "note", "smell of glue"), Event(2.0, "state", "turning"), Event(3.0, "plan", "current_a 3"))
    study = onset_study(replace(page_runs.shaking_run(grows=True), events=events), RIG)
    found = moments(study)
    assert [one.at_s for one in found] == sorted(one.at_s for one in found)
    assert {"note", "state", "plan", "onset", "caution", "trip"} == {one.kind for one in found}
    assert not any("current_a" in one.text or "vibration_g" in one.text for one in found)
    onset = next(one for one in found if one.kind == "onset")
    assert study.report.onset is not None and onset.at_s == study.report.onset.at_s
    assert study.report.onset.from_s <= 25.5 and study.report.onset.to_s >= 24.5


def test_a_recorded_caution_is_told_once_in_its_own_words() -> None:
    words = "hunting 3 %, limit 1 %: the speed is hunting: gains too high, or play in the pitch linkage"
    study = onset_study(
        replace(page_runs.shaking_run(grows=False), events=(Event(4.0, "caution", "hunting_pct", words),)), RIG
    )
    assert [one.text for one in moments(study) if one.kind == "caution"] == [words]


def test_a_trip_that_fired_and_would_have_is_one_line_on_the_chart(growing: OnsetStudy) -> None:
    assert growing.test is not None
    event = Event(growing.test.trips[0].at_s, "trip", "vibration")
    answer = onset_answer(replace(growing, run=replace(growing.run, events=(event,))))
    assert len(answer.table("trips").rows) == 2
    assert sum("vibration" in line.label for line in answer.chart("speed").lines) == 1


def test_a_resonance_is_told_with_its_doubt(growing: OnsetStudy) -> None:
    met = Resonance("ay_g", 1, 2400.0, 40.0, 0.02, 0.3, 0.004, "likely", ())
    report = replace(growing.report, resonances=(met,), resonances_refused="")
    answer = onset_answer(replace(growing, report=report))
    assert answer.table("resonances").rows == (("ay", "1P", "2400", "40 ± 0.3", "2 ± 0.4", "likely"),)
    assert answer.as_document()["resonances"][0]["natural_hz"] == 40.0
    assert any(remark.text.startswith("resonances: ") for remark in onset_answer(growing).remarks)


def test_a_failure_that_is_not_sure_is_told_as_perhaps(growing: OnsetStudy) -> None:
    told = Failure(35.0, "shaft stopped", asked=None, sure=False)
    sure, unsure = (
        onset_answer(replace(growing, report=replace(growing.report, failure=replace(told, sure=known))))
        for known in (True, False)
    )
    assert "perhaps shaft stopped at 35.00 s" in unsure.headline and "of warning" not in unsure.headline
    assert "perhaps" not in sure.headline and "s of warning" in sure.headline
    assert unsure.document["lead_s"] is None and unsure.document["failure"]["sure"] is False
    assert {row[-1] for row in unsure.table("trips").rows} == {NONE}
    assert unsure.document["leads"]["first_trip_to_failure_s"] is None
