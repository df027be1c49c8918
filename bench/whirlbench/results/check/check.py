"""A strength check in words: what each blade set carries, how fast it may turn, what a loose blade would do."""

from __future__ import annotations

import math
from collections.abc import Callable, Iterator, Mapping
from typing import Any

from whirlbench.analysis.strength import (
    DesignCheck,
    FragmentView,
    ModeResult,
    StrengthCheck,
    WhatIf,
    check_strength,
    plan_text,
    what_if,
)
from whirlbench.errors import BenchError, RigError
from whirlbench.results.answer import Answer, Level, NotJudged, PlanOffer, Remark, listed, plain, significant, span
from whirlbench.results.check.charts import check_charts
from whirlbench.results.check.tables import check_appendix, check_tables, mass_share
from whirlbench.results.check.variation import what_if_charts, what_if_tables
from whirlbench.results.figures.throttle_travel import highest_travel, travel_words
from whirlbench.rig.description import Rig

__all__ = ["StrengthCheck", "check_answer", "check_strength", "what_if"]

SUBJECT = "strength check"
PROOF = "proof run of the fitted set"
VARIED_FIRST = (
    "edge_distance_m",
    "bond_length_m",
    "neck_thickness_m",
)  # what roots are short of; our choice
ROOT_STRESSES = (
    "net_section", "shear_out", "bearing", "hole_peak", "cleavage", "bolt", "pin", "grip", "neck", "slip", "thread",
    "first_thread", "thread_peak", "bond", "blade",
)  # fmt: skip


def check_answer(check: StrengthCheck, rig: Rig, chosen: str | None = None, varied: WhatIf | None = None) -> Answer:
    """``check`` of ``rig`` in words, with the details of the set ``chosen``, absent of the fitted one.

    The document is that of the whole check, whichever set is chosen; ``varied`` adds a what-if study. BenchError for
    a set that was not judged.
    """
    design = told_set(check, chosen)
    return Answer(
        SUBJECT,
        _headline(check, design),
        tables=(*check_tables(check, rig, design), *what_if_tables(varied)),
        charts=(*check_charts(check, rig, design), *what_if_charts(check, rig, varied)),
        remarks=tuple(_remarks(check, design, rig)),
        not_judged=tuple(_not_judged(check, rig)),
        document={**_document(check), "vary": varied},
        plan=_plan(check, rig),
        appendix=tuple(check_appendix(check, rig)),
    )


def told_set(check: StrengthCheck, name: str | None) -> DesignCheck:
    """The set called ``name``, absent the fitted one; BenchError for one that was not judged."""
    if name is None:
        return check.fitted
    for design in check.designs:
        if design.name == name:
            return design
    raise BenchError(f"blade set {name!r} was not judged: there are {listed([each.name for each in check.designs])}")


def _headline(check: StrengthCheck, design: DesignCheck) -> str:
    verdict = "fit" if design.passes else "NOT FIT"
    if design.permitted_rpm <= 0.0:
        return f"{design.title}: NOT FIT at any speed; {design.governed_by} forbids every one"
    permits = f"{design.governed_by} permits {design.permitted_rpm:.0f} rpm{'' if design.passes else ' only'}"
    low, _, high = design.chance.permitted_rpm
    return (
        f"{design.title}: {verdict} for {check.speed_rpm:.0f} rpm; {permits} (5 to 95 % of blades: {span(low, high)})"
    )


def _remarks(check: StrengthCheck, design: DesignCheck, rig: Rig) -> Iterator[Remark]:
    yield from (Remark(Level.DANGER, text) for text in check.warnings)
    if not design.passes:
        yield Remark(Level.CAUTION, _what_would_help(check, design, rig))
    yield Remark(Level.CAUTION, _flight(design, mass_share(design, rig)))
    yield from (Remark(Level.CAUTION, text) for text in _open_throttle(check, rig))
    yield from (Remark(Level.CAUTION, text) for text in (*check.plan.cautions, *check.cautions))
    yield from (Remark(Level.NOTE, text) for text in _notes(check, design))


