"""A strength check in words: sets, ways to fail, margins, what is not fit, what the rig leaves open."""

from __future__ import annotations

import math
from dataclasses import replace as with_fields

import numpy as np
import pytest
from msgspec.structs import replace

from whirlbench.analysis.strength import ThrottleCap
from whirlbench.errors import BenchError
from whirlbench.results.answer import NONE, Answer, Level, Verdict
from whirlbench.results.check import StrengthCheck, check_answer, check_strength
from whirlbench.results.check.charts import in_words, margins, profile_chart
from whirlbench.rig.description import Rig
from whirlbench.rig.toml import example_rig_text, parse_rig

BARE = (
    "[propeller]\nblades = 2\ndiameter_m = 0.3\n[limits]\noverspeed_rpm = 6000\n[blade_sets.plain]\n"
    'mass_kg = 0.01\ncg_radius_m = 0.07\nmaterial = "moulded_nylon"\n[blade_sets.plain.root]\n'
    'mouth_radius_m = 0.02\nneck_chord_m = 0.02\nneck_thickness_m = 0.01\nkind = "clamped"\nclamped_length_m = 0.03\n'
    "clamp_force_n = 9000\n"
)


@pytest.fixture(scope="module")
def rig() -> Rig:
    return parse_rig(example_rig_text())


@pytest.fixture(scope="module")
def check(rig: Rig) -> StrengthCheck:
    return check_strength(rig)


@pytest.fixture(scope="module")
def answer(check: StrengthCheck, rig: Rig) -> Answer:
    return check_answer(check, rig)


@pytest.fixture(scope="module")
def printed(check: StrengthCheck, rig: Rig) -> Answer:
    return check_answer(check, rig, "printed")


@pytest.fixture(scope="module")
def bare() -> Answer:
    """A rig with next to nothing but loads and a root."""
    thin = parse_rig(BARE)
    return check_answer(check_strength(thin), thin)


def test_the_fitted_set_is_told_first(answer: Answer) -> None:
    told, spread = answer.headline.split(" (5 to 95 % of blades: ")
    assert told == "moulded nylon: fit for 5300 rpm; peak at the hole permits 6148 rpm"
    assert spread.removesuffix(")") == answer.table("sets").rows[2][8]
    assert answer.verdict is Verdict.JUDGED
    assert answer.table("modes").title.startswith("moulded nylon")
    assert answer.table("sets").rows[2][0] == "moulded nylon (fitted)"


def test_a_travel_between_the_safe_one_and_the_best_estimate_is_warned_of(check: StrengthCheck, rig: Rig) -> None:
    travel, words = rig.modes["flight"].max_throttle_pct, "if the governor fails wide open"

    def warned(safe_pct: float) -> bool:
        cap = ThrottleCap("flight", 8.0, 5500.0, travel + 5.0, safe_pct)
        answer = check_answer(with_fields(check, throttle=(cap,)), rig)
        return any(words in remark.text for remark in answer.remarks)

    assert warned(travel - 1.0) and not warned(travel)


def test_choosing_the_printed_set_shows_its_failure(check: StrengthCheck, answer: Answer, printed: Answer) -> None:
    assert "NOT FIT for 5300 rpm; shear-out across layers permits 3178 rpm only" in printed.headline
    fullest = margins(check, check.designs[0])[0]
    assert fullest.label == "shear-out across layers" and fullest.share > 1.0
    bar = printed.chart("margins").boxes[0]
    assert bar.label.startswith("shear-out across layers") and bar.ink == "over"
    assert [curve.dashed for curve in printed.chart("use").curves] == [False, True, True]
    failing = [
        row[0] for number, row in enumerate(printed.table("modes").rows) if number in printed.table("modes").danger
    ]
    assert failing == ["shear-out across layers", "cleavage by the pin across layers"]
    assert printed.document == answer.document and printed.plan == answer.plan


def test_a_set_that_is_not_fit_reads_as_danger_whichever_is_chosen(answer: Answer, printed: Answer) -> None:
    for shown in (answer, printed):
        assert shown.table("sets").danger == frozenset({0}) and shown.table("sets").rows[0][1] == "NOT FIT"
        first, second, third = (box for box in shown.chart("permitted").boxes if box.filled)
        assert first.ink == "over" and "NOT FIT, 3178 rpm" in first.label
        assert second.ink == third.ink == "calm"
        assert any(r.level is Level.DANGER and "printed: NOT FIT" in r.text for r in shown.remarks)


def test_an_unknown_set_is_refused(check: StrengthCheck, rig: Rig) -> None:
    with pytest.raises(BenchError, match="wooden"):
        check_answer(check, rig, "wooden")


def test_rows_fit_their_headings(answer: Answer) -> None:
    for table in (*answer.tables, *answer.appendix):
        assert table.rows and all(len(row) == len(table.columns) for row in table.rows), table.key
        assert all("nan" not in cell and "inf" not in cell.split() for row in table.rows for cell in row)


def test_margins_are_shares_of_what_is_permitted(check: StrengthCheck, answer: Answer) -> None:
    found = margins(check, check.fitted)
    shares = [margin.share for margin in found]
    assert shares == sorted(shares, reverse=True)
    governing = check.fitted.mode("blade")
    assert governing is not None
    number, shown = next((n, margin) for n, margin in enumerate(found) if margin.label == governing.name)
    assert shown.share == pytest.approx(governing.required / governing.reserve_factor)
    bar = answer.chart("margins").boxes[number]
    assert bar.x == (0.0, shown.share) and bar.label.endswith(f"{shown.share:.0%}")
    assert {margin.label for margin in found} >= {"pitch servo torque", "tip Mach"}


