"""The proof plan: stages of load, throttle openings on the safe side, a file that the session's own reader accepts."""

from __future__ import annotations

import re

import msgspec
import numpy as np
import pytest
from one_set import one_set_text

from whirlbench.analysis.strength import StrengthCheck, check_strength, plan_text
from whirlbench.analysis.strength.planned_points import coefficient_curve, plan_points, throttle_caps
from whirlbench.analysis.strength.proof_plan import proof_plan
from whirlbench.errors import RigError
from whirlbench.results.check import check_answer
from whirlbench.rig.description import Rig
from whirlbench.rig.toml import example_rig_text, parse_rig
from whirlbench.session.plan import Hold, Inspect, check_plan, parse_plan


@pytest.fixture(scope="module")
def rig() -> Rig:
    return parse_rig(one_set_text())


@pytest.fixture(scope="module")
def check(rig: Rig) -> StrengthCheck:
    return check_strength(rig)


def governing(rig: Rig) -> Rig:
    return msgspec.structs.replace(rig, governor=msgspec.structs.replace(rig.governor, mode="throttle"))


def test_stages_rise_in_load_to_the_proof_speed(check: StrengthCheck) -> None:
    plan = check.plan
    speeds = np.array([stage.rpm for stage in plan.stages])
    loads = np.array([stage.load_pct for stage in plan.stages])
    assert np.all(np.diff(speeds) > 0.0) and speeds[-1] == plan.proof_rpm
    assert (speeds / plan.proof_rpm) ** 2 == pytest.approx(loads / 100.0, abs=0.01)
    assert all("white marks at the hole and along weld lines" in stage.note for stage in plan.stages), "moulded blades"
    assert plan.stages[-1].inspect and sum(stage.inspect for stage in plan.stages) >= 3


def test_the_proof_stays_below_trip_and_permitted_speed(rig: Rig, check: StrengthCheck) -> None:
    assert rig.limits.overspeed_rpm is not None
    assert check.speed_rpm < check.plan.proof_rpm < rig.limits.overspeed_rpm
    assert check.plan.proof_rpm <= check.fitted.permitted_rpm


def test_where_no_speed_is_permitted_there_is_no_stage_and_no_file(rig: Rig) -> None:
    plan = proof_plan(rig, 0.0, "the permitted speed", None, 1.2)
    assert plan.stages == ()
    with pytest.raises(RigError, match="no speed is permitted, so nothing may turn"):
        plan_text(plan, rig, "printed")


def test_a_failing_set_is_proved_only_to_what_it_permits() -> None:
    rig = parse_rig(example_rig_text())
    fitted = msgspec.structs.replace(rig, propeller=msgspec.structs.replace(rig.propeller, blade_set="printed"))
    check = check_strength(fitted)
    assert check.plan.proof_rpm <= check.fitted.permitted_rpm < check.speed_rpm
    assert "shear-out across layers" in check.plan.source


@pytest.mark.parametrize("with_governor", [False, True], ids=["throttle openings", "requests"])
def test_the_exported_file_is_a_plan_this_rig_can_run(rig: Rig, check: StrengthCheck, with_governor: bool) -> None:
    """Independent reader: the session's own parser and rules."""
    if with_governor:
        rig = governing(rig)
        check = check_strength(rig)
    plan = parse_plan(plan_text(check.plan, rig, check.fitted.name))
    check_plan(plan, rig)
    holds = [step for step in plan.steps if isinstance(step, Hold)]
    assert len(holds) == len(check.plan.stages)
    assert sum(isinstance(step, Inspect) for step in plan.steps) == sum(stage.inspect for stage in check.plan.stages)
    assert all((step.request_rpm is not None) == with_governor for step in holds)
    assert all((step.throttle_pct is None) == with_governor for step in holds)


def test_throttle_openings_do_not_overshoot_even_with_a_light_propeller_and_a_full_pack(
    rig: Rig, check: StrengthCheck
) -> None:
    """Independent reference: the drive's own steady state, solved for speed by bisection at the exported opening."""
    from whirlbench.analysis.shaft_power import drive_of
    from whirlbench.physics.coefficients import torque_n_m
    from whirlbench.physics.drive import drive_torque_n_m, motor_current_a
    from whirlbench.units import rad_s_from_rpm

    drive = drive_of(rig)
    curve = coefficient_curve(rig, rig.blade_sets["moulded"])
    assert drive is not None and curve is not None and rig.pack.cells is not None
    for stage in check.plan.stages:
        assert stage.throttle_pct is not None and stage.pitch_deg is not None
        cp = float(curve.at(stage.pitch_deg)[1]) * (1.0 - curve.cp_uncertainty)
        low, high = 100.0, 12000.0
        for _ in range(60):
            rpm = (low + high) / 2.0
            current = motor_current_a(
                drive, np.array(stage.throttle_pct / 100.0), 4.2 * rig.pack.cells, np.array(rad_s_from_rpm(rpm))
            )
            spare = float(drive_torque_n_m(drive, current)) - torque_n_m(cp, rpm, 0.56, check.air.density_kg_m3)
            low, high = (rpm, high) if spare > 0.0 else (low, rpm)
        assert low == pytest.approx(stage.rpm, rel=0.01)


