"""The strength check worked by hand: each figure as formula, numbers put in, and result.

Numbers are put in with enough digits that a pocket calculator gives the result shown to within its rounding.
"""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import dataclass

from whirlbench.analysis.strength.blade_build import BuiltBlade, build_blade
from whirlbench.analysis.strength.design_check import DesignCheck, ModeResult
from whirlbench.analysis.strength.root_modes import clamp_force_n
from whirlbench.analysis.strength.strength_check import StrengthCheck
from whirlbench.physics.blade_loads import blade_mass_kg, centre_of_mass_m
from whirlbench.physics.joints import PITCH_TO_MINOR, THREAD_SHARE, edge_factor, strips_m
from whirlbench.physics.root_stress import FORTY_DEG, PIN_FIT_FROM, pin_loaded_kt
from whirlbench.rig.blade_sets import BondedRoot, ClampedRoot, ShankRoot, TangRoot
from whirlbench.rig.description import Rig, require_number
from whirlbench.units import STANDARD_GRAVITY_M_S2, rad_s_from_rpm

MPA = 1e6


@dataclass(frozen=True)
class WorkedLine:
    """One line of working. ``numbers`` is plain arithmetic; ``result`` its value in ``unit``; empty for a remark."""

    what: str
    formula: str
    numbers: str
    result: float
    unit: str

    @property
    def shown_numbers(self) -> str:
        """The arithmetic as a person writes it."""
        powers = self.numbers.replace("**2", "²").replace("**3", "³").replace("**0.5", "^½")
        return powers.replace("*", "·").replace("pi", "π")


@dataclass(frozen=True)
class WorkedSet:
    """All lines of one blade set, and remarks on what cannot be done by hand."""

    name: str
    title: str
    lines: tuple[WorkedLine, ...]
    remarks: tuple[str, ...]


def worked_sets(check: StrengthCheck, rig: Rig) -> tuple[WorkedSet, ...]:
    """The working of every set of a check, in its order."""
    diameter_m = require_number(rig, "propeller.diameter_m", "the worked appendix")
    sets = []
    for design in check.designs:
        built = build_blade(design.name, rig.blade_sets[design.name], diameter_m)
        lines = tuple(_lines(check, design, built, rig))
        sets.append(WorkedSet(design.name, design.title, lines, tuple(_remarks(design))))
    return tuple(sets)


def _lines(check: StrengthCheck, design: DesignCheck, built: BuiltBlade, rig: Rig) -> Iterator[WorkedLine]:
    speed = float(rad_s_from_rpm(check.speed_rpm))
    yield WorkedLine("angular velocity", "w = 2 π n / 60", f"2 * pi * {_n(check.speed_rpm)} / 60", speed, "rad/s")
    yield from _pull_lines(design, built, speed)
    if isinstance(built.root, TangRoot):
        yield from _tang_lines(design, built.root)
    elif isinstance(built.root, ClampedRoot):
        yield from _clamp_lines(design, built.root)
    elif isinstance(built.root, ShankRoot):
        yield from _shank_lines(design, built.root)
    else:
        yield from _bond_lines(design, built.root)
    if not isinstance(built.root, ShankRoot):
        yield from _neck_lines(design)
    for mode in design.modes:
        yield from _allowable_lines(mode)
        yield from _reserve_lines(mode, check.speed_rpm)
    yield from _fragment_lines(design, speed)
    yield from _servo_lines(design, rig)


def _pull_lines(design: DesignCheck, built: BuiltBlade, speed: float) -> Iterator[WorkedLine]:
    mass, centre = built.mass_kg, built.cg_radius_m
    if built.distribution is not None:
        mass = blade_mass_kg(built.distribution, built.held_at_m)
        centre = centre_of_mass_m(built.distribution, built.held_at_m)
    numbers = f"{_n(mass)} * {_n(centre)} * {_n(speed)}**2"
    yield WorkedLine("pull of the mass outside the hole or grip", "F = m r w²", numbers, design.centrifugal_n, "N")


