"""A strength check as one plain object, with the names that other programs may rely on."""

from __future__ import annotations

from typing import Any

from whirlbench.analysis.strength.design_check import DesignCheck, ModeResult
from whirlbench.analysis.strength.proof_plan import Stage
from whirlbench.analysis.strength.strength_check import StrengthCheck
from whirlbench.physics.fragments import Fragment

ROOT_STRESSES = ("net_section", "shear_out", "bearing", "hole_peak", "bolt", "neck", "slip", "bond", "blade")


def summary(check: StrengthCheck) -> dict[str, Any]:
    """``check`` as nested dicts: the fitted set at the top level, every set again under ``designs``.

    Stresses a root does not have are None. Stresses in Pa, forces in N, speeds in rpm unless the name says otherwise.
    """
    fitted = design_summary(check.fitted)
    del fitted["name"]
    return {
        "rig": check.rig_name,
        "speed_rpm": check.speed_rpm,
        "speed_source": check.speed_source,
        "fitted": check.fitted.name,
        **fitted,
        "required_reserve_factor": check.required_reserve,
        "tip_mach": check.tip_mach,
        "tip_mach_limit": check.tip_mach_limit,
        "plan": [stage_summary(stage) for stage in check.plan.stages],
        "proof": {"rpm": check.plan.proof_rpm, "source": check.plan.source, "cautions": check.plan.cautions},
        "designs": [design_summary(design) for design in check.designs],
        "left_out": [{"name": name, "reason": reason} for name, reason in check.left_out],
        "monte_carlo": check.monte_carlo,
        "yardsticks": check.yardsticks,
        "guard": check.guard,
        "air": check.air,
        "air_loads": {
            "thrust_n": check.air_loads.thrust_n(check.speed_rpm),
            "torque_n_m": check.air_loads.torque_n_m(check.speed_rpm),
            "pitch_deg": check.air_loads.pitch_deg,
            "source": check.air_loads.source(check.speed_rpm),
        },
        "planning": {"source": check.planning_source, "points": check.planning},
        "warnings": check.warnings,
        "cautions": check.cautions,
        "assumptions": check.assumptions,
    }


def design_summary(design: DesignCheck) -> dict[str, Any]:
    """One blade set."""
    return {
        "name": design.name,
        "title": design.title,
        "passes": design.passes,
        "mass_kg": design.mass_kg,
        "cg_radius_m": design.cg_radius_m,
        "centrifugal_n": design.centrifugal_n,
        "reserve_factor": design.reserve_factor,
        "root": _root(design),
        "permitted": {"rpm": design.permitted_rpm, "governed_by": design.governed_by},
        "caps": [{"governed_by": name, "rpm": rpm} for name, rpm in design.caps],
        "modes": [mode_summary(mode) for mode in design.modes],
        "loads": design.loads,
        "servo": design.servo,
        "fragment": _fragment(design),
        "fatigue": design.fatigue,
    }


def mode_summary(mode: ModeResult) -> dict[str, Any]:
    """One way to fail, with what its allowable rests on."""
    allowable = mode.allowable
    return {
        "key": mode.key,
        "name": mode.name,
        "stress_pa": mode.stress_pa,
        "allowable_pa": allowable.value_pa,
        "reserve_factor": mode.reserve_factor,
        "required": mode.required,
        "judged": mode.judged,
        "permitted_rpm": mode.permitted_rpm,
        "at_radius_m": mode.at_radius_m,
        "direction": allowable.direction,
        "room_temperature_pa": allowable.room_pa,
        "factors": dict(allowable.factors),
        "basis": allowable.basis,
    }


def stage_summary(stage: Stage) -> dict[str, Any]:
    """One stage of the proof run."""
    return {name: getattr(stage, name) for name in stage.__dataclass_fields__}


def _root(design: DesignCheck) -> dict[str, float | None]:
    stresses = {}
    for key in ROOT_STRESSES:
        mode = design.mode(key)
        stresses[f"{key}_pa"] = None if mode is None else mode.stress_pa
    return {**stresses, "reserve_factor": design.root_reserve_factor}


def _fragment(design: DesignCheck) -> dict[str, Any]:
    view = design.fragment
    return {
        **_piece(view.whole),
        "range_without_drag_m": view.range_without_drag_m,
        "range_with_drag_m": view.range_with_drag_m,
        "height_m": view.height_m,
        "tip_piece": None if view.tip_piece is None else _piece(view.tip_piece),
        "at_overspeed": None if view.overspeed is None else _piece(view.overspeed),
    }


def _piece(piece: Fragment) -> dict[str, float]:
    return {"mass_kg": piece.mass_kg, "speed_m_s": piece.speed_m_s, "energy_j": piece.energy_j}
