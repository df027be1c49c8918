"""The speed loop in words: gains and their dangers, what stays open, tables, charts, plan, the document read back."""

from __future__ import annotations

import json
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path

import numpy as np
import page_runs
import pytest
from linear_drive import LeverStep, LinearDrive, TachFaults, record_steps

from whirlbench.analysis.governor import Comparison, Interaction, prove
from whirlbench.analysis.governor import Verdict as StepVerdict
from whirlbench.analysis.governor import interaction as interaction_module
from whirlbench.analysis.governor.interaction import Estimate
from whirlbench.analysis.speed_loop import LoopModel
from whirlbench.errors import AnalysisError
from whirlbench.results.answer import NONE, Answer, Level, Verdict
from whirlbench.results.tune import (
    DO_NOT_LOAD,
    Study,
    compare_runs,
    gains_for_rig,
    read_advice,
    retuned,
    study,
    tune_answer,
)
from whirlbench.rig.toml import example_rig_text, parse_rig
from whirlbench.samples import Run
from whirlbench.session.plan import parse_plan

RIG = parse_rig(example_rig_text())
LAG = LinearDrive(6.0, 0.06, time_constant_s=0.3)
FAULTS = TachFaults(5e-6, 0.3)


def step_record(drive: LinearDrive = LAG, count: int = 3, unsteady: float = 0.3, spoilt: bool = False) -> Run:
    """Throttle steps of ``drive``; when ``spoilt`` two more that overlap."""
    steps = [LeverStep("throttle_us", 4.0 + 3.0 * k, 40.0 * (-1.0) ** k) for k in range(count)]
    end_s = 4.0 + 3.0 * count
    if spoilt:
        steps += [LeverStep("throttle_us", end_s, 40.0), LeverStep("throttle_us", end_s + 0.15, 40.0)]
    faults = TachFaults(5e-6, unsteady)
    return record_steps({"throttle_us": drive}, steps, end_s + 3.0, np.random.default_rng(1), faults=faults)


def request_record(loop: LinearDrive, seed: int = 2) -> Run:
    """Request steps answered by a closed loop that behaves as ``loop``."""
    steps = [LeverStep("speed_request_rpm", 4.0, 100.0), LeverStep("speed_request_rpm", 8.0, -100.0)]
    levers = {"speed_request_rpm": loop, "throttle_us": LAG}
    return record_steps(levers, steps, 12.0, np.random.default_rng(seed), base_rpm=4000.0, faults=FAULTS)


@pytest.fixture(scope="module")
def spoilt() -> Study:
    return study(step_record(spoilt=True), RIG)


@pytest.fixture(scope="module")
def clean() -> Study:
    return study(step_record(), RIG)


@pytest.fixture(scope="module")
def answer(spoilt: Study) -> Answer:
    return tune_answer(spoilt)


@pytest.fixture(scope="module")
def swinging(clean: Study) -> Study:
    """Gains so tight that the worst drive swings."""
    found = retuned(clean, 0.005)
    assert found.advice is not None and clean.advice is not None
    margins = replace(found.advice.worst, gain_margin=0.9, phase_margin_deg=-5.0)
    return replace(found, advice=replace(found.advice, worst=margins))


def texts(answer: Answer, level: Level) -> list[str]:
    return [remark.text for remark in answer.remarks if remark.level is level]


def test_every_row_fits_its_headings(answer: Answer) -> None:
    assert [table.key for table in answer.tables] == ["steps", "two points", "pooled", "advice", "stability"]
    for table in answer.tables:
        assert table.rows
        assert all(len(row) == len(table.columns) for row in table.rows)
        assert all(isinstance(cell, str) for row in table.rows for cell in row)


def test_no_machine_words_in_tables(answer: Answer) -> None:
    cells = [cell for table in answer.tables for row in (table.headings, *table.rows) for cell in row]
    assert not [cell for cell in cells if "_" in cell]


def test_charts_lay_the_model_over_the_measurement(answer: Answer) -> None:
    measured, model = answer.chart("step 1").curves
    assert (measured.ink, model.ink) == ("measured", "model")
    fine = np.isfinite(measured.y)
    assert np.sqrt(np.mean((measured.y - model.y)[fine] ** 2)) < 10.0