def _tang_lines(design: DesignCheck, root: TangRoot) -> Iterator[WorkedLine]:
    pull, holes = _n(design.centrifugal_n), f"{root.bolts} * {_n(root.hole_diameter_m)}"
    net_m2 = f"(({_n(root.width_m)} - {holes}) * {_n(root.thickness_m)})"
    net = design.centrifugal_n / ((root.width_m - root.bolts * root.hole_diameter_m) * root.thickness_m)
    yield _stress("net section, direct", "F / ((w - n d) t)", f"{pull} / {net_m2}", net)
    bearing = design.mode("bearing")
    assert bearing is not None
    bolt_n = bearing.stress_pa * root.hole_diameter_m * root.thickness_m
    if root.bolts == 1 and root.rows == 1:
        yield WorkedLine("pull of the bolt", "F, one bolt", pull, bolt_n, "N")
    else:
        yield WorkedLine("pull of the worst bolt (clearance, moment, rows)", "from the check", _n(bolt_n), bolt_n, "N")
    yield from _shear_lines(root, bolt_n)
    bolt = design.mode("bolt")
    if bolt is not None:
        area = f"(pi * {_n(root.bolt_diameter_m or root.hole_diameter_m)}**2 / 4)"
        yield _stress("shear of the bolt", "F1 / 2 A", f"{_n(bolt_n)} / (2 * {area})", bolt.stress_pa)
        yield from _pin_lines(root, bolt_n)
    numbers = f"{_n(bolt_n)} / ({_n(root.hole_diameter_m)} * {_n(root.thickness_m)})"
    yield _stress("bearing", "F1 / (d t)", numbers, bearing.stress_pa)
    yield from _peak_lines(design, root, bolt_n)


def _pin_lines(root: TangRoot, bolt_n: float) -> Iterator[WorkedLine]:
    """Bending moment of the bolt and its stress, shear left out."""
    outer, diameter = root.jaw_thickness_m or 0.5 * root.thickness_m, root.bolt_diameter_m or root.hole_diameter_m
    moment = bolt_n * (root.thickness_m + 4.0 * root.jaw_gap_m + 2.0 * outer) / 8.0
    numbers = f"{_n(bolt_n)} * ({_n(root.thickness_m)} + 4 * {_n(root.jaw_gap_m)} + 2 * {_n(outer)}) / 8"
    yield WorkedLine("moment of the bolt", "F1 (b + 4 c + 2 a) / 8", numbers, moment, "N m")
    bending = 32.0 * moment / (math.pi * diameter**3)
    yield _stress("its bending alone", "32 M / (π d³)", f"32 * {_n(moment)} / (pi * {_n(diameter)}**3)", bending)


def _peak_lines(design: DesignCheck, root: TangRoot, bolt_n: float) -> Iterator[WorkedLine]:
    """The pin's peak by hand where one row carries it; the bending parts as the check has them."""
    assert design.peak is not None and design.geometry.tang is not None
    direct, along, about = (
        float(part) for part in (design.peak.direct_pa, design.peak.along_bolt_pa, design.peak.about_bolt_pa)
    )
    strip = float(min(float(width) for width in strips_m(design.geometry.tang)))
    share, end = root.hole_diameter_m / strip, root.hole_diameter_m / root.edge_distance_m
    factor, edge = float(pin_loaded_kt(share)), float(edge_factor(share, end))
    told = "chart" if share < PIN_FIT_FROM else "fit from memory"
    yield WorkedLine(f"concentration at the pin-loaded hole ({told})", "Kt(d / strip)", _kt(share), factor, "")
    yield WorkedLine(f"short end, e/d {1.0 / end:.3g} (finite elements)", "from the table", _n(edge), edge, "")
    if root.rows == 1:
        numbers = f"{_n(factor)} * {_n(edge)} * {_n(bolt_n)} / (({_n(strip)} - {_n(root.hole_diameter_m)})"
        yield _stress("peak by the pin", "Kt Ke F1 / ((strip - d) t)", f"{numbers} * {_n(root.thickness_m)})", direct)
    numbers = f"{_n(direct)} + {_n(along)} + {_n(about)}"
    yield _stress("peak with bending over and about the bolt", "sum", numbers, direct + along + about)


def _kt(share: float) -> str:
    """The fit of ``pin_loaded_kt`` as arithmetic; its bare value where chart, open hole or the fit's end rules."""
    x = _n(share)
    fit = 12.882 - 52.714 * share + 89.762 * share**2 - 51.667 * share**3
    factor = float(pin_loaded_kt(share))
    return f"12.882 - 52.714 * {x} + 89.762 * {x}**2 - 51.667 * {x}**3" if math.isclose(fit, factor) else _n(factor)


