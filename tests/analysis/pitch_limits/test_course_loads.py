"""Loads to expect: consistent with the drive they rest on, with the stand that was measured, and silent beyond it."""

from __future__ import annotations

from dataclasses import replace

import msgspec
import numpy as np
import pytest
from pitch_stands import measured_holds

from whirlbench.analysis.pitch_limits import expected_loads, load_model, safe_travel
from whirlbench.analysis.propeller import Hold
from whirlbench.errors import AnalysisError
from whirlbench.physics.coefficients import torque_n_m
from whirlbench.physics.drive import state_for_torque
from whirlbench.rig.toml import example_rig_text, parse_rig
from whirlbench.units import rad_s_from_rpm

RIG = parse_rig(example_rig_text())
NONE = np.array([np.nan])


def test_the_speed_at_a_throttle_is_where_the_drive_balances() -> None:
    model = load_model(RIG)
    found = expected_loads(model, RIG, np.array([1600.0]), NONE, np.array([12.0]))["expected"]
    assert model.drive is not None
    torque = torque_n_m(model.curve.at(12.0)[1], found.rpm, model.diameter_m, model.density_kg_m3)
    open_v = float((found.voltage_v + 0.022 * found.current_a)[0])
    state = state_for_torque(model.drive, torque, rad_s_from_rpm(found.rpm), open_v)
    assert state.duty[0] == pytest.approx(500.0 / 800.0, rel=1e-6)
    assert state.pack_current_a[0] == pytest.approx(found.current_a[0], rel=1e-6)


def test_light_is_the_fastest_and_heavy_draws_most() -> None:
    found = expected_loads(load_model(RIG), RIG, np.array([1600.0]), NONE, np.array([12.0]))
    assert found["light"].rpm > found["expected"].rpm > found["heavy"].rpm
    asked = expected_loads(load_model(RIG), RIG, np.array([1000.0]), np.array([4000.0]), np.array([12.0]))
    assert asked["heavy"].current_a > asked["expected"].current_a > asked["light"].current_a
    assert asked["heavy"].voltage_v < asked["light"].voltage_v
    assert {float(one.rpm[0]) for one in asked.values()} == {4000.0}


def test_holds_foretell_a_hold_of_their_own() -> None:
    """Each measured hold, by its throttle and pitch, comes out within the range that is given for it."""
    holds: list[Hold] = list(measured_holds())
    model = load_model(RIG, holds)
    assert model.source.startswith(f"{len(holds)} earlier holds")
    us, deg = (np.array([getattr(hold, name).mean for hold in holds]) for name in ("throttle_us", "pitch_deg"))
    found = expected_loads(model, RIG, us, np.full(len(holds), np.nan), deg)
    rpm, current = (np.array([getattr(hold, name).mean for hold in holds]) for name in ("rpm", "current_a"))
    assert (found["heavy"].rpm < rpm * 1.01).all() and (rpm * 0.99 < found["light"].rpm).all()
    off = found["expected"].current_a / current - 1.0  # the pack was fresh at first and empty at last
    assert abs(off.mean()) < 0.05 and np.abs(off).max() < 0.15


def test_beyond_the_pitches_that_were_held_nothing_is_said() -> None:
    model = load_model(RIG, list(measured_holds()))
    beyond = np.array([model.curve.pitch_deg[-1] + 1.0])
    for one in expected_loads(model, RIG, np.array([1600.0]), NONE, beyond).values():
        assert np.isnan([one.rpm, one.thrust_n, one.current_a, one.voltage_v]).all()


def test_a_speed_that_the_drive_cannot_hold_has_no_current() -> None:
    found = expected_loads(load_model(RIG), RIG, np.array([1000.0]), np.array([9000.0]), np.array([25.0]))["expected"]
    assert found.rpm[0] == 9000.0 and np.isnan(found.current_a[0])


def test_a_closed_throttle_is_rest_and_no_drive_is_unknown() -> None:
    still = expected_loads(load_model(RIG), RIG, np.array([1000.0]), NONE, np.array([12.0]))["expected"]
    assert (still.rpm[0], still.thrust_n[0], still.current_a[0]) == (0.0, 0.0, 0.0)
    bare = msgspec.structs.replace(RIG, motor=type(RIG.motor)())
    found = expected_loads(load_model(bare), bare, np.array([1600.0]), NONE, np.array([12.0]))["expected"]
    assert np.isnan([found.rpm, found.thrust_n, found.current_a]).all()


def test_without_any_source_there_is_no_model() -> None:
    bare = msgspec.structs.replace(RIG, propeller=msgspec.structs.replace(RIG.propeller, blade_set=None))
    with pytest.raises(AnalysisError, match="nothing tells the loads"):
        load_model(bare)


def test_the_safe_travel_just_holds_overspeed() -> None:
    """With it the lightest propeller on a full pack turns at the limit; a part of a percent more passes it."""
    model, limit = load_model(RIG), RIG.limits.overspeed_rpm
    pitch = np.array([9.0, 7.0, 8.0])
    found = safe_travel(model, RIG, pitch)
    assert found is not None and found.from_deg == 7.0 and limit is not None
    assert found.safe_pct < found.best_pct < 100.0
    lowest = np.array([found.from_deg])
    for more, passes in ((-0.1, False), (0.1, True)):
        pulse = np.array([RIG.throttle.pulse_at_us(found.safe_pct + more)])
        fastest = expected_loads(model, RIG, pulse, NONE, lowest)["light"].rpm[0]
        assert fastest == pytest.approx(limit, rel=0.003) and (fastest > limit) == passes


def test_the_safe_travel_of_holds_has_the_lines_own_error() -> None:
    model = load_model(RIG, list(measured_holds()))
    low = RIG.limits.__class__(overspeed_rpm=3000.0)
    rig, pitch = msgspec.structs.replace(RIG, limits=low), model.curve.pitch_deg[:1]
    found = safe_travel(model, rig, pitch)
    assert found is not None and model.throttle.count
    sure = safe_travel(replace(model, throttle=replace(model.throttle, scatter_pct=0.0)), rig, pitch)
    assert sure is not None and sure.best_pct == found.best_pct
    assert sure.safe_pct - found.safe_pct == pytest.approx(1.645 * model.throttle.stderr_pct(sure.safe_pct))
    pulse = np.array([rig.throttle.pulse_at_us(sure.safe_pct)])
    assert expected_loads(model, rig, pulse, NONE, pitch)["light"].rpm[0] == pytest.approx(3000.0, rel=1e-4)


def test_no_safe_travel_is_told_of_what_is_not_known() -> None:
    model, pitch = load_model(RIG), np.array([8.0])
    assert safe_travel(model, RIG, np.array([8.0, np.nan])) is None
    assert safe_travel(model, RIG, np.array([])) is None
    assert safe_travel(model, RIG, np.array([80.0])) is None
    assert safe_travel(model, msgspec.structs.replace(RIG, limits=type(RIG.limits)()), pitch) is None
    bare = msgspec.structs.replace(RIG, motor=type(RIG.motor)())
    assert safe_travel(load_model(bare), bare, pitch) is None
    weak = msgspec.structs.replace(RIG, pack=msgspec.structs.replace(RIG.pack, cells=3))
    found = safe_travel(load_model(weak), weak, pitch)
    assert found is not None and (found.safe_pct, found.best_pct) == (100.0, 100.0)
