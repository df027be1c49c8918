"""What a propeller and its drive will do at set-points of throttle or speed and pitch: steady state, before any run."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from whirlbench.analysis.conditions import air_density_kg_m3
from whirlbench.analysis.pitch_limits.least_pitch import SafeThrottle
from whirlbench.analysis.pitch_limits.throttle_line import ThrottleLine, fit_throttle
from whirlbench.analysis.propeller import Hold, fit_map
from whirlbench.analysis.shaft_power import drive_of
from whirlbench.analysis.strength import CoefficientCurve, coefficient_curve, greatest_openings_pct
from whirlbench.errors import AnalysisError
from whirlbench.physics.coefficients import thrust_n, torque_n_m
from whirlbench.physics.drive import Drive, cell_voltage_v, drive_torque_n_m, motor_current_a, state_for_torque
from whirlbench.rig.description import Rig, require_number
from whirlbench.units import rad_s_from_rpm

PURPOSE = "the expected course of a plan"
EMPTY, FULL, MIDDLE = 0.25, 1.0, 0.6  # state of charge of the pack: before it is changed, fresh, in between
COVERAGE = 2.0  # standard errors to about 95 %
ONE_SIDED = 1.645  # standard errors to 95 % on one side, of the normal distribution
GRID_DEG = 0.25
BISECTIONS = 48
VARIANTS = {"expected": (0.0, MIDDLE), "light": (-1.0, FULL), "heavy": (1.0, EMPTY)}  # shares of the uncertainty of CP


@dataclass(frozen=True)
class ExpectedLoads:
    """Arrays ``(n,)`` of one variant, by channel name; NaN where the rig, or the holds, do not tell."""

    rpm: np.ndarray
    thrust_n: np.ndarray
    current_a: np.ndarray
    voltage_v: np.ndarray


@dataclass(frozen=True)
class LoadModel:
    """What is known of propeller and drive: coefficients and where they come from, drive, what throttle opens it."""

    curve: CoefficientCurve
    drive: Drive | None
    throttle: ThrottleLine
    density_kg_m3: float
    diameter_m: float
    cells: int | None
    source: str


def load_model(rig: Rig, holds: Sequence[Hold] = ()) -> LoadModel:
    """From earlier ``holds`` where there are any, else from the rig's coefficients or the estimate from its sections.

    AnalysisError where neither tells; RigError names a key that is missing.
    """
    density, drive = air_density_kg_m3(rig, PURPOSE), drive_of(rig)
    if holds:
        curve = _measured(holds, rig, density)
        line = fit_throttle(holds, rig, drive) if drive is not None else ThrottleLine()
    else:
        estimate, line = coefficient_curve(rig, rig.blade_sets.get(rig.propeller.blade_set or "")), ThrottleLine()
        if estimate is None:
            raise AnalysisError(
                "nothing tells the loads: give recordings of earlier holds, propeller.coefficients, or a fitted blade "
                "set with sections"
            )
        curve = estimate
    diameter_m = require_number(rig, "propeller.diameter_m", PURPOSE)
    return LoadModel(curve, drive, line, density, diameter_m, rig.pack.cells, curve.source)


def _measured(holds: Sequence[Hold], rig: Rig, density_kg_m3: float) -> CoefficientCurve:
    """The holds' coefficients over the pitches that were held, with the largest of their errors."""
    found = fit_map(holds, rig, density_kg_m3)
    if found.ct is None or found.cp is None:
        raise AnalysisError("the earlier holds do not hold thrust, current and voltage: the loads cannot be told")
    low, high = found.cp.pitch_range_deg
    pitch = np.arange(low, high + GRID_DEG / 2, GRID_DEG)
    ct, cp = (fit.at(pitch, np.full(len(pitch), fit.reference_rpm)) for fit in (found.ct, found.cp))
    shares = [COVERAGE * float(np.max(one.stderr / np.maximum(np.abs(one.value), 1e-9))) for one in (ct, cp)]
    source = f"{len(holds)} earlier holds, {low:.1f} to {high:.1f} deg"
    return CoefficientCurve(pitch, ct.value, cp.value, shares[0], min(shares[1], 0.9), source)


def expected_loads(
    model: LoadModel, rig: Rig, throttle_us: np.ndarray, request_rpm: np.ndarray, pitch_deg: np.ndarray
) -> dict[str, ExpectedLoads]:
    """The three variants at set-points ``(n,)``: *expected*; *light*, the fastest; *heavy*, the most current.

    A set-point with a request turns at it, one without at what the throttle brings. Pitches outside the coefficients'
    range give NaN, and so does a drive that the rig does not describe; a request that the drive cannot hold gives a
    current of NaN with the rpm asked for.
    """
    inside = _inside(model, pitch_deg)
    ct, cp = model.curve.at(pitch_deg)
    ct, cp = np.where(inside, ct, np.nan), np.where(inside, cp, np.nan)
    driven = throttle_us > rig.throttle.min_us
    duty = np.where(driven, _duty(model.throttle, rig, throttle_us), 0.0)
    found = {}
    for name, (share, charge) in VARIANTS.items():
        power_part = cp * (1.0 + share * model.curve.cp_uncertainty)
        thrust_part = ct * (1.0 + (model.curve.ct_uncertainty if name != "expected" else 0.0))
        found[name] = _steady(model, duty, request_rpm, power_part, thrust_part, charge)
    return found