def _what_would_help(check: StrengthCheck, design: DesignCheck, rig: Rig) -> str:
    """How to see which measure would make a set fit, with one of its own as the example."""
    root, other = rig.blade_sets[design.name].root, "" if design is check.fitted else f" --set {design.name}"
    measures = ((key, getattr(root, key, None)) for key in VARIED_FIRST)
    key, value = next(((key, value) for key, value in measures if value), ("", 0.0))
    example = f"root.{key}={0.8 * value:.3g}:{1.6 * value:.3g}" if key else "KEY=FROM:TO"
    return f"what would make {design.title} fit: `whirlbench check RIG{other} --vary {example}`, or material=A,B"


def _open_throttle(check: StrengthCheck, rig: Rig) -> Iterator[str]:
    """Lever positions whose throttle opens further than is safe, each with the travel that would be."""
    for cap in check.throttle:
        travel = rig.modes[cap.mode].max_throttle_pct
        if math.floor(cap.safe_pct) < travel:
            yield (
                f"{cap.mode}: {travel_words(travel)} could pass {cap.rpm:.0f} rpm at {cap.pitch_deg:.1f} deg if the "
                f"governor fails wide open; {highest_travel(cap.safe_pct, cap.best_pct, rig)} cannot"
            )


def _flight(design: DesignCheck, share: float) -> str:
    """What a blade that lets go would do; its energy is known as its mass is, to ``share``."""
    view = design.fragment
    dragged = "" if view.range_with_drag_m is None else f", about {view.range_with_drag_m:.0f} m with drag (estimate)"
    energy = f"{view.whole.energy_j:.0f} ± {significant(share * view.whole.energy_j, 1)} J"
    return (
        f"A blade that lets go: {view.whole.speed_m_s:.0f} m/s, {energy}, without a guard up to "
        f"{view.range_without_drag_m:.0f} m without drag{dragged}."
    )


def _notes(check: StrengthCheck, design: DesignCheck) -> Iterator[str]:
    """Guard yardstick, servo and fatigue."""
    yield f"{check.guard.steel_m * 1e3:.2f} mm: {check.guard.steel_note}."
    if design.servo is not None:
        yield (
            f"Twisting moment towards lower pitch: {design.servo.servo_torque_n_m:.2f} N m at the servo, "
            f"{design.servo.share:.0%} of what it has; friction of the pitch bearings is not in it."
        )
    if design.peak_rule:
        yield f"The elastic peak beside the hole is {design.peak_rule}."
    fatigue = design.fatigue
    peak = yaw = ""
    if fatigue.share_of_strength is not None:
        peak = f" loads the peak to {fatigue.share_of_strength:.0%} of strength"
    if fatigue.revolution_share is not None:
        yaw = f" A yawing stand adds {100.0 * fatigue.revolution_share:.1f} % either way, once a revolution."
    yield (
        f"One cycle a start{peak}; {fatigue.revolutions_per_hour:,.0f} revolutions an hour, a million in "
        f"{fatigue.hours_to_million_revolutions:.1f} h.{yaw} {fatigue.statement}"
    )
    yield fatigue.inspection


def _not_judged(check: StrengthCheck, rig: Rig) -> Iterator[NotJudged]:
    """Sets left out, and what the rig's keys do not reach for; sets that lack the same are named together."""
    yield from (NotJudged(f"blade set {name}", why) for name, why in check.left_out)
    chances = check.monte_carlo
    yield from _lacking(
        check, "probability of overload", "the rig gives no tolerances of the set",
        lambda design: not chances[design.name].rests_on_the_rig,
    )  # fmt: skip
    yield from _lacking(
        check, "probability of overload", "a stress of the blades drawn from its tolerances is no number",
        lambda design: not math.isfinite(chances[design.name].exceeds_strength),
    )  # fmt: skip
    yield from _lacking(
        check, "blade outside its root", "the rig gives mass and centre only, no sections",
        lambda design: design.sections is None,
    )  # fmt: skip
    if rig.modes or rig.pitch.table is not None:
        yield from _lacking(
            check, "pitch servo torque", "it needs the set's sections, servo.lever_ratio and the servo's torque",
            lambda design: design.servo is None,
        )  # fmt: skip
    if not check.planning:
        yield NotJudged("thrust and power to expect", "the rig lacks propeller.coefficients and sections, or pitches")