def test_curves_cross_one_where_the_first_stress_has_used_its_reserve(check: StrengthCheck, rig: Rig) -> None:
    for design in check.designs:
        curve = check_answer(check, rig, design.name).chart("use").curves[0]
        assert np.all(np.diff(curve.y) > 0.0)
        first = min(mode.permitted_rpm for mode in design.modes if mode.judged)
        assert np.interp(1.0, curve.y, curve.x) == pytest.approx(first, rel=0.01)


def test_dangers_come_first_and_the_cautions_are_there(answer: Answer) -> None:
    levels = [remark.level for remark in answer.lines()]
    assert levels == sorted(levels, key=("danger", "caution", "note").index)
    cautions = [remark.text for remark in answer.remarks if remark.level is Level.CAUTION]
    assert any("plane of rotation" in text for text in cautions)
    assert any(text.startswith("A blade that lets go: 65 m/s, 78 ± ") for text in cautions)


def test_profile_and_fragments(answer: Answer) -> None:
    pull, total = answer.chart("profile").curves
    assert pull.x[0] == pytest.approx(50.0) and len(pull.x) == len(pull.y) == len(total.y)
    assert np.all(total.y >= pull.y)
    assert answer.table("fragments").rows[0] == ("a blade", "36.6 ± 0.2", "65", "78 ± 0.4")


def test_the_keep_out_sector_is_fifteen_degrees_either_side(answer: Answer) -> None:
    chart = answer.chart("keep out")
    band = chart.bands[0]
    assert math.degrees(math.atan2(band.high[-1], band.x[-1])) == pytest.approx(15.0)
    assert np.all(band.low == -band.high) and "common practice, no source" in band.label
    assert chart.lines[0].label == "plane of rotation"


def test_planning_figures_carry_their_range(check: StrengthCheck, answer: Answer) -> None:
    table = next(table for table in answer.appendix if table.key == "planning")
    point = check.planning[0]
    low, high = point.thrust_range_n
    assert table.rows[0][2] == f"{point.thrust_n:.0f} ({low:.0f} to {high:.0f})"
    chart = answer.chart("planned thrust")
    assert len(chart.curves) == len(chart.bands) == 6
    assert np.all(chart.bands[0].low <= chart.curves[0].y) and np.all(chart.curves[0].y <= chart.bands[0].high)


def test_what_the_rig_leaves_open_is_not_judged_and_carries_no_figure(bare: Answer) -> None:
    assert bare.verdict is Verdict.IN_PART
    open_ = {item.what: item.why for item in bare.not_judged}
    assert set(open_) == {
        "probability of overload of plain",
        "blade outside its root of plain",
        "thrust and power to expect",
    }
    assert "no tolerances" in open_["probability of overload of plain"]
    row = bare.table("sets").rows[0]
    assert row[-1] == NONE
    assert "profile" not in [chart.key for chart in bare.charts]


def test_a_set_without_sections_among_others_says_so_in_the_chart_of_stresses(check: StrengthCheck) -> None:
    chart = profile_chart(with_fields(check.fitted, sections=None))
    assert not chart.curves and chart.caption.startswith("Not judged") and len(chart.title) < 60


@pytest.mark.parametrize(
    ("name", "words"),
    [
        ("clearance_m", "clearance"),
        ("hole_diameter_m", "hole diameter"),
        ("strength, moulded_nylon tension no layers", "strength, moulded nylon tension"),
        ("strength, root.bond_shear_mpa", "strength, root.bond shear"),
    ],
)
def test_inputs_of_the_spread_are_told_in_words(name: str, words: str) -> None:
    assert in_words(name) == words


def test_no_chart_or_way_to_fail_shows_a_raw_key(answer: Answer) -> None:
    assert all("_" not in box.label for box in answer.chart("split").boxes)
    assert all(row[-1] != "no layers" for row in answer.table("modes").rows)


def test_a_probability_that_is_no_number_never_reads_as_small(check: StrengthCheck, rig: Rig) -> None:
    chance = check.monte_carlo["moulded"]
    assert chance is not None
    chances = {**check.monte_carlo, "moulded": with_fields(chance, exceeds_strength=math.nan)}
    found = check_answer(with_fields(check, monte_carlo=chances), rig)
    assert found.table("sets").rows[2][-1] == NONE
    assert [item.what for item in found.not_judged] == ["probability of overload of moulded nylon"]


def test_a_set_that_lacks_a_key_is_named_as_not_judged(rig: Rig) -> None:
    blades = dict(rig.blade_sets)
    blades["printed"] = replace(blades["printed"], root=None)
    changed = replace(rig, blade_sets=blades)
    found = check_answer(check_strength(changed), changed)
    assert found.verdict is Verdict.IN_PART
    assert any(item.what == "blade set printed" and "blade_sets.printed.root" in item.why for item in found.not_judged)
    assert len(found.table("sets").rows) == 2


def test_where_no_speed_is_permitted_nothing_is_offered_to_turn(rig: Rig, check: StrengthCheck) -> None:
    unfit = with_fields(check, plan=with_fields(check.plan, proof_rpm=0.0, stages=()))
    found = check_answer(unfit, rig)
    assert found.plan is not None and found.plan.text == ""
    assert "no plan can be written: no speed is permitted" in found.plan.remark
    assert "stages" not in {table.key for table in found.tables}
    assert not [mark for chart in found.charts for mark in chart.lines if mark.label.startswith("proof")]


def test_a_plan_that_cannot_be_written_says_why(answer: Answer, bare: Answer) -> None:
    assert answer.plan is not None and "[[step]]" in answer.plan.text and "5560 rpm" in answer.plan.remark
    assert bare.plan is not None and bare.plan.text == ""
    assert "no plan can be written: the plan needs throttle openings" in bare.plan.remark