def safe_travel(model: LoadModel, rig: Rig, pitch_deg: np.ndarray) -> SafeThrottle | None:
    """The greatest travel with which a full pack cannot turn the propeller past overspeed at any of ``pitch_deg``.

    None where a pitch ``(n,)`` is not known or beyond the coefficients, and where drive, pack or the limit are not
    described. The lightest propeller to expect, and one-sided 95 % of a fitted throttle line, make it safe; without a
    line, travel stands for the controller's opening, as in ``throttle_caps``.
    """
    limit_rpm, drive = rig.limits.overspeed_rpm, model.drive
    known = len(pitch_deg) > 0 and bool(np.all(_inside(model, pitch_deg)))
    if limit_rpm is None or drive is None or model.cells is None or not known:
        return None
    lightest = max(float(np.min(model.curve.at(pitch_deg)[1])), 0.0)
    cp = lightest * np.array([1.0, max(1.0 - model.curve.cp_uncertainty, 0.0)])
    torque = np.asarray(torque_n_m(cp, limit_rpm, model.diameter_m, model.density_kg_m3))
    open_v = model.cells * float(cell_voltage_v(np.array([FULL]))[0])
    best, safe = (
        float(model.throttle.throttle_pct(np.asarray(opening / 100.0))) if opening < 100.0 else 100.0
        for opening in greatest_openings_pct(drive, open_v, torque, limit_rpm)
    )
    unsure = ONE_SIDED * model.throttle.stderr_pct(safe) if model.throttle.count else 0.0
    return SafeThrottle(float(np.min(pitch_deg)), min(best, 100.0), min(max(safe - unsure, 0.0), 100.0))


def _inside(model: LoadModel, pitch_deg: np.ndarray) -> np.ndarray:
    """Which pitches ``(n,)`` the coefficients reach; none that is NaN."""
    low, high = model.curve.pitch_deg[0] - GRID_DEG, model.curve.pitch_deg[-1] + GRID_DEG
    inside: np.ndarray = (pitch_deg >= low) & (pitch_deg <= high)
    return inside


def _duty(line: ThrottleLine, rig: Rig, throttle_us: np.ndarray) -> np.ndarray:
    percent = 100.0 * (throttle_us - rig.throttle.min_us) / (rig.throttle.max_us - rig.throttle.min_us)
    result: np.ndarray = np.clip((percent - line.offset_pct) / line.gain / 100.0, 0.0, 1.0)
    return result


def _steady(
    model: LoadModel, duty: np.ndarray, request_rpm: np.ndarray, cp: np.ndarray, ct: np.ndarray, charge: float
) -> ExpectedLoads:
    asked = np.isfinite(request_rpm)
    drive = model.drive
    if drive is None or model.cells is None:
        rpm = np.where(asked, request_rpm, np.where(duty > 0.0, np.nan, 0.0))
        nothing = np.where(rpm == 0.0, 0.0, np.nan)
        return ExpectedLoads(rpm, _thrust(model, ct, rpm), nothing, np.full(len(rpm), np.nan))
    open_v = float(model.cells * cell_voltage_v(np.array([charge]))[0])
    rpm = np.where(asked, request_rpm, _speed_at(model, drive, duty, cp, open_v))
    torque = np.where(rpm == 0.0, 0.0, torque_n_m(cp, rpm, model.diameter_m, model.density_kg_m3))
    state = state_for_torque(drive, torque, rad_s_from_rpm(rpm), open_v)
    still = rpm == 0.0  # a speed that is not known is none
    current = np.where(still, 0.0, state.pack_current_a)
    return ExpectedLoads(rpm, _thrust(model, ct, rpm), current, np.where(still, open_v, state.pack_voltage_v))


def _thrust(model: LoadModel, ct: np.ndarray, rpm: np.ndarray) -> np.ndarray:
    return np.where(rpm == 0.0, 0.0, thrust_n(ct, rpm, model.diameter_m, model.density_kg_m3))


def _speed_at(model: LoadModel, drive: Drive, duty: np.ndarray, cp: np.ndarray, open_v: float) -> np.ndarray:
    """Speed in rpm at which the motor's torque, which falls with it, is the propeller's, which rises."""
    low = np.zeros(len(duty))
    high = duty * open_v / drive.volt_s_per_rad / rad_s_from_rpm(1.0)
    for _ in range(BISECTIONS):
        middle = 0.5 * (low + high)
        motor = drive_torque_n_m(drive, motor_current_a(drive, duty, open_v, rad_s_from_rpm(middle)))
        too_slow = motor > torque_n_m(cp, middle, model.diameter_m, model.density_kg_m3)
        low, high = np.where(too_slow, middle, low), np.where(too_slow, high, middle)
    return np.where(np.isfinite(cp) | (duty <= 0.0), 0.5 * (low + high), np.nan)
