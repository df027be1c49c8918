"""Before the spin: every blade set of a rig judged at one speed, with yardsticks, planning figures and a proof plan."""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import dataclass

import msgspec
import numpy as np

from whirlbench.analysis.conditions import air_density_kg_m3, moist_state
from whirlbench.analysis.strength.allowables import Strengths
from whirlbench.analysis.strength.blade_build import BuiltBlade, build_blade
from whirlbench.analysis.strength.blade_stress import AirLoads, BladeUnderLoad, Yaw
from whirlbench.analysis.strength.design_check import DesignCheck, check_design, reserve_wanted
from whirlbench.analysis.strength.planned_points import (
    CoefficientCurve,
    PlannedPoint,
    ThrottleCap,
    coefficient_curve,
    implausible_coefficients,
    plan_points,
    planning_pitches,
    throttle_caps,
)
from whirlbench.analysis.strength.proof_plan import BELOW_TRIP, ProofPlan, default_proof_rpm, proof_plan
from whirlbench.analysis.strength.root_modes import PEAK_RESERVE
from whirlbench.analysis.strength.tolerances import ASSUMED, DEFAULT_SEED, MonteCarlo
from whirlbench.errors import RigError
from whirlbench.physics.atmosphere import standard_air
from whirlbench.physics.coefficients import speed_at_tip_mach_rpm, thrust_n, tip_mach, torque_n_m
from whirlbench.physics.fragments import GUARD_YARDSTICKS, GuardYardstick, steel_equivalent_m
from whirlbench.physics.yardsticks import LABEL, YARDSTICKS
from whirlbench.rig.blade_sets import BondedRoot, ClampedRoot, TangRoot
from whirlbench.rig.description import Rig, require_number
from whirlbench.rig.missing_keys import missing_for_strength, missing_text

PURPOSE = "the strength check"
PLANNING_SPEED_SHARES = (0.4, 0.6, 0.8, 1.0)
PROOF_RESERVE = 1.25  # least reserve at the proof speed itself; our own choice
HARD_CORE_M = 0.01  # diameter taken for the steel yardstick; order of magnitude only
CAUTIONS = (
    "People stay out of the plane of rotation; the isolating switch is in hand's reach.",
    "Guard and site follow local codes; no figure here chooses a guard.",
    "These numbers are an aid to judgement, not a licence; certified work belongs to licensed practice.",
)


@dataclass(frozen=True)
class AirUsed:
    """Air that the check was made in, and where it came from."""

    density_kg_m3: float
    speed_of_sound_m_s: float
    source: str


@dataclass(frozen=True)
class Yardstick:
    """A borrowed load factor, and the speeds at which it would be reached and the fitted set would break."""

    name: str
    load_factor: float
    speed_rpm: float
    held_s: float
    reserve_there: float  # lowest judged reserve of the fitted set, scaled with speed squared
    source: str
    label: str


@dataclass(frozen=True)
class Guard:
    """Energy of the fitted set's fragment beside published guard tests."""

    energy_j: float
    tests: tuple[GuardYardstick, ...]
    share_of_test: tuple[float, ...]
    steel_m: float
    steel_note: str


@dataclass(frozen=True)
class StrengthCheck:
    """Everything `check` says. ``fitted`` is the set on the stand; ``left_out`` names sets that lack a key, and why."""

    rig_name: str
    speed_rpm: float
    speed_source: str
    required_reserve: float
    air: AirUsed
    air_loads: AirLoads
    tip_mach: float
    tip_mach_limit: float | None
    fitted: DesignCheck
    designs: tuple[DesignCheck, ...]
    left_out: tuple[tuple[str, str], ...]
    monte_carlo: dict[str, MonteCarlo]
    yardsticks: tuple[Yardstick, ...]
    guard: Guard
    planning_source: str | None
    planning: tuple[PlannedPoint, ...]
    plan: ProofPlan
    throttle: tuple[ThrottleCap, ...]
    warnings: tuple[str, ...]
    cautions: tuple[str, ...]
    assumptions: tuple[str, ...]


