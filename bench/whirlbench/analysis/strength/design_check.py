"""One blade set judged at one speed: reserves, permitted speed and what governs it, servo hold, fragment, fatigue."""

from __future__ import annotations

import math
from collections.abc import Callable, Iterator
from dataclasses import dataclass, field

import numpy as np

from whirlbench.analysis.strength.allowables import Allowable, Strengths
from whirlbench.analysis.strength.blade_build import BuiltBlade
from whirlbench.analysis.strength.blade_stress import BladeLoads, BladeUnderLoad, SectionStress
from whirlbench.analysis.strength.root_modes import RootGeometry, RootMode, named, root_geometry, root_modes
from whirlbench.physics.blade_loads import blade_mass_kg, centre_of_mass_m
from whirlbench.physics.coefficients import speed_at_tip_mach_rpm
from whirlbench.physics.fatigue import FatigueView, fatigue_view
from whirlbench.physics.fragments import Fragment, fragment, range_with_drag_m, range_without_drag_m
from whirlbench.physics.root_stress import neck_pa
from whirlbench.rig.description import Rig
from whirlbench.units import rad_s_from_rpm

DEFAULT_RESERVE = (
    2.0  # on a lower-bound strength; the same figure as the 2x load of 14 CFR 35.35, borrowed, see yardsticks
)
TIP_PIECE_FROM = 0.75  # share of the tip radius outside which the piece of the second fragment lies
DEFAULT_HEIGHT_M = 1.0
CHART_SPEEDS = 24
BISECTIONS = 40


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
    """The answer for one blade set. ``use`` is the highest share of any judged reserve at each of ``use_rpm``."""

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
    caps: tuple[tuple[str, float], ...]
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
        return min(mode.reserve_factor for mode in self.modes if mode.judged and mode.key != "hole_peak")

    @property
    def root_reserve_factor(self) -> float:
        """The same for the root alone."""
        nominal = (mode for mode in self.modes if mode.judged and mode.key not in ("hole_peak", "blade"))
        return min(mode.reserve_factor for mode in nominal)

    def mode(self, key: str) -> ModeResult | None:
        """The mode with ``key`` ("net_section", "shear_out", "bearing", ...), None when the root has no such mode."""
        return next((mode for mode in self.modes if mode.key == key), None)


def check_design(
    rig: Rig, loaded: BladeUnderLoad, rpm: float, speed_of_sound_m_s: float, density_kg_m3: float
) -> DesignCheck:
    """Judges a loaded blade at a speed in rpm. RigError names a key that is missing for its strength."""
    judge = _Judge(
        loaded, Strengths(loaded.built.name, loaded.built.blades, loaded.built.material), reserve_wanted(rig)
    )
    built, loads, modes = loaded.built, loaded.loads(rpm), judge.results(rpm)
    servo = servo_hold(rig, loads, loaded.air.pitch_deg)
    caps = tuple(sorted(_caps(rig, modes, servo, rpm, speed_of_sound_m_s), key=lambda cap: cap[1]))
    governed_by, permitted_rpm = caps[0]
    use_rpm = np.linspace(0.2, 1.5, CHART_SPEEDS) * rpm
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
        governed_by=governed_by,
        caps=caps,
        servo=servo,
        fragment=fragment_view(rig, built, rpm, density_kg_m3),
        fatigue=_fatigue(rpm, loads, modes, judge.geometry),
        sections=loaded.section_stress(rpm),
        use_rpm=use_rpm,
        use=np.array([judge.use(speed) for speed in use_rpm]),
        geometry=judge.geometry,
    )


def reserve_wanted(rig: Rig) -> float:
    """Reserve factor asked of nominal stresses: ``limits.root_reserve_factor``, else the default."""
    wanted = rig.limits.root_reserve_factor
    return DEFAULT_RESERVE if wanted is None else wanted


def reserve_use(rig: Rig, loaded: BladeUnderLoad, rpm: float) -> float:
    """Highest share of any judged reserve that a loaded blade uses at a speed; above 1 the check fails."""
    strengths = Strengths(loaded.built.name, loaded.built.blades, loaded.built.material)
    return _Judge(loaded, strengths, reserve_wanted(rig)).use(rpm)


def servo_hold(rig: Rig, loads: BladeLoads, pitch_deg: float) -> ServoHold | None:
    """The servo's share, or None when sections, blade count, lever ratio or servo torque are not in the rig."""
    ratio, count = rig.servo.lever_ratio, rig.propeller.blades
    torques = [torque for torque in (rig.limits.servo_torque_n_m, rig.servo.torque_n_m) if torque is not None]
    if loads.twisting_n_m is None or ratio is None or count is None or not torques:
        return None
    needed, available = count * loads.twisting_n_m / ratio, min(torques)
    return ServoHold(loads.twisting_n_m, needed, available, needed / available, pitch_deg)


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


