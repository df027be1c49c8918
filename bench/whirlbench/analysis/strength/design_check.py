"""One blade set judged at one speed: reserves, permitted speed and what governs it, servo hold, fragment, fatigue."""

from __future__ import annotations

import math
from collections.abc import Iterable, Iterator
from dataclasses import dataclass, field, replace
from functools import cached_property

import numpy as np

from whirlbench.analysis.strength.allowables import Allowable, Strengths
from whirlbench.analysis.strength.blade_build import BuiltBlade
from whirlbench.analysis.strength.blade_stress import BladeLoads, BladeUnderLoad, SectionStress
from whirlbench.analysis.strength.root_modes import RootGeometry, RootLoads, TangModes, root_geometry, root_modes
from whirlbench.analysis.strength.speed_law import Case, SpeedLaw, speed_law
from whirlbench.analysis.strength.tolerances import DEFAULT_SEED, SAMPLES, Cap, MonteCarlo, monte_carlo
from whirlbench.physics.blade_loads import blade_mass_kg, centre_of_mass_m
from whirlbench.physics.coefficients import speed_at_tip_mach_rpm
from whirlbench.physics.fatigue import FatigueView, fatigue_view
from whirlbench.physics.fragments import Fragment, fragment, range_with_drag_m, range_without_drag_m
from whirlbench.physics.joints import Peak
from whirlbench.physics.root_stress import neck_pa
from whirlbench.rig.blade_sets import TangRoot
from whirlbench.rig.description import Rig
from whirlbench.units import rad_s_from_rpm

DEFAULT_RESERVE = (
    2.0  # on a lower-bound strength; the same figure as the 2x load of 14 CFR 35.35, borrowed, see yardsticks
)
TIP_PIECE_FROM = 0.75  # share of the tip radius outside which the piece of the second fragment lies
DEFAULT_HEIGHT_M = 1.0
CHART_SPEEDS = 24
SOUND = "tip at the speed of sound"  # beyond it no load here is known
PEAK_MODES = ("hole_peak", "cleavage", "first_thread", "thread_peak")  # elastic peaks have a measure of their own


@dataclass(frozen=True)
class ModeResult:
    """One way to fail, at the speed that was asked for. ``permitted_rpm`` is where its reserve is used up."""

    key: str
    name: str
    stress_pa: float
    allowable: Allowable
    required: float
    judged: bool
    permitted_rpm: float
    at_radius_m: float | None = None

    @property
    def reserve_factor(self) -> float:
        """Strength over stress."""
        return self.allowable.value_pa / self.stress_pa


@dataclass(frozen=True)
class ServoHold:
    """Torque that the blades' twisting moment asks of the pitch servo, against what it has."""

    blade_moment_n_m: float
    servo_torque_n_m: float
    available_n_m: float
    share: float
    pitch_deg: float


@dataclass(frozen=True)
class FragmentView:
    """A whole blade that lets go at its root, and the outer piece of one."""

    whole: Fragment
    tip_piece: Fragment | None
    overspeed: Fragment | None  # the whole blade at limits.overspeed_rpm
    range_without_drag_m: float
    range_with_drag_m: float | None
    height_m: float


@dataclass(frozen=True)
class DesignCheck:
    """The answer for one blade set.

    ``permitted_rpm`` is the figure to act on: what nineteen of twenty blades stand, and never above ``nominal_rpm``,
    the blade as drawn. ``governed_by`` and ``caps`` go with each. ``peak`` splits the peak at a hole into its parts.
    ``use`` is the highest share of any judged reserve at each of ``use_rpm``.
    """

    name: str
    title: str
    passes: bool
    mass_kg: float
    cg_radius_m: float
    centrifugal_n: float
    loads: BladeLoads
    modes: tuple[ModeResult, ...]
    permitted_rpm: float
    governed_by: str
    nominal_rpm: float
    nominal_governed_by: str
    caps: tuple[tuple[str, float], ...]
    chance: MonteCarlo
    peak: Peak | None
    peak_rule: str
    servo: ServoHold | None
    fragment: FragmentView
    fatigue: FatigueView
    sections: SectionStress | None
    use_rpm: np.ndarray = field(repr=False)
    use: np.ndarray = field(repr=False)
    geometry: RootGeometry = field(repr=False)

    @property
    def reserve_factor(self) -> float:
        """Lowest reserve of the nominal stresses in root and blade; the peak at a hole has a measure of its own."""
        return min(mode.reserve_factor for mode in self.modes if mode.judged and mode.key not in PEAK_MODES)

    @property
    def root_reserve_factor(self) -> float:
        """The same for the root alone."""
        nominal = (mode for mode in self.modes if mode.judged and mode.key not in (*PEAK_MODES, "blade"))
        return min(mode.reserve_factor for mode in nominal)

    def mode(self, key: str) -> ModeResult | None:
        """The mode with ``key`` ("net_section", "shear_out", "bearing", ...), None when the root has no such mode."""
        return next((mode for mode in self.modes if mode.key == key), None)