def check_strength(
    rig: Rig, speed_rpm: float | None = None, proof_rpm: float | None = None, seed: int = DEFAULT_SEED
) -> StrengthCheck:
    """Judges every blade set of ``rig`` at ``speed_rpm`` (absent: the fastest mode's speed) and plans the proof.

    RigError names a key that is missing for the fitted set; other sets that lack one are left out and named. A
    ``proof_rpm`` at or above the trip, or where less than a reserve of 1.25 is left, is refused.
    """
    refuse_missing(rig, speed_rpm is not None)
    diameter_m = require_number(rig, "propeller.diameter_m", PURPOSE)
    speed, source = (speed_rpm, "as asked for") if speed_rpm is not None else _governed_speed(rig)
    air = air_used(rig)
    name_fitted = fitted_name(rig)
    curve = coefficient_curve(rig, rig.blade_sets[name_fitted])
    loads = air_loads(rig, curve, air.density_kg_m3)
    built, left_out = _built_sets(rig, diameter_m, name_fitted)
    loaded = {name: under_load(rig, blade, loads) for name, blade in built.items()}
    designs = {
        name: check_design(rig, blade, speed, air.speed_of_sound_m_s, air.density_kg_m3, seed)
        for name, blade in loaded.items()
    }
    fitted = designs[name_fitted]
    required = reserve_wanted(rig)
    return StrengthCheck(
        rig_name=rig.name,
        speed_rpm=speed,
        speed_source=source,
        required_reserve=required,
        air=air,
        air_loads=loads,
        tip_mach=float(tip_mach(speed, diameter_m, air.speed_of_sound_m_s)),
        tip_mach_limit=rig.limits.tip_mach,
        fitted=fitted,
        designs=tuple(designs.values()),
        left_out=tuple(left_out),
        monte_carlo={name: design.chance for name, design in designs.items()},
        yardsticks=tuple(_yardsticks(fitted, speed)),
        guard=_guard(fitted),
        planning_source=None if curve is None else curve.source,
        planning=_planning(rig, curve, air.density_kg_m3, speed),
        plan=_plan(rig, loaded[name_fitted], fitted, speed, proof_rpm, curve, air),
        throttle=_throttle(rig, curve, air.density_kg_m3, fitted),
        warnings=tuple(_warnings(rig, designs, speed)),
        cautions=(*_trip_cautions(rig, designs), *CAUTIONS),
        assumptions=tuple(_assumptions(rig, fitted, designs, built, loads, air, required)),
    )


def refuse_missing(rig: Rig, speed_given: bool) -> None:
    """RigError with every key that the check of the fitted set needs and the rig lacks."""
    table = msgspec.to_builtins(rig)
    fitted = [fitted_name(rig)] if rig.blade_sets else []
    missing = missing_for_strength(table, fitted, speed_given)
    if missing:
        raise RigError(f"rig {missing_text(missing)}: {PURPOSE} needs them")


def _governed_speed(rig: Rig) -> tuple[float, str]:
    """The fastest speed that any mode governs at, else the overspeed limit."""
    if rig.modes:
        name, mode = max(rig.modes.items(), key=lambda item: item[1].rpm[1])
        return mode.rpm[1], f"governed speed, the upper end of modes.{name}.rpm"
    if rig.limits.overspeed_rpm is not None:
        return rig.limits.overspeed_rpm, "limits.overspeed_rpm, as the rig has no modes"
    raise RigError("rig key modes is missing: the strength check needs a speed; give modes.NAME.rpm or --speed-rpm")


def air_used(rig: Rig) -> AirUsed:
    """Air of the day; standard air at sea level where the rig is silent, which is said."""
    air, standard = rig.air, standard_air(0.0)
    if air.temperature_c is not None and air.pressure_hpa is not None:
        state = moist_state(rig)
        density = air_density_kg_m3(rig, PURPOSE)
        assumed = "" if air.humidity_pct is not None else ", 50 % humidity assumed"
        source = f"moist air, CIPM-2007, from the rig's readings{assumed}"
        return AirUsed(density, float(state.speed_of_sound_m_s), source)
    sound = float(standard.speed_of_sound_m_s)
    if air.density_kg_m3 is not None:
        return AirUsed(air.density_kg_m3, sound, "density from the rig, speed of sound of standard air at 15 C")
    return AirUsed(float(standard.density_kg_m3), sound, "standard air at sea level, ISO 2533: the rig gives no [air]")