def test_a_set_with_quotes_in_its_name_still_gives_a_plan(rig: Rig, check: StrengthCheck) -> None:
    name = 'say "fast"\\'
    assert name in parse_plan(plan_text(check.plan, rig, name)).name


@pytest.mark.parametrize(
    ("proof_rpm", "why"), [(6150.0, "limits.overspeed_rpm"), (9000.0, "limits.overspeed_rpm")], ids=["near", "above"]
)
def test_a_proof_that_would_trip_is_refused(rig: Rig, proof_rpm: float, why: str) -> None:
    with pytest.raises(RigError, match=why):
        check_strength(rig, proof_rpm=proof_rpm)


def test_a_proof_that_eats_the_reserve_is_refused_and_the_mode_named() -> None:
    rig = parse_rig(example_rig_text())
    fitted = msgspec.structs.replace(rig, propeller=msgspec.structs.replace(rig.propeller, blade_set="printed"))
    with pytest.raises(RigError, match=r"printed.*shear-out across layers.*1\.25"):
        check_strength(fitted, proof_rpm=5000.0)


def test_a_proof_as_asked_for_is_planned(rig: Rig) -> None:
    plan = check_strength(rig, proof_rpm=5800.0).plan
    assert plan.proof_rpm == 5800.0 and plan.source == "as asked for"


def test_without_motor_or_governor_no_file_is_written(rig: Rig) -> None:
    bare = msgspec.structs.replace(rig, motor=msgspec.structs.replace(rig.motor, kv_rpm_per_v=None))
    check = check_strength(bare)
    with pytest.raises(RigError, match=r"motor\.kv_rpm_per_v"):
        plan_text(check.plan, bare, check.fitted.name)


def test_a_proof_says_what_its_last_stage_comes_to(rig: Rig, check: StrengthCheck) -> None:
    """The opening is for the lightest propeller on a full pack; the expected one on a half-used pack turns slower."""
    told = next(text for text in check.plan.cautions if "comes to" in text)
    expected, least = (float(re.search(pattern, told)[1]) for pattern in (r"to (\d+) as expected", r"(\d+) at least"))
    assert least < expected < check.plan.proof_rpm
    curve = coefficient_curve(rig, rig.blade_sets["moulded"])
    (point,) = plan_points(rig, curve, check.air.density_kg_m3, (expected,), (check.plan.stages[-1].pitch_deg,))
    assert 100.0 * point.duty == pytest.approx(check.plan.stages[-1].throttle_pct, abs=0.1)


def test_a_proof_beyond_throttle_cap_or_drive_says_that_it_may_not_reach_its_speed(
    rig: Rig, check: StrengthCheck
) -> None:
    plan, curve = check.plan, coefficient_curve(rig, rig.blade_sets["moulded"])

    def cautions(changed: Rig) -> list[str]:
        found = proof_plan(changed, plan.proof_rpm, plan.source, curve, check.air.density_kg_m3).cautions
        return [text for text in found if "does not reach" in text or "may not reach" in text]

    assert cautions(rig) == []
    flight = msgspec.structs.replace(rig.modes["flight"], max_throttle_pct=plan.stages[-1].throttle_pct - 1.0)
    (told,) = cautions(msgspec.structs.replace(rig, modes={**rig.modes, "flight": flight}))
    assert told.startswith(f"From stage {len(plan.stages)} on, {plan.proof_rpm:g} rpm") and "max_throttle_pct" in told
    (told,) = cautions(governing(msgspec.structs.replace(rig, pack=msgspec.structs.replace(rig.pack, cells=8))))
    assert "the drive cannot hold the speed" in told and "may not reach its speed" in told


def test_the_safe_throttle_of_a_check_just_holds_the_trip(rig: Rig, check: StrengthCheck) -> None:
    """With that travel the lightest propeller on a full pack turns at the trip; what opens further is named."""
    curve, density = coefficient_curve(rig, rig.blade_sets["moulded"]), check.air.density_kg_m3
    assert curve is not None and rig.limits.overspeed_rpm is not None
    assert [cap.mode for cap in check.throttle] == ["ground", "flight"]
    for cap in check.throttle:
        assert cap.rpm == min(rig.limits.overspeed_rpm, check.fitted.permitted_rpm)
        (point,) = plan_points(rig, curve, density, (cap.rpm,), (cap.pitch_deg,))
        assert cap.safe_pct == pytest.approx(100.0 * point.light_duty, abs=0.2) and cap.safe_pct < cap.best_pct
    weak = msgspec.structs.replace(rig, pack=msgspec.structs.replace(rig.pack, cells=6))
    assert {(cap.safe_pct, cap.best_pct) for cap in throttle_caps(weak, curve, density, 6000.0)} == {(100.0, 100.0)}
    wide = {name: msgspec.structs.replace(mode, max_throttle_pct=100) for name, mode in rig.modes.items()}
    for shown, count in ((rig, 0), (msgspec.structs.replace(rig, modes=wide), 2)):
        assert sum("fails wide open" in remark.text for remark in check_answer(check, shown).remarks) == count