def check_design(
    rig: Rig,
    loaded: BladeUnderLoad,
    rpm: float,
    speed_of_sound_m_s: float,
    density_kg_m3: float,
    seed: int = DEFAULT_SEED,
    samples: int = SAMPLES,
) -> DesignCheck:
    """Judges a loaded blade at a speed in rpm. RigError names a key that is missing for its strength."""
    judge = _Judge(loaded, reserve_wanted(rig))
    built, loads, modes = loaded.built, loaded.loads(rpm), judge.results(rpm)
    servo = servo_hold(rig, loaded, rpm)
    bounds = tuple(_bounds(rig, built, servo, rpm, speed_of_sound_m_s))
    named_rpm = [(mode.name, mode.permitted_rpm) for mode in modes if mode.judged]
    caps = tuple(sorted([*named_rpm, *((cap.name, cap.rpm) for cap in bounds)], key=lambda cap: cap[1]))
    chance = monte_carlo(built, judge.case, judge.geometry, bounds, rpm, seed, samples)
    (nominal_by, nominal_rpm), low_rpm = caps[0], chance.permitted_rpm[0]
    use_rpm = np.linspace(0.2, 1.5, CHART_SPEEDS) * rpm
    permitted_rpm = min(low_rpm, nominal_rpm) if math.isfinite(low_rpm) else 0.0
    return DesignCheck(
        name=built.name,
        title=built.blades.title or built.name,
        passes=bool(permitted_rpm >= rpm),
        mass_kg=built.mass_kg,
        cg_radius_m=built.cg_radius_m,
        centrifugal_n=loads.pull_n,
        loads=loads,
        modes=modes,
        permitted_rpm=permitted_rpm,
        governed_by=chance.governed_by if low_rpm <= nominal_rpm else nominal_by,
        nominal_rpm=nominal_rpm,
        nominal_governed_by=nominal_by,
        caps=caps,
        chance=chance,
        peak=judge.peak(loads.root),
        peak_rule=judge.peak_rule,
        servo=servo,
        fragment=fragment_view(rig, built, rpm, density_kg_m3),
        fatigue=_fatigue(rpm, loads, modes, judge),
        sections=loaded.section_stress(rpm),
        use_rpm=use_rpm,
        use=np.array([judge.use(float(speed)) for speed in use_rpm]),
        geometry=judge.geometry,
    )


def reserve_wanted(rig: Rig) -> float:
    """Reserve factor asked of nominal stresses: ``limits.root_reserve_factor``, else the default."""
    wanted = rig.limits.root_reserve_factor
    return DEFAULT_RESERVE if wanted is None else wanted


def reserve_uses(rig: Rig, loaded: BladeUnderLoad, speeds_rpm: Iterable[float]) -> list[float]:
    """Highest share of any judged reserve that a loaded blade uses at speeds in rpm; above 1 the check fails."""
    judge = _Judge(loaded, reserve_wanted(rig))
    return [judge.use(float(rpm)) for rpm in speeds_rpm]


def servo_hold(rig: Rig, loaded: BladeUnderLoad, rpm: float) -> ServoHold | None:
    """The servo's share at a speed in rpm; None where the rig lacks sections, blade count, lever ratio or torque."""
    ratio, count = rig.servo.lever_ratio, rig.propeller.blades
    torques = [torque for torque in (rig.limits.servo_torque_n_m, rig.servo.torque_n_m) if torque is not None]
    twisting_n_m = loaded.twisting_n_m(rpm)
    if twisting_n_m is None or ratio is None or count is None or not torques:
        return None
    needed, available = count * twisting_n_m / ratio, min(torques)
    return ServoHold(twisting_n_m, needed, available, needed / available, loaded.air.pitch_deg)


def fragment_view(rig: Rig, built: BuiltBlade, rpm: float, density_kg_m3: float) -> FragmentView:
    """Fragments at a speed in rpm; the range with drag needs the sections' chords."""
    speed = float(rad_s_from_rpm(rpm))
    whole = fragment(built.mass_kg, built.cg_radius_m, speed)
    height = rig.stand.shaft_height_m or DEFAULT_HEIGHT_M
    planform, limit = built.planform_m2(), rig.limits.overspeed_rpm
    at_limit = None if limit is None else fragment(built.mass_kg, built.cg_radius_m, float(rad_s_from_rpm(limit)))
    # A quarter of the whole surface of a thin flat body is half its planform (Cauchy).
    dragged = None if planform is None else range_with_drag_m(whole, planform / 2.0, height, density_kg_m3)
    return FragmentView(
        whole, _tip_piece(built, speed), at_limit, range_without_drag_m(whole.speed_m_s, height), dragged, height
    )