def fitted_name(rig: Rig) -> str:
    """The set on the stand; RigError when the rig does not tell which of several it is."""
    if rig.propeller.blade_set is not None:
        return rig.propeller.blade_set
    if len(rig.blade_sets) == 1:
        return next(iter(rig.blade_sets))
    raise RigError(
        f"rig key propeller.blade_set is missing: {PURPOSE} needs to know which set is fitted: "
        f"{', '.join(rig.blade_sets)}"
    )


def _built_sets(rig: Rig, diameter_m: float, fitted: str) -> tuple[dict[str, BuiltBlade], list[tuple[str, str]]]:
    built, left_out = {}, []
    for name, blades in rig.blade_sets.items():
        try:
            built[name] = build_blade(name, blades, diameter_m)
        except RigError as error:
            if name == fitted:
                raise
            left_out.append((name, str(error)))
    return built, left_out


def under_load(rig: Rig, blade: BuiltBlade, loads: AirLoads) -> BladeUnderLoad:
    """A blade under the planned air loads on this stand."""
    yaw_deg_s = (rig.stand.yaw_rate_deg_s or 0.0) if rig.stand.can_yaw else 0.0
    count = int(require_number(rig, "propeller.blades", PURPOSE))
    return BladeUnderLoad(blade, count, loads, Yaw(math.radians(yaw_deg_s)))


def air_loads(rig: Rig, curve: CoefficientCurve | None, density_kg_m3: float) -> AirLoads:
    """Greatest thrust and torque to plan for: the propeller's own at coarse pitch, cut off by the rig's limits."""
    diameter_m = require_number(rig, "propeller.diameter_m", PURPOSE)
    pitch_deg, thrust, torque = _coarse_pitch_deg(rig), None, None
    if curve is not None:
        ct, cp = (float(value) for value in curve.at(pitch_deg))
        thrust = float(thrust_n(ct * (1.0 + curve.ct_uncertainty), 1.0, diameter_m, density_kg_m3))
        torque = float(torque_n_m(cp * (1.0 + curve.cp_uncertainty), 1.0, diameter_m, density_kg_m3))
    limits = rig.limits
    most = None if limits.motor_torque_n_m is None else limits.motor_torque_n_m * rig.motor.gear_ratio  # at the shaft
    return AirLoads(pitch_deg, thrust, torque, limits.thrust_n, most, limits.power_w)


def _coarse_pitch_deg(rig: Rig) -> float:
    if rig.modes:
        return max(mode.max_pitch_deg for mode in rig.modes.values())
    return max((row[1] for row in rig.pitch.table or ()), default=0.0)


def _yardsticks(fitted: DesignCheck, rpm: float) -> Iterator[Yardstick]:
    lowest = min(mode.reserve_factor for mode in fitted.modes if mode.judged)
    for rule in YARDSTICKS:
        yield Yardstick(
            name=rule.name,
            load_factor=rule.load_factor,
            speed_rpm=rule.speed_rpm(rpm),
            held_s=rule.held_s,
            reserve_there=lowest / rule.load_factor,
            source=rule.source,
            label=LABEL,
        )


def _guard(fitted: DesignCheck) -> Guard:
    energy_j = fitted.fragment.whole.energy_j
    return Guard(
        energy_j=energy_j,
        tests=GUARD_YARDSTICKS,
        share_of_test=tuple(energy_j / test.energy_j for test in GUARD_YARDSTICKS),
        steel_m=steel_equivalent_m(energy_j, HARD_CORE_M),
        steel_note=(
            f"mild steel just perforated by a compact {HARD_CORE_M * 1e3:g} mm missile of this energy, ballistic "
            "formula from memory: order of magnitude only, never a design number"
        ),
    )


def _planning(rig: Rig, curve: CoefficientCurve | None, density_kg_m3: float, rpm: float) -> tuple[PlannedPoint, ...]:
    if curve is None or (not rig.modes and rig.pitch.table is None):
        return ()
    speeds = [float(np.round(share * rpm, -2)) for share in PLANNING_SPEED_SHARES[:-1]] + [rpm]
    return plan_points(rig, curve, density_kg_m3, speeds, planning_pitches(rig))