def test_the_headline_tells_the_gains_and_the_caution_stands_beside_them(answer: Answer, spoilt: Study) -> None:
    assert spoilt.advice is not None
    (low, high), _ = spoilt.advice.spread()
    assert f"throttle governor: kp {spoilt.advice.kp:.4g} µs/rpm ({low:.3g} to {high:.3g})" in answer.headline
    assert any("plane of rotation" in text for text in texts(answer, Level.CAUTION))
    row = dict(zip(answer.table("advice").headings, answer.table("advice").rows[0], strict=True))
    assert float(row["kp, µs/rpm"]) == pytest.approx(spoilt.advice.kp, rel=1e-3)
    assert float(row["ki, µs/rpm/s"]) == pytest.approx(spoilt.advice.ki, rel=1e-3)
    assert any(f"governor.kp_us_per_rpm = {spoilt.advice.kp:.5g}" in text for text in texts(answer, Level.NOTE))


def test_steps_that_could_not_be_used_leave_the_verdict_in_part(answer: Answer, spoilt: Study) -> None:
    unused = [row for row in answer.table("steps").rows if row[-1] == "not used"]
    problems = [result.problem for result in spoilt.loop.steps if result.problem]
    assert len(unused) == len(problems) > 0
    assert all(row[2:-1] == (NONE,) * 8 for row in unused)
    assert answer.verdict is Verdict.IN_PART
    assert [item.why for item in answer.not_judged] == problems
    assert all("throttle step at" in item.what for item in answer.not_judged)


def test_clean_steps_are_judged(clean: Study) -> None:
    assert tune_answer(clean).verdict is Verdict.JUDGED
    assert tune_answer(clean).table("steps").danger == frozenset()


def test_without_advice_that_is_said_and_there_is_no_plan() -> None:
    found = tune_answer(study(request_record(LinearDrive(1.0, 0.02, time_constant_s=0.1)), RIG))
    assert found.headline.endswith("; no gains advised")
    assert found.verdict is Verdict.IN_PART
    (open_,) = (item for item in found.not_judged if item.what == "gains for the governor")
    assert "steps the request of something that governs already" in open_.why
    assert found.document["advice"] is None and found.document["forecast"] == {}
    assert found.plan is not None and found.plan.text == "" and "no gains were advised" in found.plan.remark


def test_pulses_that_were_not_recorded_are_named() -> None:
    run = step_record()
    bare = study(run, RIG)
    steps = [replace(r, step=replace(r.step, command_from=np.nan, command_to=np.nan)) for r in bare.loop.steps]
    loop = replace(bare.loop, steps=tuple(steps))
    from whirlbench.analysis.governor import loop_study as module

    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(module, "all_steps", lambda run, rig, channel: loop)
        found = tune_answer(study(run, RIG))
    assert [item.why for item in found.not_judged] == ["the pulses behind the steps were not recorded"]


def test_gains_that_must_not_be_loaded_carry_no_number(swinging: Study) -> None:
    found = tune_answer(swinging)
    assert swinging.advice is not None
    (danger,) = texts(found, Level.DANGER)
    assert DO_NOT_LOAD in danger and DO_NOT_LOAD in found.headline
    row = dict(zip(found.table("advice").headings, found.table("advice").rows[0], strict=True))
    assert (row["kp, µs/rpm"], row["ki, µs/rpm/s"]) == (NONE, NONE)
    assert found.table("advice").danger == {0} and found.table("stability").danger >= {1}
    advice = found.document["advice"]
    assert (advice["kp"], advice["ki"], advice["derivative"]) == (None, None, None)
    assert (advice["law"]["kp_us_per_rpm"], advice["law"]["ki_us_per_rpm_s"]) == (None, None)
    assert found.plan is not None and found.plan.text == "" and DO_NOT_LOAD in found.plan.remark
    written = json.dumps(found.as_document()) + found.headline + repr(found.tables)
    for gain in (swinging.advice.kp, swinging.advice.ki):
        assert not [text for text in (f"{gain:.4g}", f"{gain:.5g}", repr(gain)) if text in written]
    assert not any("for the rig file" in text for text in texts(found, Level.NOTE))


def test_the_knob_turned_too_tight_is_a_danger(clean: Study) -> None:
    """Real margins, not made-up ones: a closed loop asked for far faster than the dead time on a doubtful drive."""
    doubtful = study(step_record(count=1, unsteady=6.0), RIG)
    tight = retuned(doubtful, 0.005)
    assert tight.advice is not None and not tight.advice.loadable
    assert texts(tune_answer(tight), Level.DANGER)
    assert not texts(tune_answer(doubtful), Level.DANGER)
    assert any("single step" in text for text in texts(tune_answer(doubtful), Level.CAUTION))