def _tip_piece(built: BuiltBlade, speed_rad_s: float) -> Fragment | None:
    if built.distribution is None:
        return None
    inner_m = TIP_PIECE_FROM * built.tip_m
    mass = blade_mass_kg(built.distribution, inner_m)
    return fragment(mass, centre_of_mass_m(built.distribution, inner_m), speed_rad_s) if mass > 0.0 else None


def _fatigue(rpm: float, loads: BladeLoads, modes: tuple[ModeResult, ...], judge: _Judge) -> FatigueView:
    """Peak at the hole (neck, for other roots) as the start cycle; the gyroscopic moment on the neck as the 1P cycle.

    The moment is put on the neck's weak axis, whatever the blade angle.
    """
    by_key = {mode.key: mode for mode in modes}
    peak, amplitude = by_key.get("hole_peak", by_key["neck"]), None
    if loads.gyroscopic_n_m > 0.0 and "neck_chord_m" in judge.geometry.sizes:
        geometry = judge.geometry
        amplitude = float(neck_pa(0.0, loads.gyroscopic_n_m, 0.0, geometry.neck_chord_m, geometry.neck_thickness_m))
    material = judge.loaded.built.material
    family = "" if material is None else material.family
    return fatigue_view(rpm, peak.stress_pa, amplitude, peak.allowable.value_pa, family)


def _bounds(
    rig: Rig, built: BuiltBlade, servo: ServoHold | None, rpm: float, speed_of_sound_m_s: float
) -> Iterator[Cap]:
    """What bounds the speed beside stresses."""
    if servo is not None and servo.share > 0.0:
        yield Cap("pitch servo torque", rpm / math.sqrt(servo.share), by_mass=True)
    mach = rig.limits.tip_mach
    if mach is not None:
        yield Cap("tip Mach", speed_at_tip_mach_rpm(mach, 2.0 * built.tip_m, speed_of_sound_m_s))
    yield Cap(SOUND, speed_at_tip_mach_rpm(1.0, 2.0 * built.tip_m, speed_of_sound_m_s))


class _Judge:
    """Stress, reserve and permitted speed of every mode of one loaded blade."""

    def __init__(self, loaded: BladeUnderLoad, required: float):
        built = loaded.built
        strengths = Strengths(built.name, built.blades, built.material)
        self.loaded, self.required = loaded, required
        geometry = root_geometry(built.root, built.modulus_pa)
        self.geometry = replace(geometry, sizes={**geometry.sizes, "section_chord_m": 0.0, "section_thickness_m": 0.0})
        self.modes = root_modes(built.root, strengths, required)
        self._tension = strengths.tension(strengths.span_direction())
        self._tang = TangModes(built.root, strengths, required) if isinstance(built.root, TangRoot) else None

    @cached_property
    def case(self) -> Case:
        """The modes with the law of their loads."""
        law: SpeedLaw = speed_law(self.loaded)
        return Case(law, self.modes, self._tension if len(law.direct) else None, self.required)

    @property
    def peak_rule(self) -> str:
        """By which rule the peak at a hole counts at once or not; empty for a root without holes."""
        if self._tang is None:
            return ""
        judged, why = self._tang.strengths.peak_judged(self._tang.weld_line)
        return f"{'judged at once' if judged else 'counts in fatigue only'}: {why}"

    def peak(self, loads: RootLoads) -> Peak | None:
        """The peak at the hole by its parts, None for a root without holes."""
        return None if self._tang is None else self._tang.peak(self.geometry, loads)

    def results(self, rpm: float) -> tuple[ModeResult, ...]:
        """All modes at a speed."""
        loads, found = self.loaded.loads(rpm).root, []
        for mode in self.modes:
            permitted = float(self.case.permitted_rpm(mode, self.geometry))
            stress_pa = float(mode.stress_pa(self.geometry, loads))
            found.append(
                ModeResult(mode.key, mode.name, stress_pa, mode.allowable, mode.required, mode.judged, permitted)
            )
        sections = self.loaded.section_stress(rpm)
        if sections is not None:
            (radius_m, stress_pa), mode = sections.worst, self.case.section_mode()
            permitted = float(self.case.permitted_rpm(mode, self.geometry))
            tension = self._tension
            found.append(ModeResult("blade", mode.name, stress_pa, tension, self.required, True, permitted, radius_m))
        return tuple(found)

    def use(self, rpm: float) -> float:
        """Highest share of a judged reserve that is used at a speed: above 1 the check fails."""
        loads = self.loaded.loads(rpm).root
        shares = [
            mode.required * float(mode.stress_pa(self.geometry, loads)) / mode.allowable.value_pa
            for mode in self.modes
            if mode.judged
        ]
        sections = self.loaded.section_stress(rpm)
        if sections is not None:
            shares.append(sections.worst[1] * self.required / self._tension.value_pa)
        return float(np.max(shares))  # a share that is no number stays one