def _plan(
    rig: Rig,
    loaded: BladeUnderLoad,
    fitted: DesignCheck,
    rpm: float,
    proof_rpm: float | None,
    curve: CoefficientCurve | None,
    air: AirUsed,
) -> ProofPlan:
    if proof_rpm is None:
        speed, source = default_proof_rpm(rig, rpm, fitted.permitted_rpm, fitted.governed_by)
    else:
        _refuse_proof(rig, loaded, proof_rpm, air)
        speed, source = proof_rpm, "as asked for"
    return proof_plan(rig, speed, source, curve, air.density_kg_m3, fitted.fatigue.signs)


def _throttle(
    rig: Rig, curve: CoefficientCurve | None, density_kg_m3: float, fitted: DesignCheck
) -> tuple[ThrottleCap, ...]:
    """Travel with which a failed governor passes neither the trip nor what the fitted set is permitted."""
    top_rpm = min(fitted.permitted_rpm, rig.limits.overspeed_rpm or math.inf)
    return () if curve is None or top_rpm <= 0.0 else throttle_caps(rig, curve, density_kg_m3, top_rpm)


def _refuse_proof(rig: Rig, loaded: BladeUnderLoad, proof_rpm: float, air: AirUsed) -> None:
    """RigError when a proof speed would trip, pass the tip Mach limit, or eat up the reserve."""
    trip_rpm = rig.limits.overspeed_rpm
    if trip_rpm is not None and proof_rpm > BELOW_TRIP * trip_rpm:
        raise RigError(
            f"proof speed {proof_rpm:g} rpm is above {BELOW_TRIP:.0%} of limits.overspeed_rpm {trip_rpm:g}: the stand "
            "would trip; choose a lower one, or raise the limit in a rig file of its own for the proof"
        )
    mach, diameter_m = rig.limits.tip_mach, loaded.built.tip_m * 2.0
    if mach is not None and proof_rpm > speed_at_tip_mach_rpm(mach, diameter_m, air.speed_of_sound_m_s):
        raise RigError(f"proof speed {proof_rpm:g} rpm is above limits.tip_mach {mach:g}: choose a lower one")
    proof = check_design(rig, loaded, proof_rpm, air.speed_of_sound_m_s, air.density_kg_m3)
    for mode in proof.modes:
        if mode.judged and mode.reserve_factor < min(mode.required, PROOF_RESERVE):
            raise RigError(
                f"proof speed {proof_rpm:g} rpm leaves the {loaded.built.name} blades a reserve of "
                f"{mode.reserve_factor:.2f} in {mode.name}: at least {min(mode.required, PROOF_RESERVE):g} is needed"
            )


def _warnings(rig: Rig, designs: dict[str, DesignCheck], rpm: float) -> Iterator[str]:
    limit = rig.limits.overspeed_rpm
    yield from implausible_coefficients(rig)
    for name, design in designs.items():
        if design.permitted_rpm <= 0.0:
            yield f"{name}: NOT FIT at any speed; {design.governed_by} forbids every one: this set may not spin"
            continue
        if not design.passes:
            yield (
                f"{name}: NOT FIT for {rpm:.0f} rpm; {design.governed_by} permits {design.permitted_rpm:.0f} rpm only"
            )
        if limit is not None and limit > design.nominal_rpm:
            yield (
                f"{name}: limits.overspeed_rpm {limit:g} lies above what even the blade as drawn stands, "
                f"{design.nominal_rpm:.0f} rpm: lower the trip to {design.permitted_rpm:.0f} before this set spins"
            )
        if design.servo is not None and design.servo.share > 1.0:
            yield f"{name}: the pitch servo is asked for {design.servo.share:.0%} of its torque at {rpm:.0f} rpm"