def _shear_lines(root: TangRoot, bolt_n: float) -> Iterator[WorkedLine]:
    """Both usual path lengths: from the hole's edge, which is judged, and along 40-degree lines."""
    for what, cut in (("short path, judged", 1.0), ("40-degree path, for comparison", math.cos(FORTY_DEG))):
        length = root.edge_distance_m - cut * root.hole_diameter_m / 2.0
        scale = "" if cut == 1.0 else f" * {cut:.4f}"
        path = f"({_n(root.edge_distance_m)} - {_n(root.hole_diameter_m)} / 2{scale})"
        numbers = f"{_n(bolt_n)} / (2 * {path} * {_n(root.thickness_m)})"
        formula = "F1 / (2 (e - d/2) t)" if cut == 1.0 else "F1 / (2 (e - d/2 cos 40°) t)"
        yield _stress(f"shear-out, {what}", formula, numbers, bolt_n / (2.0 * length * root.thickness_m))


def _clamp_lines(design: DesignCheck, root: ClampedRoot) -> Iterator[WorkedLine]:
    slip = design.mode("slip")
    assert slip is not None
    area = f"({_n(root.neck_chord_m)} * {_n(root.clamped_length_m)})"
    yield _stress("friction needed", "F / (2 c l)", f"{_n(design.centrifugal_n)} / (2 * {area})", slip.stress_pa)
    kept = dict(slip.allowable.factors)["clamp force kept"]
    numbers = f"{_n(root.friction)} * {_n(kept)} * {_n(clamp_force_n(root))} / {area}"
    yield _stress("friction there is after creep", "mu k N / (c l)", numbers, slip.allowable.value_pa)


def _bond_lines(design: DesignCheck, root: BondedRoot) -> Iterator[WorkedLine]:
    bond = design.mode("bond")
    assert bond is not None
    around = f"2 * ({_n(root.neck_chord_m)} + {_n(root.neck_thickness_m)}) * {_n(root.bond_length_m)}"
    numbers = f"{_n(design.centrifugal_n)} / ({around})"
    yield _stress("mean shear of the glue line", "F / (2 (c + t) l)", numbers, bond.stress_pa)


def _shank_lines(design: DesignCheck, root: ShankRoot) -> Iterator[WorkedLine]:
    loads, core = design.loads, float(design.geometry["shank_diameter_m"])
    neck = design.mode("neck")
    assert neck is not None
    moment = math.hypot(loads.flap_moment_n_m, loads.edge_moment_n_m)
    numbers = f"4 * {_n(loads.mouth_pull_n)} / (pi * {_n(core)}**2) + 32 * {_n(moment)} / (pi * {_n(core)}**3)"
    yield _stress("core of the shank", "4 F / (π d²) + 32 M / (π d³)", numbers, neck.stress_pa)
    thread, bond = design.mode("thread"), design.mode("bond")
    length, pull = _n(root.engaged_length_m), _n(design.centrifugal_n)
    if thread is not None and root.thread_pitch_m is not None:
        minor = f"({_n(root.shank_diameter_m)} - {PITCH_TO_MINOR} * {_n(root.thread_pitch_m)})"
        numbers = f"{pull} / ({THREAD_SHARE} * pi * {minor} * {length})"
        yield _stress("stripping of the threads", "F / (0.75 π D1 L)", numbers, thread.stress_pa)
    if bond is not None:
        numbers = f"{pull} / (pi * {_n(root.shank_diameter_m)} * {length})"
        yield _stress("mean shear of the glue line", "F / (π d L)", numbers, bond.stress_pa)


def _neck_lines(design: DesignCheck) -> Iterator[WorkedLine]:
    neck, loads = design.mode("neck"), design.loads
    assert neck is not None
    chord, thick = _n(float(design.geometry.neck_chord_m)), _n(float(design.geometry.neck_thickness_m))
    numbers = (
        f"{_n(loads.mouth_pull_n)} / ({chord} * {thick}) + {_n(loads.flap_moment_n_m)} / ({chord} * {thick}**2 / 6)"
        f" + {_n(loads.edge_moment_n_m)} / ({thick} * {chord}**2 / 6)"
    )
    yield _stress("neck at the mouth of the grip", "F / A + M1 / (c t²/6) + M2 / (t c²/6)", numbers, neck.stress_pa)


