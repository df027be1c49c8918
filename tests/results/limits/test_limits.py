"""Pitch limits in words: rows, headline, end points, what must not be held, and what is measured next."""

from __future__ import annotations

import re
from dataclasses import replace as with_fields

import numpy as np
import page_runs
import pytest
from msgspec.structs import replace

from whirlbench.analysis.pitch_limits import NextHold, SafeThrottle, safe_throttle_of
from whirlbench.analysis.pitch_limits import study as study_module
from whirlbench.errors import AnalysisError, RigError
from whirlbench.results.answer import NONE, Answer, Level, Verdict
from whirlbench.results.limits import LimitsStudy, at_speeds, limits_answer, limits_study, propose
from whirlbench.results.limits.limits import travel_advice
from whirlbench.rig.description import Rig
from whirlbench.rig.toml import example_rig_text, parse_rig
from whirlbench.samples import Run, SlowSamples
from whirlbench.session.plan import parse_plan


def rig(**limits: float) -> Rig:
    """The example with a current limit that binds and an overspeed limit out of reach, without a blade set."""
    made = parse_rig(example_rig_text())
    changed = replace(made.limits, **{"current_a": 35.0, "overspeed_rpm": 20_000.0, **limits})
    return replace(made, limits=changed, propeller=replace(made.propeller, blade_set=None))


@pytest.fixture(scope="module")
def study() -> LimitsStudy:
    return limits_study([page_runs.hold_run()], rig())


@pytest.fixture(scope="module")
def answer(study: LimitsStudy) -> Answer:
    return limits_answer(study)


def pitches(answer: Answer, number: int) -> list[str]:
    """The four pitches of a row of the limits."""
    row = answer.table("limits").rows[number]
    return [row[1], row[2], row[4], row[5]]


def test_rows_fit_their_headings(answer: Answer) -> None:
    for table in answer.tables:
        assert table.rows and all(len(row) == len(table.columns) for row in table.rows)
    assert len(answer.table("holds").rows) == 8
    assert {row[0] for row in answer.table("end points").rows} == set(rig().modes)
    assert not any(row["forbidden"] for row in answer.document["limits"])


def test_the_headline_names_the_tightest_speed_of_table_and_curve_and_what_binds(answer: Answer) -> None:
    assert answer.headline.endswith("current binds; not judged: pitch servo torque")
    greatest = {row[0]: float(row[2]) for row in answer.table("limits").rows if row[2] != NONE}
    rpm, pitch = told(answer)
    assert greatest[rpm] == min(greatest.values()) and 0.0 <= greatest[rpm] - pitch < 0.11


def told(answer: Answer) -> tuple[str, float]:
    """Speed and pitch of the headline."""
    return answer.headline.split(":")[0].split()[-2], float(answer.headline.split("pitch ")[1].split()[0])


def test_the_headline_never_promises_more_than_the_curve_in_a_mode(study: LimitsStudy) -> None:
    """The mode ends above the measured speeds, where no row of the table stands; its curve falls on."""
    flight = replace(study.rig.modes["flight"], rpm=(3500.0, 6100.0))
    answer = limits_answer(with_fields(study, modes=(), rig=replace(study.rig, modes={"flight": flight})))
    rpm, pitch = told(answer)
    safe = answer.chart("limits").curves[1]
    inside = safe.y[(safe.x >= 3500.0) & (safe.x <= 6100.0)]
    assert rpm == "6100" and "; no hold near it; not judged" in answer.headline
    assert inside.min() - 0.1 < pitch <= inside.min()
    idle = replace(flight, powered=False)
    unpowered = with_fields(study, modes=(), rig=replace(study.rig, modes={"idle": idle}))
    assert told(limits_answer(unpowered)) == told(limits_answer(study))