def _trip_cautions(rig: Rig, designs: dict[str, DesignCheck]) -> Iterator[str]:
    """A trip that lets a blade pass the speed to act on, though not that of the blade as drawn."""
    limit = rig.limits.overspeed_rpm
    for name, design in designs.items():
        if limit is not None and 0.0 < design.permitted_rpm < limit <= design.nominal_rpm:
            yield (
                f"{name}: limits.overspeed_rpm {limit:g} lies inside the band from {design.permitted_rpm:.0f} rpm, "
                f"which nineteen of twenty blades stand, to {design.nominal_rpm:.0f} rpm of the blade as drawn: more "
                "than one blade in twenty is overloaded before the trip; lower it"
            )


def _assumptions(
    rig: Rig,
    fitted: DesignCheck,
    designs: dict[str, DesignCheck],
    built: dict[str, BuiltBlade],
    loads: AirLoads,
    air: AirUsed,
    required: float,
) -> Iterator[str]:
    """Everything taken for granted, in plain lines."""
    rpm = fitted.loads.rpm
    reserve_from = "limits.root_reserve_factor" if rig.limits.root_reserve_factor is not None else "the default"
    peaks = f"{PEAK_RESERVE:g} on elastic peaks that are judged"
    yield f"Reserve factor {required:g} on nominal stresses ({reserve_from}); {peaks}."
    yield f"Air: {air.source}."
    yield (
        f"Air loads at {rpm:.0f} rpm: thrust {loads.thrust_n(rpm):.0f} N ({loads.source(rpm)}), torque "
        f"{loads.torque_n_m(rpm):.2f} N m, blades at {loads.pitch_deg:g} degrees."
    )
    yield "Thrust spread as radius squared (centre near 0.75 radius): common practice, no source."
    if fitted.loads.relieved_n_m is None:
        yield "No centrifugal relief of bending is claimed: sections or modulus are missing."
    else:
        yield "Bending with centrifugal relief of an uncambered clamped beam, modulus at the upper end of its range."
    for name, blade in built.items():
        yield from _set_assumptions(name, blade)
        absent = designs[name].chance.assumed
        if absent:
            told = ", ".join(f"{key} {ASSUMED[key]:g}" for key in absent)
            yield f"{name}: tolerances that the rig does not give are assumed: {told} (our assumption, no source)."


def _set_assumptions(name: str, blade: BuiltBlade) -> Iterator[str]:
    strengths = Strengths(name, blade.blades, blade.material)
    if strengths.layered and blade.blades.layer_normal is None:
        yield f"{name}: layer_normal is not given: the weakest direction is taken everywhere."
    if blade.material is None:
        yield f"{name}: no material is named: layers and brittleness are assumed unless the rig says otherwise."
    for found in strengths.knock_downs():
        if found.assumed:
            yield f"{name}: {found.name} leaves {found.factor:.0%} of the strength ({found.basis})."
    if isinstance(blade.root, TangRoot):
        yield from _tang_assumptions(name, blade.root, strengths)
    if isinstance(blade.root, ClampedRoot):
        kept, why = strengths.clamp_kept(blade.root)
        yield f"{name}: the clamp keeps {kept:.0%} of its force as tightened ({why})."
    if isinstance(blade.root, BondedRoot):
        yield f"{name}: mean shear of the glue line; its ends see more."
    if blade.distribution is None:
        yield f"{name}: mass and centre only: the blade outside its root and the twisting moment are not judged."


def _tang_assumptions(name: str, root: TangRoot, strengths: Strengths) -> Iterator[str]:
    yield f"{name}: {root.bending_at_hole:.0%} of the root's bending reaches the hole; pins fit closely."
    yield (
        f"{name}: friction of a tightened bolt carries nothing: no published figure for how far preload through such a "
        "flat relaxes by creep and settling was found."
    )
    if root.bolts * root.rows > 1 and root.clearance_m is None:
        yield f"{name}: root.clearance_m is not given: one bolt is taken to carry the whole pull."
    if root.weld_line is None and strengths.weld_line(root):
        yield f"{name}: root.weld_line is not given: a weld line of the moulding is taken to end at the hole."
    if root.bolt_strength_mpa is not None and root.jaw_thickness_m is None:
        yield f"{name}: root.jaw_thickness_m is not given: half the tang's is taken for the bolt's bending."
    if root.hole_offsets_m is None and root.bolts > 1:
        yield f"{name}: root.hole_offsets_m is not given: the holes are taken to be spread evenly."