def _fatigue(rpm: float, loads: BladeLoads, modes: tuple[ModeResult, ...], geometry: RootGeometry) -> FatigueView:
    """Peak at the hole (neck, for other roots) as the start cycle; the gyroscopic moment on the neck as the 1P cycle.

    The moment is put on the neck's weak axis, whatever the blade angle.
    """
    by_key = {mode.key: mode for mode in modes}
    peak, amplitude = by_key.get("hole_peak", by_key["neck"]), None
    if loads.gyroscopic_n_m > 0.0:
        chord, thickness = geometry.neck_chord_m, geometry.neck_thickness_m
        amplitude = float(neck_pa(0.0, loads.gyroscopic_n_m, 0.0, chord, thickness))
    return fatigue_view(rpm, peak.stress_pa, amplitude, peak.allowable.value_pa)


def _caps(
    rig: Rig, modes: tuple[ModeResult, ...], servo: ServoHold | None, rpm: float, speed_of_sound_m_s: float
) -> Iterator[tuple[str, float]]:
    """(what governs, rpm) for everything that bounds the speed."""
    yield from ((mode.name, mode.permitted_rpm) for mode in modes if mode.judged)
    if servo is not None and servo.share > 0.0:
        yield "pitch servo torque", rpm / math.sqrt(servo.share)
    mach, diameter_m = rig.limits.tip_mach, rig.propeller.diameter_m
    if mach is not None and diameter_m is not None:
        yield "tip Mach", speed_at_tip_mach_rpm(mach, diameter_m, speed_of_sound_m_s)


class _Judge:
    """Stress, reserve and permitted speed of every mode of one loaded blade."""

    def __init__(self, loaded: BladeUnderLoad, strengths: Strengths, required: float):
        self.loaded, self.required = loaded, required
        self.geometry = root_geometry(loaded.built.root)
        self.modes = root_modes(loaded.built.root, strengths, required)
        self._tension = strengths.tension(strengths.span_direction())

    def results(self, rpm: float) -> tuple[ModeResult, ...]:
        """All modes at a speed."""
        loads = self.loaded.loads(rpm).root
        found = [self._root_result(mode, float(mode.stress_pa(self.geometry, loads)), rpm) for mode in self.modes]
        sections = self.loaded.section_stress(rpm)
        if sections is not None:
            radius_m, stress_pa = sections.worst
            name = named("blade section", self._tension)
            permitted = self._speed_at(lambda speed: self._section_pa(speed) * self.required, self._tension, rpm)
            found.append(ModeResult("blade", name, stress_pa, self._tension, self.required, True, permitted, radius_m))
        return tuple(found)

    def use(self, rpm: float) -> float:
        """Highest share of a judged reserve that is used at a speed: above 1 the check fails."""
        loads = self.loaded.loads(rpm).root
        shares = [
            mode.required * float(mode.stress_pa(self.geometry, loads)) / mode.allowable.value_pa
            for mode in self.modes
            if mode.judged
        ]
        return max(*shares, self._section_pa(rpm) * self.required / self._tension.value_pa)

    def _root_result(self, mode: RootMode, stress_pa: float, rpm: float) -> ModeResult:
        if not mode.spun:
            permitted = math.inf if mode.required * stress_pa <= mode.allowable.value_pa else 0.0
        elif not mode.bends:  # grows with speed squared: closed form
            permitted = rpm * math.sqrt(mode.allowable.value_pa / (mode.required * stress_pa))
        else:
            permitted = self._speed_at(
                lambda speed: mode.required * float(mode.stress_pa(self.geometry, self.loaded.loads(speed).root)),
                mode.allowable,
                rpm,
            )
        return ModeResult(mode.key, mode.name, stress_pa, mode.allowable, mode.required, mode.judged, permitted)

    def _section_pa(self, rpm: float) -> float:
        sections = self.loaded.section_stress(rpm)
        return 0.0 if sections is None else sections.worst[1]

    @staticmethod
    def _speed_at(stress_pa: Callable[[float], float], allowable: Allowable, start_rpm: float) -> float:
        """Speed at which a stress that rises with it reaches the allowable, by bisection on a widening bracket."""
        low, high = 0.0, start_rpm
        while stress_pa(high) < allowable.value_pa:
            low, high = high, 1.5 * high
        for _ in range(BISECTIONS):
            middle = (low + high) / 2.0
            low, high = (middle, high) if stress_pa(middle) < allowable.value_pa else (low, middle)
            if high - low < 0.5:
                break
        return (low + high) / 2.0
