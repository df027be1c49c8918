"""Tables of a strength check: blade sets, ways to fail, fragments, yardsticks, proof stages; the working by hand."""

from __future__ import annotations

import math
from collections.abc import Iterator

from whirlbench.analysis.strength import (
    ANY,
    DesignCheck,
    ModeResult,
    MonteCarlo,
    PlannedPoint,
    Stage,
    StrengthCheck,
    stated,
    worked_sets,
)
from whirlbench.results.answer import NONE, Column, Table, fixed, significant, span
from whirlbench.results.figures.throttle_travel import TRAVEL_COLUMNS, travel_cells
from whirlbench.results.labels import spoken
from whirlbench.rig.description import Rig

MPA = 1e-6
NOT_DESCRIBED = "not described in the rig"
BASIS_COLUMNS = (Column("what", figures=False), Column("of this check", figures=False))
SET_COLUMNS = (
    Column("set", figures=False),
    Column("verdict", figures=False),
    Column("blade", "g"),
    Column("pull", "N"),
    Column("lowest reserve"),
    Column("least reserve of drawn blades, peaks too, 5 to 95 %"),
    Column("permitted", "rpm"),
    Column("as drawn", "rpm"),
    Column("5 to 95 %", "rpm"),
    Column("governed by", figures=False),
    Column("P(overload): chance of a stress above strength"),
)
MODE_COLUMNS = (
    Column("way to fail", figures=False),
    Column("stress", "MPa"),
    Column("allowable", "MPa"),
    Column("reserve"),
    Column("needed"),
    Column("permitted", "rpm"),
    Column("layers", figures=False),
)
FRAGMENT_COLUMNS = (
    Column("what lets go", figures=False),
    Column("mass", "g"),
    Column("speed", "m/s"),
    Column("energy", "J"),
)
YARDSTICK_COLUMNS = (
    Column("rule", figures=False),
    Column("load"),
    Column("held", "min"),
    Column("speed", "rpm"),
    Column("lowest reserve there"),
    Column("source", figures=False),
)
STAGE_COLUMNS = (
    Column("stage"),
    Column("speed", "rpm"),
    Column("load", "%"),
    Column("hold", "s"),
    Column("blade angle", "deg"),
    Column("throttle", "%"),
    Column("request", "rpm"),
    Column("then", figures=False),
)
THROTTLE_COLUMNS = (
    Column("lever position", figures=False),
    Column("from a pitch of", "deg"),
    Column("travel in the rig", "%"),
    *TRAVEL_COLUMNS,
)
ROOT_COLUMNS = (
    Column("set", figures=False),
    Column("net section", "MPa"),
    Column("shear-out", "MPa"),
    Column("bearing", "MPa"),
    Column("neck", "MPa"),
)
SCATTER_COLUMNS = (
    Column("set", figures=False),
    Column("blades drawn"),
    Column("seed"),
    Column("P(strength is exceeded)"),
    Column("P(reserve is not kept)"),
    Column("permitted, 5 to 95 %", "rpm"),
)
PEAK_COLUMNS = (
    Column("set", figures=False),
    Column("pull by the pin", "MPa"),
    Column("bending over the bolt's length", "MPa"),
    Column("bending about the bolt", "MPa"),
    Column("together", "MPa"),
    Column("rule", figures=False),
)
LIFE_COLUMNS = (Column("question", figures=False), Column("answer", figures=False))
GUARD_COLUMNS = (
    Column("barrier", figures=False),
    Column("result", figures=False),
    Column("test energy", "J"),
    Column("this blade, share", "%"),
    Column("limits of the comparison", figures=False),
    Column("source", figures=False),
)
PLANNING_COLUMNS = (
    Column("speed", "rpm"),
    Column("blade angle", "deg"),
    Column("thrust", "N"),
    Column("shaft power", "W"),
    Column("torque", "N m"),
    Column("pack current", "A"),
)
WORKING_COLUMNS = (
    Column("figure", figures=False),
    Column("formula", figures=False),
    Column("numbers", figures=False),
    Column("result"),
)


def check_tables(check: StrengthCheck, rig: Rig, design: DesignCheck) -> Iterator[Table]:
    """What every surface shows; ``design`` is the set that is told in detail."""
    unfit = frozenset(number for number, each in enumerate(check.designs) if not each.passes)
    sets = tuple(_set_row(each, check) for each in check.designs)
    yield Table("sets", "Blade sets side by side", SET_COLUMNS, sets, unfit)
    failing = frozenset(number for number, mode in enumerate(design.modes) if _fails(mode))
    modes = tuple(map(_mode_row, design.modes))
    yield Table("modes", f"{design.title}: each way to fail", MODE_COLUMNS, modes, failing)
    yield Table("life", f"{design.title}: life and inspection", LIFE_COLUMNS, tuple(_life_rows(design)))
    yield Table(
        "fragments", f"{design.title}: if a blade lets go", FRAGMENT_COLUMNS, tuple(_fragment_rows(design, rig))
    )
    stages = tuple(map(_stage_row, check.plan.stages))
    title = f"Proof of the fitted set to {check.plan.proof_rpm:.0f} rpm ({check.plan.source}), in steps of load"
    if stages:
        yield Table("stages", title, STAGE_COLUMNS, stages)
    yield from _throttle(check, rig)
    yield _yardsticks(check)
    yield Table("basis", "What the figures hold for", BASIS_COLUMNS, tuple(_basis(check, rig)))
    taken = tuple((spoken(text),) for text in check.assumptions)
    yield Table("assumptions", "Taken for granted", (Column("assumption", figures=False),), taken)


