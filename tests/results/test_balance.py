"""A balance in words: what is added where, how sure that is, and whether the wanted grade is reached."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import numpy as np
import pytest

from whirlbench.analysis.balance import (
    Balance,
    Influence,
    Vectors1P,
    Velocity1P,
    grade_mm_s,
    mass_errors_g,
    permitted_g_mm,
    sine_vibration,
)
from whirlbench.results.answer import NONE, Answer, Level, Verdict
from whirlbench.results.balance import Fitting, balance_answer, felt_velocities
from whirlbench.rig.description import Rig, Vibration
from whirlbench.samples import Run

RPM = 3000.0


def found(size_g_mm: float = 80.0, stderr_g_mm: float = 0.4, **others: Any) -> Balance:
    """``size_g_mm`` at 200 degrees, found at one speed on one axis."""
    influence = Influence(np.array([RPM]), ("ay_g",), np.array([[0.01 + 0.0j]]), np.array([[1e-4]]))
    angle_error = float(np.degrees(stderr_g_mm / size_g_mm))
    return replace(Balance(size_g_mm, 200.0, stderr_g_mm, angle_error, influence, left_share=0.02), **others)


def told(answer: Answer, level: Level) -> str:
    return " | ".join(remark.text for remark in answer.remarks if remark.level is level)


def test_mass_and_angle_carry_the_standard_error_of_the_unbalance() -> None:
    answer = balance_answer(found(), (), Fitting(40.0, 6.3))
    assert (
        answer.headline == "add 2 ± 0.01 g at 20.0 ± 0.3 deg from the mark, in the direction of rotation, radius 40 mm"
    )
    assert answer.table("correction").rows == (
        ("unbalance as found", "80 ± 0.4 g mm", "200.0 ± 0.3"),
        ("correction, radius 40 mm", "2 ± 0.01 g", "20.0 ± 0.3"),
    )
    assert answer.document["stderr"] == {
        "g_mm": 0.4, "angle_deg": pytest.approx(0.286, abs=1e-3), "mass_g": pytest.approx(0.01),
    }  # fmt: skip
    assert "take the trial mass off first" in told(answer, Level.CAUTION)


def test_without_the_rotors_mass_no_grade_is_judged() -> None:
    answer = balance_answer(found(), (), Fitting(40.0, 6.3))
    assert answer.verdict is Verdict.IN_PART
    assert answer.not_judged[0].what == "balance grade" and "propeller.rotor_kg" in answer.not_judged[0].why
    assert answer.document["grade_mm_s"] is None and answer.document["within_grade"] is None


def test_the_grade_is_within_only_when_that_is_sure() -> None:
    permitted = permitted_g_mm(6.3, 0.5, RPM)
    assert grade_mm_s(permitted, 0.5, RPM) == pytest.approx(6.3)

    def graded(size: float, stderr: float) -> Answer:
        return balance_answer(found(size, stderr), (), Fitting(40.0, 6.3, rotor_kg=0.5))

    sure, unsure, above = graded(0.8 * permitted, 0.01), graded(0.97 * permitted, 1.0), graded(1.5 * permitted, 0.01)
    assert "within G6.3" in told(sure, Level.NOTE) and sure.document["within_grade"] is True
    assert "within, but not with 95 % confidence, G6.3" in told(unsure, Level.CAUTION)
    assert unsure.document["within_grade"] is None
    assert "not within G6.3" in told(above, Level.CAUTION) and above.document["within_grade"] is False
    assert all(answer.verdict is Verdict.JUDGED for answer in (sure, unsure, above))


def test_an_unbalance_within_its_scatter_is_no_reason_to_correct() -> None:
    lost, seen = (balance_answer(found(size, 0.4), (), Fitting(40.0, 6.3, holes=4)) for size in (0.7, 0.9))
    assert any("would be a guess" in item.why for item in lost.not_judged)
    assert "cannot be told from scatter" in lost.headline and lost.table("correction").rows[1][1:] == (NONE, NONE)
    assert lost.document["correction"] is None and lost.document["split"] is None
    assert seen.headline.startswith("add ") and seen.document["correction"] is not None


def test_holes_get_their_masses_and_what_they_leave() -> None:
    answer = balance_answer(found(), (), Fitting(40.0, 6.3, holes=4, step_g=0.5))
    assert answer.table("holes").rows == (("0.0", "2.000 ± 0.010"), ("90.0", "0.500 ± 0.010"))
    assert f"the holes leave {answer.document['split'].left_g_mm:.2f} g mm" in told(answer, Level.NOTE)


def test_holes_near_to_each_other_share_what_they_carry_badly() -> None:
    assert mass_errors_g([20.0], 0.1) == (0.1,)
    assert mass_errors_g([0.0, 30.0], 0.1) == pytest.approx((0.2, 0.2))
    assert all(np.isnan(mass_errors_g([0.0, 30.0, 60.0], 0.1)))


def test_a_couple_is_named_and_one_row_does_not_judge_it() -> None:
    answer = balance_answer(found(couple=True, left_share=0.35), (), Fitting(40.0, 6.3))
    assert "35 % of 1P stays at the sensor whatever mass is fitted in this plane: a couple" in told(
        answer, Level.CAUTION
    )
    assert answer.document["couple"] == {"left_share": 0.35, "found": True}
    alone = balance_answer(found(left_share=float("nan")), (), Fitting(40.0, 6.3, rotor_kg=0.4))
    assert [item.what for item in alone.not_judged] == ["couple"] and alone.document["couple"]["found"] is None
    assert "a couple" not in told(alone, Level.CAUTION)


def test_speeds_that_differ_are_said() -> None:
    answer = balance_answer(found(apart=0.015, turn_deg_per_pct=11.0), (), Fitting(40.0, 6.3))
    assert "the runs' speeds differ by 1.5 %; 1P changes by up to 11 deg" in told(answer, Level.NOTE)
    assert "speeds differ" not in told(balance_answer(found(apart=0.001), (), Fitting(40.0, 6.3)), Level.NOTE)


def test_velocities_carry_their_error() -> None:
    felt = (Velocity1P("ay_g", RPM, sine_vibration(0.2, 50.0), 0.05),)
    row = balance_answer(found(), felt, Fitting(40.0, 6.3)).table("velocity").rows[0]
    assert row[2] == "6.243 ± 0.31" and "±" in row[3]


def test_a_felt_velocity_errs_by_scatter_and_by_the_scale_where_that_is_known(monkeypatch: pytest.MonkeyPatch) -> None:
    vectors = Vectors1P(np.array([3000.0]), ("ay_g",), np.array([[0.12 + 0.16j]]), np.array([[0.006]]))
    monkeypatch.setattr("whirlbench.results.balance.vectors_1p", lambda run: vectors)
    known, unknown = Rig(vibration=Vibration(stderr_pct=4.0)), Rig()
    shares = [felt_velocities(Run(), rig)[0].stderr_share for rig in (known, unknown, None)]
    assert shares == pytest.approx([0.05, 0.03, 0.03])
    table, open_ = (
        balance_answer(found(), felt_velocities(Run(), rig), Fitting(40.0, 6.3)).table("velocity")
        for rig in (known, unknown)
    )
    assert "not calibrated" in open_.title and "not calibrated" not in table.title
    assert table.rows[0][2:] == ("6.243 ± 0.31", "0.2458 ± 0.012")  # 0.2 g peak at 50 Hz: 6.243 mm/s