def test_derivative_action_is_spoken_of_where_it_would_pay() -> None:
    two_lags = LinearDrive(6.0, 0.01, damping_ratio=1.2, natural_frequency_rad_s=8.0)
    found = tune_answer(study(step_record(two_lags, count=6), RIG))
    assert any("derivative action would pay" in text for text in texts(found, Level.NOTE))
    assert any("derivative" in reason for reason in found.document["advice"]["reasons"])


def test_the_plan_proves_the_gains_and_can_be_run(answer: Answer) -> None:
    assert answer.plan is not None and "load the gains first" in answer.plan.remark
    steps = parse_plan(answer.plan.text).steps
    assert type(steps[-1]).kind == "coast-down"
    requests = [step.request_rpm for step in steps if getattr(step, "request_rpm", None)]
    assert f"steps of {max(requests) - requests[-1]:.0f} rpm" in answer.plan.remark


def test_a_re_test_is_a_danger_where_it_came_out_otherwise(clean: Study) -> None:
    """A loop that swings far beyond the forecast, and the same verdict turned round."""
    assert clean.advice is not None
    poor = request_record(LinearDrive(1.0, 0.02, damping_ratio=0.1, natural_frequency_rad_s=16.0))
    verdicts = prove(poor, clean.advice, np.random.default_rng(0), (), None)
    assert not any(verdict.agrees for verdict in verdicts)
    found = tune_answer(study(poor, RIG), verdicts)
    differs = "DIFFERS from the prediction: request at 4.00 s and request at 8.00 s"
    assert found.headline == f"0 of 2 re-tested steps came out as predicted; {differs}"
    table = found.tables[0]  # nobody has to look for the verdict
    assert table.key == "re-test" and {row[1] for row in table.rows} == {"overshoot", "settling into 5 %"}
    assert {row[4] for row in table.rows if row[1] == "overshoot"} == {"DIFFERS"}
    assert table.danger == frozenset(number for number, row in enumerate(table.rows) if row[4] == "DIFFERS")
    assert texts(found, Level.DANGER) == [verdict.line for verdict in verdicts]
    assert "NOT as predicted" in found.chart("proof 1").title
    assert [one["agrees"] for one in found.document["proof"]] == [False, False]
    assert_agreeing_is_a_note(clean, verdicts[0])


def assert_agreeing_is_a_note(clean: Study, verdict: StepVerdict) -> None:
    good = tune_answer(clean, [replace(verdict, agrees=True, line="request step: as predicted")])
    assert not texts(good, Level.DANGER)
    assert "request step: as predicted" in texts(good, Level.NOTE)
    assert good.chart("proof 1").title.endswith(": as predicted")


@pytest.mark.parametrize(
    ("gain", "stderr", "level"),
    [
        (0.93, 0.01, Level.NOTE),
        (3.0, 0.1, Level.CAUTION),
        (0.93, 5.0, Level.CAUTION),
        (0.2, 0.01, Level.CAUTION),
    ],
)
def test_levers_that_fight_or_may_fight_are_a_caution(clean: Study, gain: float, stderr: float, level: Level) -> None:
    one, relative = Estimate(1.0, 0.1), Estimate(gain, stderr)
    table = Interaction(one, one, one, one, relative, interaction_module._verdict(relative))
    found = tune_answer(replace(clean, interaction=table, no_interaction=""))
    assert table.verdict in texts(found, level)
    assert found.table("interaction").rows[0] == ("throttle, 1 µs", "1 ± 0.1", "1 ± 0.1")


def test_settings_are_named_and_spoken_of_in_words(clean: Study) -> None:
    others = [("firm", request_record(LinearDrive(1.0, 0.03, damping_ratio=0.8, natural_frequency_rad_s=8.0)), None)]
    soft = study(request_record(LinearDrive(1.0, 0.03, damping_ratio=0.2, natural_frequency_rad_s=8.0)), RIG)
    comparison: Comparison = compare_runs(soft, "soft", others)
    found = tune_answer(soft, (), comparison)
    table = found.table("comparison")
    assert [row[0] for row in table.rows] == ["soft", "firm", "better is"]
    assert "overshoot, %" in table.headings and "settling time, s" in table.headings
    better = dict(zip(table.headings, table.rows[-1], strict=True))
    assert (better["overshoot, %"], better["damping ratio"]) == ("smaller", "larger")
    assert "firm is better, by more than noise, in" in comparison.line and "_" in comparison.line
    (told,) = (text for text in texts(found, Level.NOTE) if "is better" in text)
    assert "_" not in told and "overshoot" in told