def _set_row(design: DesignCheck, check: StrengthCheck) -> tuple[str, ...]:
    chance = check.monte_carlo[design.name]
    return (
        f"{design.title}{' (fitted)' if design is check.fitted else ''}",
        "fit" if design.passes else "NOT FIT",
        fixed(design.mass_kg * 1e3),
        fixed(design.centrifugal_n, 0),
        fixed(design.reserve_factor, 2),
        span(chance.reserve_factor[0], chance.reserve_factor[2], 2),
        fixed(design.permitted_rpm, 0),
        fixed(design.nominal_rpm, 0),
        span(chance.permitted_rpm[0], chance.permitted_rpm[2]),
        design.governed_by,
        _chance(chance, chance.exceeds_strength),
    )


def _chance(chance: MonteCarlo, probability: float) -> str:
    """A probability in words; a dash where it is none or rests on nothing of the rig, so that it never reads small."""
    return chance.told(probability) if math.isfinite(probability) and chance.rests_on_the_rig else NONE


def _fails(mode: ModeResult) -> bool:
    return mode.judged and not mode.reserve_factor >= mode.required


def _mode_row(mode: ModeResult) -> tuple[str, ...]:
    return (
        mode.name if mode.judged else f"{mode.name} (fatigue only)",
        fixed(mode.stress_pa * MPA, 2),
        fixed(mode.allowable.value_pa * MPA, 2),
        fixed(mode.reserve_factor, 2),
        f"{mode.required:g}" if mode.judged else NONE,
        "any" if mode.permitted_rpm == math.inf else fixed(mode.permitted_rpm, 0),  # a stress that no speed changes
        NONE if mode.allowable.direction == ANY else mode.allowable.direction,
    )


def _life_rows(design: DesignCheck) -> Iterator[tuple[str, str]]:
    view = design.fatigue
    hours = "no life is predicted" if view.hours_under_load is None else f"about {view.hours_under_load:,.0f} h"
    yield "hours under load", hours
    yield "starts", "no life is predicted"
    yield "why", view.statement
    yield "inspection", view.inspection


def mass_share(design: DesignCheck, rig: Rig) -> float:
    """Standard deviation of a blade's mass as a share of it: a tolerance is two of them."""
    blades = rig.blade_sets.get(design.name)
    return (stated(blades.tolerances if blades else None)[0].mass_pct or 0.0) / 200.0


def _fragment_rows(design: DesignCheck, rig: Rig) -> Iterator[tuple[str, ...]]:
    """Mass and energy with what the tolerance of the mass does to them; the speed is exact for the rpm stated."""
    view, share = design.fragment, mass_share(design, rig)
    pieces = {"a blade": view.whole, "a blade, at the overspeed trip": view.overspeed}
    pieces["the outer quarter of a blade"] = view.tip_piece
    for what, piece in pieces.items():
        if piece is not None:
            mass_g, energy_j = piece.mass_kg * 1e3, piece.energy_j
            mass = f"{mass_g:.1f} ± {significant(share * mass_g, 1)}"
            yield what, mass, fixed(piece.speed_m_s, 0), f"{energy_j:.0f} ± {significant(share * energy_j, 1)}"


def _stage_row(stage: Stage) -> tuple[str, ...]:
    return (
        str(stage.number),
        fixed(stage.rpm, 0),
        fixed(stage.load_pct, 0),
        fixed(stage.hold_s, 0),
        fixed(stage.pitch_deg),
        fixed(stage.throttle_pct),
        fixed(stage.request_rpm, 0),
        f"stop: {stage.note}" if stage.inspect else "",
    )


def _throttle(check: StrengthCheck, rig: Rig) -> Iterator[Table]:
    """What each lever position lets the throttle open, beside the most that is safe."""
    rows = []
    for cap in check.throttle:
        now = f"{rig.modes[cap.mode].max_throttle_pct:g}"
        rows.append((cap.mode, fixed(cap.pitch_deg), now, *travel_cells(cap.safe_pct, cap.best_pct, rig)))
    if rows:
        title = (
            f"Throttle travel with which a governor that fails wide open cannot pass {check.throttle[0].rpm:.0f} rpm"
        )
        yield Table("throttle", title, THROTTLE_COLUMNS, tuple(rows))