def test_a_mode_speed_that_must_not_be_held_is_the_headline_though_no_row_of_the_table_shows_it() -> None:
    fast = rig()
    modes = {"flight": replace(fast.modes["flight"], rpm=(3500.0, 9500.0))}
    answer = limits_answer(limits_study([page_runs.hold_run()], replace(fast, modes=modes)))
    assert not any(row["forbidden"] for row in answer.document["limits"])
    assert answer.headline.startswith("in the modes, from ") and "do not hold this speed" in answer.headline


def test_the_safe_limit_is_never_above_the_best(answer: Answer) -> None:
    chart = answer.chart("limits")
    best, safe = chart.curves[:2]
    assert np.all(safe.y <= best.y + 1e-9)
    assert np.any(safe.y < best.y - 0.05)
    assert any("current binds" in caption.text for caption in chart.captions)
    assert [box.label for box in chart.boxes] == list(rig().modes)


def test_a_current_limit_exceeded_everywhere_leaves_no_number() -> None:
    found = limits_answer(limits_study([page_runs.hold_run()], rig(current_a=1.0)))
    assert "current is over its limit at every measured pitch: do not hold this speed" in found.headline
    assert found.table("limits").danger == frozenset(range(9))
    for number, row in enumerate(found.document["limits"]):
        assert pitches(found, number) == [NONE] * 4 and row["forbidden"] is True
        assert [row[key] for key in row if "pitch_deg" in key] == [None] * 4
        assert set(row["values"].values()) == {None}
    assert all(np.isnan(curve.y).all() for curve in found.chart("limits").curves[:2])
    assert found.chart("limits").stretches[-1].label == "do not hold this speed"
    assert any(remark.level is Level.DANGER and "do not hold" in remark.text for remark in found.remarks)


def test_a_governor_that_would_pass_overspeed_everywhere_leaves_no_number() -> None:
    found = limits_answer(limits_study([page_runs.hold_run()], rig(current_a=80.0, overspeed_rpm=4000.0)))
    assert "would pass overspeed at every measured pitch: no pitch is permitted with full throttle" in found.headline
    assert all(pitches(found, number) == [NONE] * 4 for number in range(9))
    assert all(row["forbidden"] for row in found.document["limits"])


def test_end_points_that_need_the_throttle_cap_say_so() -> None:
    answer = limits_answer(limits_study([page_runs.hold_run()], rig(overspeed_rpm=6200.0)))
    caps = {row[0]: row[2] for row in answer.table("end points").rows}
    for name, mode in rig().modes.items():
        text = f"{name}: the end points hold only with throttle travel up to {mode.max_throttle_pct:g} %"
        told = [remark for remark in answer.remarks if remark.text.startswith(text)]
        assert caps[name] in (f"{mode.max_throttle_pct:g}" if mode.powered else "0", NONE)
        assert all(remark.level is Level.CAUTION for remark in told)
    assert any("the end points hold only with throttle travel up to" in remark.text for remark in answer.remarks)


def test_the_highest_safe_throttle_is_worked_out_where_a_failed_governor_could_pass_overspeed() -> None:
    made = rig(overspeed_rpm=4000.0, current_a=60.0)
    made = replace(made, modes={**made.modes, "flight": replace(made.modes["flight"], min_pitch_deg=5.0)})
    answer = limits_answer(limits_study([page_runs.hold_run()], made))
    rows = {row[0]: row for row in answer.table("throttle").rows}
    told = 0
    for name, mode in made.modes.items():
        assert (name in rows) is mode.powered
        if mode.powered:
            percent, pulse_us, best = (float(cell) for cell in rows[name][2:])
            travel = answer.document["modes"][name]["safe_throttle"]
            assert percent <= travel["safe_pct"] < percent + 1.0 and best >= percent
            assert pulse_us == int(made.throttle.min_us + 8.0 * percent)
            words = f"throttle travel up to {percent:g} % ({pulse_us:g} µs), 95 % safe, best estimate {best:g} %"
            told += any(remark.text.startswith(name) and words in remark.text for remark in answer.remarks)
    assert told == 2  # by the caps of the rig both could: 60 and 82 %