def _lacking(check: StrengthCheck, what: str, why: str, lacks: Callable[[DesignCheck], bool]) -> Iterator[NotJudged]:
    titles = [design.title for design in check.designs if lacks(design)]
    if titles:
        yield NotJudged(f"{what} of {listed(titles)}", why)


def _plan(check: StrengthCheck, rig: Rig) -> PlanOffer:
    """The proof of the fitted set, or why none can be written."""
    try:
        text = plan_text(check.plan, rig, check.fitted.name)
    except RigError as error:
        return PlanOffer(PROOF, "proof.toml", remark=f"no plan can be written: {error}")
    remark = f"to {check.plan.proof_rpm:.0f} rpm, {check.plan.source}; nobody near before the stand is at rest"
    return PlanOffer(PROOF, "proof.toml", text, f"{remark} and isolated")


def _document(check: StrengthCheck) -> Mapping[str, Any]:
    """The fitted set at the top level, every set again under ``designs``.

    Stresses a root does not have are None. Stresses in Pa, forces in N, speeds in rpm unless the name says otherwise.
    """
    fitted = _set_document(check.fitted)
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
        "plan": check.plan.stages,
        "proof": {"rpm": check.plan.proof_rpm, "source": check.plan.source, "cautions": check.plan.cautions},
        "designs": [_set_document(design) for design in check.designs],
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
        "throttle": check.throttle,
        "planning": {"source": check.planning_source, "points": check.planning},
        "warnings": check.warnings,
        "cautions": check.cautions,
        "assumptions": check.assumptions,
    }


def _set_document(design: DesignCheck) -> dict[str, Any]:
    root = {f"{key}_pa": None if mode is None else mode.stress_pa for key, mode in _root_modes(design)}
    own = ("name", "title", "passes", "mass_kg", "cg_radius_m", "centrifugal_n", "reserve_factor")
    return {
        **{key: getattr(design, key) for key in own},
        "root": {**root, "reserve_factor": design.root_reserve_factor},
        "permitted": {
            "rpm": design.permitted_rpm,
            "nominal_rpm": design.nominal_rpm,
            "governed_by": design.governed_by,
            "nominal_governed_by": design.nominal_governed_by,
            "band_rpm": design.chance.permitted_rpm,
            "split": design.chance.split,
        },
        "hole_peak_parts": design.peak,
        "hole_peak_rule": design.peak_rule,
        "caps": [{"governed_by": name, "rpm": rpm} for name, rpm in design.caps],
        "modes": [_mode_document(mode) for mode in design.modes],
        "loads": design.loads,
        "servo": design.servo,
        "fragment": _fragment_document(design.fragment),
        "fatigue": design.fatigue,
    }


def _root_modes(design: DesignCheck) -> Iterator[tuple[str, ModeResult | None]]:
    yield from ((key, design.mode(key)) for key in ROOT_STRESSES)


def _mode_document(mode: ModeResult) -> dict[str, Any]:
    """One way to fail, with what its allowable rests on."""
    allowable = mode.allowable
    own = ("key", "name", "stress_pa", "reserve_factor", "required", "judged", "permitted_rpm", "at_radius_m")
    return {
        **{key: getattr(mode, key) for key in own},
        "allowable_pa": allowable.value_pa,
        "direction": allowable.direction,
        "room_temperature_pa": allowable.room_pa,
        "factors": dict(allowable.factors),
        "basis": allowable.basis,
    }


def _fragment_document(view: FragmentView) -> dict[str, Any]:
    ranges = ("range_without_drag_m", "range_with_drag_m", "height_m")
    found: dict[str, Any] = {**plain(view.whole), **{key: getattr(view, key) for key in ranges}}
    return {**found, "tip_piece": view.tip_piece, "at_overspeed": view.overspeed}