def _yardsticks(check: StrengthCheck) -> Table:
    rows = tuple(
        (
            rule.name, f"{rule.load_factor:g}x", f"{rule.held_s / 60.0:g}", fixed(rule.speed_rpm, 0),
            fixed(rule.reserve_there, 2), rule.source,
        )
        for rule in check.yardsticks
    )  # fmt: skip
    label = check.yardsticks[0].label if check.yardsticks else ""
    return Table("yardsticks", f"Yardsticks for the fitted set, {label}", YARDSTICK_COLUMNS, rows)


def _basis(check: StrengthCheck, rig: Rig) -> Iterator[tuple[str, str]]:
    limit = ", no limit set" if check.tip_mach_limit is None else f" of {check.tip_mach_limit:g} allowed"
    yield "rig", check.rig_name or "not named"
    yield "judged at", f"{check.speed_rpm:.0f} rpm, {check.speed_source}"
    yield "reserve asked", f"{check.required_reserve:g} of nominal stresses"
    yield "fitted", check.fitted.title
    yield "air", f"{check.air.density_kg_m3:.3f} kg/m³, {check.air.source}"
    yield "tip Mach", f"{check.tip_mach:.3f}{limit}"
    yield "thrust and power to expect", check.planning_source or "not known"
    yield "guard", rig.stand.guard or NOT_DESCRIBED
    yield "isolating switch", rig.stand.isolator or NOT_DESCRIBED


def check_appendix(check: StrengthCheck, rig: Rig) -> Iterator[Table]:
    """What only the page shows: root stresses, scatter, guards, planning figures, every set worked by hand."""
    roots = tuple((design.title, *_root_stresses(design)) for design in check.designs)
    yield Table("roots", "Nominal stresses in the roots", ROOT_COLUMNS, roots)
    drawn = ((design.title, check.monte_carlo[design.name]) for design in check.designs)
    scatter = tuple(_scatter_row(title, chance) for title, chance in drawn)
    yield Table("scatter", "Blades drawn from their tolerances", SCATTER_COLUMNS, scatter)
    parts = tuple(_peak_row(each) for each in check.designs if each.peak is not None)
    yield Table("peaks", "Elastic peak beside the hole, by what makes it", PEAK_COLUMNS, parts)
    yield _guards(check)
    planned = tuple(map(_planned_row, check.planning))
    yield Table("planning", "Thrust, power and current to expect", PLANNING_COLUMNS, planned)
    for worked in worked_sets(check, rig):
        rows = tuple(
            (line.what, line.formula, line.shown_numbers, f"{line.result:.4g} {line.unit}".rstrip())
            for line in worked.lines
        )
        title = f"Worked by hand: {worked.title}; lengths in m, masses in kg, forces in N"
        yield Table(f"working {worked.name}", title, WORKING_COLUMNS, rows)
        remarks = tuple((remark,) for remark in worked.remarks)
        title = f"What the working rests on: {worked.title}"
        yield Table(f"rests {worked.name}", title, (Column("remark", figures=False),), remarks)


def _root_stresses(design: DesignCheck) -> Iterator[str]:
    for key in ("net_section", "shear_out", "bearing", "neck"):
        mode = design.mode(key)
        yield NONE if mode is None else fixed(mode.stress_pa * MPA, 2)


def _peak_row(design: DesignCheck) -> tuple[str, ...]:
    assert design.peak is not None
    parts = (design.peak.direct_pa, design.peak.along_bolt_pa, design.peak.about_bolt_pa, design.peak.sum_pa)
    return design.title, *(fixed(float(part) * MPA, 2) for part in parts), design.peak_rule


def _scatter_row(title: str, chance: MonteCarlo) -> tuple[str, ...]:
    exceeded, not_kept = _chance(chance, chance.exceeds_strength), _chance(chance, chance.below_reserve)
    low, _, high = chance.permitted_rpm
    return title, str(chance.samples), str(chance.seed), exceeded, not_kept, span(low, high)


def _guards(check: StrengthCheck) -> Table:
    """Published tests; a barrier that gave way is printed as what it is."""
    tests = check.guard.tests
    rows = tuple(
        (
            test.barrier, "stopped" if test.stopped else f"held only to {test.speed_m_s:g} m/s",
            fixed(test.energy_j, 0), fixed(100.0 * share, 0), test.caution, test.source,
        )
        for test, share in zip(tests, check.guard.share_of_test, strict=True)
    )  # fmt: skip
    gave_way = frozenset(number for number, test in enumerate(tests) if not test.stopped)
    return Table("guards", "A blade of the fitted set beside published guard tests", GUARD_COLUMNS, rows, gave_way)


def _planned_row(point: PlannedPoint) -> tuple[str, ...]:
    return (
        fixed(point.rpm, 0),
        f"{point.pitch_deg:g}",
        _ranged(point.thrust_n, point.thrust_range_n),
        _ranged(point.power_w, point.power_range_w),
        fixed(point.torque_n_m, 2),
        _ranged(point.pack_current_a, point.pack_current_range_a),
    )


def _ranged(value: float | None, ends: tuple[float | None, float | None]) -> str:
    """A value with the range of its uncertainty; a dash where the value is not known."""
    return NONE if value is None else f"{fixed(value, 0)} ({fixed(ends[0], 0)} to {fixed(ends[1], 0)})"