def test_the_safe_travel_knows_what_the_blade_angle_errs_by() -> None:
    made = rig(overspeed_rpm=4000.0, current_a=60.0)
    found = limits_study([page_runs.hold_run()], made).limits
    unsure = replace(made, pitch=replace(made.pitch, stderr_deg=1.0))
    sure_pct, unsure_pct = (safe_throttle_of(found, one, 8.0).safe_pct for one in (made, unsure))
    assert unsure_pct < sure_pct < 100.0


def test_a_travel_between_the_safe_one_and_the_best_estimate_is_advised_against(study: LimitsStudy) -> None:
    mode = with_fields(study.modes[0], throttle_pct=60.0)

    def advised(best_pct: float, safe_pct: float) -> str:
        return travel_advice(with_fields(mode, safe_throttle=SafeThrottle(8.0, best_pct, safe_pct)), study.rig)

    assert advised(70.0, 60.0) == ""
    assert advised(70.0, 50.0).startswith("throttle travel up to 50 %")


def test_without_lever_positions_the_safe_throttle_is_that_of_all_measured_pitches() -> None:
    made = rig(overspeed_rpm=4000.0)
    study = limits_study([page_runs.hold_run()], replace(made, modes={}))
    ((name, from_deg, percent, *_),) = limits_answer(study).table("throttle").rows
    assert name == "none in the rig" and float(from_deg) == pytest.approx(study.limits.pitch_range_deg[0], abs=0.06)
    assert 0.0 < float(percent) < 100.0
    bare = limits_answer(limits_study([page_runs.hold_run()], replace(made, modes={}, motor=Rig().motor)))
    assert not any(table.key == "throttle" for table in bare.tables)


def test_what_could_not_be_evaluated_leaves_the_verdict_in_part(study: LimitsStudy) -> None:
    limits = with_fields(study.limits, not_evaluated=("power_w: motor constants missing",))
    found = limits_answer(with_fields(study, limits=limits))
    assert found.verdict is Verdict.IN_PART
    assert found.as_document()["not_judged"] == [{"what": "power", "why": "motor constants missing"}]


def test_the_next_hold_is_a_plan_that_can_be_run(study: LimitsStudy, monkeypatch: pytest.MonkeyPatch) -> None:
    """How it is found has its own tests; it is slow."""
    monkeypatch.setattr(study_module, "propose_hold", lambda limits, rig: NextHold(4000.0, 9.0, 0.4, 0.2))
    shown = limits_answer(study, propose(study))
    assert shown.plan is not None and shown.plan.remark.startswith("4000 rpm at 9.0 deg")
    assert len(parse_plan(shown.plan.text).steps) == 3
    assert any(curve.label == "measure next" for curve in shown.chart("limits").curves)


def test_while_the_next_hold_is_sought_that_is_said(answer: Answer) -> None:
    assert answer.plan is not None and answer.plan.text == ""
    assert "working out" in answer.plan.remark