def test_under_the_knob_only_the_re_tests_outcome_is_left_out(clean: Study) -> None:
    full, quick = tune_answer(clean), tune_answer(clean, foretold=False)
    assert set(full.document["forecast"]) == {"request"} and quick.document["forecast"] == {}
    gone = set(texts(full, Level.NOTE)) - set(texts(quick, Level.NOTE))
    assert [text.partition(" in the re-test")[0] for text in gone] == ["expected of the request step"]
    assert texts(quick, Level.CAUTION) == texts(full, Level.CAUTION)
    assert (quick.plan, quick.headline) == (full.plan, full.headline)


def test_the_knob_leaves_what_was_measured(clean: Study) -> None:
    calm = retuned(clean, 0.6)
    assert calm.advice is not None and calm.advice.closed_loop_time_s == 0.6
    assert calm.loop is clean.loop and calm.spectra == clean.spectra
    back = retuned(calm, None)
    assert back.advice is not None and clean.advice is not None
    assert back.advice.kp == clean.advice.kp


def written(path: Path, document: object) -> Path:
    path.write_text(json.dumps(document), encoding="utf-8")
    return path


def old(document: dict) -> dict:
    """As it was written before remarks had levels and answers a verdict."""
    lines = [remark["text"] for remark in document["remarks"]]
    return {key: value for key, value in document.items() if key not in ("verdict", "not_judged")} | {"remarks": lines}


@pytest.mark.parametrize("form", [dict, old])
def test_the_advice_is_read_back(clean: Study, tmp_path: Path, form: Callable[[dict], dict]) -> None:
    advice, loads = read_advice(written(tmp_path / "a.json", form(tune_answer(clean).as_document())))
    assert clean.advice is not None
    assert (advice.kp, advice.ki, advice.lever) == (clean.advice.kp, clean.advice.ki, "throttle")
    assert advice.worst == clean.advice.worst and advice.law == clean.advice.law
    assert all(isinstance(model, LoopModel) for model in advice.models)
    assert len(advice.models) == len(clean.advice.models) and loads == {"pitch": ()}


def test_gains_that_must_not_be_loaded_are_written_into_no_rig(swinging: Study, clean: Study) -> None:
    assert gains_for_rig(clean)
    with pytest.raises(AnalysisError, match=f"{DO_NOT_LOAD}: none are written"):
        gains_for_rig(swinging)
    with pytest.raises(AnalysisError, match="no gains were advised, so none are written"):
        gains_for_rig(replace(clean, advice=None))


def test_no_re_test_is_judged_by_gains_that_must_not_be_loaded(swinging: Study, clean: Study, tmp_path: Path) -> None:
    with pytest.raises(AnalysisError, match=DO_NOT_LOAD):
        read_advice(written(tmp_path / "a.json", tune_answer(swinging).as_document()))
    unknown = tune_answer(clean).as_document()
    unknown["advice"]["worst_case"]["phase_margin_deg"] = None
    with pytest.raises(AnalysisError, match=DO_NOT_LOAD):
        read_advice(written(tmp_path / "b.json", unknown))


def test_speeds_that_always_come_back_are_told_as_governed() -> None:
    run = page_runs.step_run()
    found = study(run, RIG)
    pitch = next(result for result in found.loop.steps if result.step.kind == "pitch")
    loop = replace(found.loop, steps=(replace(pitch, choice=None, returned=True),), pooled=())
    from whirlbench.analysis.governor import loop_study as module

    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(module, "all_steps", lambda run, rig, channel: loop)
        governed = tune_answer(study(run, RIG))
    assert governed.verdict is Verdict.IN_PART
    assert [item.what for item in governed.not_judged] == ["gains for the governor"]
    assert "something governs it already" in governed.not_judged[0].why
    assert governed.table("steps").rows[0][2] == "governed"
    assert "came back from" in governed.table("steps").rows[0][-1]


def test_a_step_that_was_fitted_and_not_used_carries_no_figure(clean: Study) -> None:
    first, *others = clean.loop.steps
    assert first.choice is not None
    spoiled = replace(first, problem="it overlaps what came earlier")
    found = tune_answer(replace(clean, loop=replace(clean.loop, steps=(spoiled, *others))))
    step = found.document["steps"][0]
    assert step["used"] is False and step["problem"] == spoiled.problem
    assert [step[key] for key in ("model", "stderr", "response", "drift_rpm_per_s", "hunting")] == [None] * 5
    assert [curve.label for curve in found.chart("step 1").curves] == ["measured"]


def test_gains_that_must_not_be_loaded_foretell_nothing(swinging: Study) -> None:
    assert not [chart for chart in tune_answer(swinging).charts if chart.key.startswith("forecast")]