def _allowable_lines(mode: ModeResult) -> Iterator[WorkedLine]:
    allowable = mode.allowable
    if not allowable.factors:
        return
    factors = " * ".join(f"{factor:g}" for _, factor in allowable.factors)
    names = " times ".join(name for name, _ in allowable.factors)
    yield WorkedLine(
        f"allowable for {mode.name}",
        f"room-temperature strength times {names}",
        f"{_n(allowable.room_pa / MPA)} * {factors}",
        allowable.value_pa / MPA,
        "MPa",
    )


def _reserve_lines(mode: ModeResult, rpm: float) -> Iterator[WorkedLine]:
    numbers = f"{_n(mode.allowable.value_pa / MPA)} / {_n(mode.stress_pa / MPA)}"
    yield WorkedLine(f"reserve of {mode.name}", "allowable / stress", numbers, mode.reserve_factor, "")
    if mode.judged and mode.key in ("slip", "bond", "thread", "first_thread") and math.isfinite(mode.permitted_rpm):
        numbers = f"{_n(rpm)} * ({_n(mode.reserve_factor)} / {_n(mode.required)})**0.5"
        yield WorkedLine(f"speed permitted by {mode.name}", "n √(reserve / needed)", numbers, mode.permitted_rpm, "rpm")


def _fragment_lines(design: DesignCheck, speed: float) -> Iterator[WorkedLine]:
    view, piece = design.fragment, design.fragment.whole
    numbers = f"{_n(design.cg_radius_m)} * {_n(speed)}"
    yield WorkedLine("speed of a blade that lets go", "v = r w", numbers, piece.speed_m_s, "m/s")
    numbers = f"{_n(piece.mass_kg)} * {_n(piece.speed_m_s)}**2 / 2"
    yield WorkedLine("its energy", "m v² / 2", numbers, piece.energy_j, "J")
    g, v = _n(STANDARD_GRAVITY_M_S2), _n(piece.speed_m_s)
    numbers = f"{v} / {g} * ({v}**2 + 2 * {g} * {_n(view.height_m)})**0.5"
    yield WorkedLine("range without air or guard", "v/g √(v² + 2 g h)", numbers, view.range_without_drag_m, "m")


def _servo_lines(design: DesignCheck, rig: Rig) -> Iterator[WorkedLine]:
    if design.servo is None or rig.servo.lever_ratio is None:
        return
    numbers = f"{rig.propeller.blades} * {_n(design.servo.blade_moment_n_m)} / {_n(rig.servo.lever_ratio)}"
    yield WorkedLine(
        "twisting moment at the servo",
        "blades times moment / lever ratio",
        numbers,
        design.servo.servo_torque_n_m,
        "N m",
    )


def _remarks(design: DesignCheck) -> Iterator[str]:
    loads = design.loads
    for mode in design.modes:
        yield f"{mode.name}: {mode.allowable.basis}."
    relief = (
        "no relief claimed"
        if loads.relieved_n_m is None
        else f"{loads.relieved_n_m:.3g} N m with relief (beam solution)"
    )
    yield (
        f"Moment of thrust at the mouth {loads.thrust_moment_n_m:.3g} N m without relief, {relief}; of torque "
        f"{loads.torque_moment_n_m:.3g} N m. Turned into the section's axes: M1 = {loads.flap_moment_n_m:.3g}, "
        f"M2 = {loads.edge_moment_n_m:.3g} N m."
    )
    blade = design.mode("blade")
    if blade is not None:
        yield (
            f"The worst section of the blade stands at {blade.at_radius_m or 0.0:.3f} m; its pull and relieved moment "
            "are integrals along the blade and are not done by hand here."
        )


def _stress(what: str, formula: str, numbers: str, stress_pa: float) -> WorkedLine:
    """A line whose arithmetic gives Pa and whose result is shown in MPa."""
    return WorkedLine(what, formula, f"({numbers}) / 1e6", stress_pa / MPA, "MPa")


def _n(value: float) -> str:
    """Six significant digits, without an exponent where that reads better."""
    return f"{value:.6g}"