def test_without_a_next_hold_the_reason_is_given(study: LimitsStudy, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(study_module, "propose_hold", lambda limits, rig: None)
    shown = limits_answer(study, propose(study))
    assert shown.plan is not None and "no further hold can be proposed" in shown.plan.remark


def test_coefficient_charts_hold_the_points_and_their_curve(answer: Answer) -> None:
    for chart in (answer.chart("CT"), answer.chart("CP")):
        dots, curve = chart.curves
        nearest = np.interp(dots.x, curve.x, curve.y)
        assert np.max(np.abs(nearest / dots.y - 1.0)) < 0.1
        assert np.all(chart.bands[0].low < chart.bands[0].high)


def test_other_speeds_can_be_asked_for(study: LimitsStudy) -> None:
    rows = limits_answer(at_speeds(study, (4000.0, 9000.0))).table("limits").rows
    assert [row[0] for row in rows] == ["4000", "9000"]
    assert at_speeds(study, None) is study


def test_a_second_set_is_drawn_and_compared() -> None:
    found = limits_answer(limits_study([page_runs.hold_run()], rig(), beside=[page_runs.hold_run(2)]))
    assert any(curve.label == "second set, 95 % safe" for curve in found.chart("limits").curves)
    rows = found.table("coefficients").rows
    assert sum(row[0] == "CT" for row in rows) == 7 and all(
        re.fullmatch(r"[+-]\d+\.\d ± \d+\.\d", row[2]) for row in rows
    )
    differences = found.document["against"]["differences"]
    assert [row[2].split(" ")[0] for row in rows] == [f"{one.difference_pct:+.1f}" for one in differences]
    assert any(remark.text.startswith("second set against the first: at most") for remark in found.remarks)


def test_sets_that_share_no_pitch_leave_the_first_ones_limits(study: LimitsStudy) -> None:
    far = with_fields(study.limits, pitch_range_deg=(50.0, 60.0))
    found = limits_answer(with_fields(study, second=far))
    assert found.table("limits").rows and found.verdict == "in part" and not found.table("coefficients").rows
    assert any("the two sets share no pitch" in item.why for item in found.not_judged)


def test_what_is_missing_is_named() -> None:
    time_s = np.arange(0.0, 20.0, 0.02)
    ramp = Run(SlowSamples(time_s, rpm=1000.0 + 100.0 * time_s, pitch_deg=0.0 * time_s))
    with pytest.raises(AnalysisError, match="no settled hold found"):
        limits_study([ramp], rig())
    with pytest.raises(RigError, match="air"):
        limits_study([page_runs.hold_run()], replace(rig(), air=type(rig().air)()))


def test_no_hold_is_proposed_where_no_pitch_is_permitted(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(study_module, "propose_hold", lambda limits, rig: NextHold(4000.0, 9.0, 0.4, 0.2))
    found = limits_study([page_runs.hold_run()], rig(current_a=1.0))
    proposal = propose(found)
    assert proposal.hold is None and proposal.plan_text == "" and "no pitch is permitted" in proposal.lack
    assert limits_answer(found, proposal).document["next_hold"] is None


def test_a_rig_without_limits_is_not_judged() -> None:
    bare = replace(rig(), limits=type(rig().limits)())
    found = limits_answer(limits_study([page_runs.hold_run()], bare))
    assert found.verdict is Verdict.NOT_JUDGED
    assert any("sets no limit" in item.why for item in found.not_judged)


def test_an_overspeed_limit_alone_says_nothing_of_the_greatest_pitch() -> None:
    alone = replace(rig(), limits=replace(type(rig().limits)(), overspeed_rpm=20_000.0))
    found = limits_answer(limits_study([page_runs.hold_run()], alone))
    assert found.verdict is Verdict.IN_PART
    assert "nothing binds" not in found.headline and "not judged: greatest pitch" in found.headline
    assert found.table("limits").rows[0][3] == "nothing that could be judged"
    assert found.chart("limits").curves[1].label.endswith("not judged")


def test_limits_that_were_not_judged_are_named_where_nothing_binds(study: LimitsStudy) -> None:
    free = with_fields(study.limits.limits[0], max_pitch_deg=None, max_pitch_deg_95=None, binding=None, binding_95=None)
    loose = tuple(with_fields(one, limit=1e6) for one in study.limits.constraints)
    lack = ("power_w: pack voltage under load was not recorded",)
    limits = with_fields(study.limits, limits=(free,), constraints=loose, not_evaluated=lack)
    found = limits_answer(with_fields(study, limits=limits))
    assert "no limit that could be judged binds" in found.headline and found.headline.endswith("not judged: power")
    assert found.table("limits").rows[0][3] == "nothing that could be judged"
    assert all("not judged: power" in row[-1] for row in found.table("end points").rows if row[0] != "cut_off")
