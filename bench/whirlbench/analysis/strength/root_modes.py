"""The ways a root can fail: for each its stress, its allowable and the reserve asked of it.

A mode takes floats or arrays, so that one description serves the check itself and its Monte Carlo.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from functools import cached_property

import numpy as np

from whirlbench.analysis.strength.allowables import ANY, PA_PER_MPA, WEAK, Allowable, Strengths
from whirlbench.physics.joints import (
    PITCH_TO_CORE,
    Peak,
    PinLoads,
    about_bolt_pa,
    along_bolt_pa,
    cleavage_pa,
    eccentric_n_m,
    first_row_share,
    first_thread_pa,
    grip_pressure_pa,
    hole_peak_pa,
    hole_spring_n_m,
    pin_moment_n_m,
    pin_stress_pa,
    round_pa,
    thread_shear_pa,
    worst_bolt_n,
)
from whirlbench.physics.materials import SHEAR_OVER_TENSION
from whirlbench.physics.root_stress import (
    Tang,
    Values,
    bearing_pa,
    bond_shear_pa,
    neck_pa,
    net_section_pa,
    shear_out_pa,
)
from whirlbench.rig.blade_sets import BondedRoot, ClampedRoot, GripRoot, Root, ShankRoot, TangRoot

PEAK_RESERVE = 1.0  # an elastic peak may reach the strength, not pass it; nominal stresses need the rig's reserve
OUTER_SHARE = 0.5  # of the tang's thickness, taken for each cheek of the hub that is not described
THREAD_KT = 2.8  # cut threads: Shigley 9e, table of fatigue factors of threaded parts, used as an elastic peak


@dataclass(frozen=True)
class RootGeometry:
    """Sizes of a root in m by the rig's key, floats or arrays of one shape; ``clamp`` is a share of the clamp's force.

    ``section_chord_m`` and ``section_thickness_m`` are how much larger the blade's sections are than drawn.
    """

    sizes: Mapping[str, Values]
    tang: Tang | None = None

    def __getitem__(self, key: str) -> Values:
        return self.sizes[key]

    @property
    def neck_chord_m(self) -> Values:
        """Chord of the section at the mouth."""
        return self.sizes["neck_chord_m"]

    @property
    def neck_thickness_m(self) -> Values:
        """Thickness of the section at the mouth."""
        return self.sizes["neck_thickness_m"]


@dataclass(frozen=True)
class RootLoads:
    """Loads of one blade on its root, floats or arrays; moments in the axes of the neck's section."""

    pull_n: Values  # where the hub takes it
    mouth_pull_n: Values
    flap_moment_n_m: Values
    edge_moment_n_m: Values


@dataclass(frozen=True)
class RootMode:
    """One way to fail. ``judged`` is False for a stress that is shown and only counts in fatigue."""

    key: str
    name: str
    allowable: Allowable
    required: float
    judged: bool
    stress_pa: Callable[[RootGeometry, RootLoads], Values]
    spun: bool = True  # False for a stress that is there at rest: it forbids every speed, or none


def root_geometry(root: Root, modulus_pa: float | None = None) -> RootGeometry:
    """The nominal dimensions of a root as drawn; ``modulus_pa`` tells how bolts share over clearance."""
    if isinstance(root, TangRoot):
        return _tang_geometry(root, modulus_pa)
    if isinstance(root, ShankRoot):
        core = root.shank_diameter_m - PITCH_TO_CORE * (root.thread_pitch_m or 0.0)
        return RootGeometry({"shank_diameter_m": core, "engaged_length_m": root.engaged_length_m})
    neck = {"neck_chord_m": root.neck_chord_m, "neck_thickness_m": root.neck_thickness_m}
    if isinstance(root, BondedRoot):
        return RootGeometry({**neck, "bond_length_m": root.bond_length_m})
    return RootGeometry({**neck, "clamped_length_m": root.clamped_length_m, "clamp": 1.0})


def _tang_geometry(root: TangRoot, modulus_pa: float | None) -> RootGeometry:
    along_chord, along_thickness = root.width_m, root.thickness_m
    if root.bolt_axis == "chord":
        along_chord, along_thickness = root.thickness_m, root.width_m
    sizes: dict[str, Values] = {key: getattr(root, key) for key in ("width_m", "thickness_m", "hole_diameter_m")}
    sizes["edge_distance_m"] = root.edge_distance_m
    sizes["neck_chord_m"] = root.neck_chord_m or along_chord
    sizes["neck_thickness_m"] = root.neck_thickness_m or along_thickness
    tang = Tang(root.width_m, root.thickness_m, root.hole_diameter_m, root.edge_distance_m, root.bolts)
    offsets = tang.places_m if root.hole_offsets_m is None else root.hole_offsets_m
    sizes |= {f"hole {number + 1} off the middle": at for number, at in enumerate(offsets)}
    if root.rows == 2:
        sizes["row_pitch_m"] = root.row_pitch_m or 0.0
    if root.clearance_m is not None:
        sizes["clearance_m"] = root.clearance_m
    spring = None if modulus_pa is None else hole_spring_n_m(modulus_pa, root.thickness_m)
    return RootGeometry(sizes, tang_of(sizes, root.bolts, root.rows, spring))


def tang_of(sizes: Mapping[str, Values], bolts: int, rows: int, spring_n_m: Values | None) -> Tang:
    """The tang with these sizes."""
    return Tang(
        sizes["width_m"],
        sizes["thickness_m"],
        sizes["hole_diameter_m"],
        sizes["edge_distance_m"],
        bolts,
        tuple(sizes[f"hole {number + 1} off the middle"] for number in range(bolts)),
        rows,
        sizes.get("row_pitch_m", 0.0),
        sizes.get("clearance_m"),
        spring_n_m,
    )


def root_modes(root: Root, strengths: Strengths, required: float) -> tuple[RootMode, ...]:
    """Every mode of a root, ``required`` being the reserve factor asked of nominal stresses."""
    if isinstance(root, TangRoot):
        modes = TangModes(root, strengths, required).modes()
    elif isinstance(root, ClampedRoot):
        modes = _clamped_modes(root, strengths, required)
    elif isinstance(root, ShankRoot):
        return _shank_modes(root, strengths, required)
    else:
        modes = _bonded_modes(root, strengths, required)
    tension = strengths.tension(strengths.span_direction())
    return (*modes, RootMode("neck", named("neck", tension), tension, required, True, _neck))


def named(base: str, allowable: Allowable) -> str:
    """Name of a mode that says when the layers, or the grain, are pulled or slid apart."""
    return f"{base} {allowable.direction}" if allowable.direction in WEAK else base


class TangModes:
    """The modes of a tang with holes; its own methods give each stress for a geometry and loads."""

    def __init__(self, root: TangRoot, strengths: Strengths, required: float) -> None:
        self.root, self.strengths, self.required = root, strengths, required
        self.weld_line = strengths.weld_line(root)

    @cached_property
    def tension(self) -> Allowable:
        """Tension beside the hole."""
        found = self.strengths.tension(self.strengths.span_direction())
        return self.strengths.at_weld_line(found) if self.weld_line else found

    def modes(self) -> tuple[RootMode, ...]:
        """All of them."""
        strengths, required, tension = self.strengths, self.required, self.tension
        shear = strengths.shear(strengths.shear_out_direction(self.root))
        bearing = strengths.bearing(strengths.span_direction())
        peak, _ = strengths.peak_judged(self.weld_line)
        cleavage = strengths.tension(strengths.cleavage_direction(self.root))
        if self.weld_line:
            cleavage = strengths.at_weld_line(cleavage)
        split = peak or cleavage.direction in WEAK
        found = [
            RootMode("net_section", named("net section", tension), tension, required, True, self.net_pa),
            RootMode("shear_out", named("shear-out", shear), shear, required, True, self.shear_out_pa),
            RootMode("bearing", named("bearing", bearing), bearing, required, True, self.bearing_pa),
            RootMode("hole_peak", named("peak at the hole", tension), tension, PEAK_RESERVE, peak, self.peak_pa),
            RootMode("cleavage", named("cleavage by the pin", cleavage), cleavage, PEAK_RESERVE, split, self.cleave_pa),
        ]
        if self.root.bolt_strength_mpa is not None:
            found.append(
                RootMode("bolt", "shear of the bolt", self._bolt(SHEAR_OVER_TENSION), required, True, self.shear_pa)
            )
            found.append(RootMode("pin", "bending of the bolt", self._bolt(1.0), required, True, self.pin_pa))
        if isinstance(self.root, GripRoot):
            found.append(RootMode("grip", named("lip of the grip", bearing), bearing, required, True, self.grip_pa))
        return tuple(found)

    def _bolt(self, share: float) -> Allowable:
        assert self.root.bolt_strength_mpa is not None
        strength_pa = share * self.root.bolt_strength_mpa * PA_PER_MPA
        basis = f"{share:g} of root.bolt_strength_mpa {self.root.bolt_strength_mpa:g}, as stated in the rig"
        return Allowable("bolt", ANY, strength_pa, strength_pa, (), basis, None, "bolt")

    def pin_loads(self, geometry: RootGeometry, loads: RootLoads) -> PinLoads:
        """What reaches the holes: moments in the bolt's axes, with the pull off the bolts' middle."""
        share, flap, edge = self.root.bending_at_hole, loads.flap_moment_n_m, loads.edge_moment_n_m
        along, about = (flap, edge) if self.root.bolt_axis == "thickness" else (edge, flap)
        off_middle = eccentric_n_m(_tang(geometry), loads.pull_n)
        return PinLoads(loads.pull_n, share * along, share * about + off_middle)

    def row_share(self, geometry: RootGeometry) -> Values:
        """Share of the pull on the outer row: half and more, where the tang stretches between the rows."""
        tang = _tang(geometry)
        if tang.rows == 1:
            return 1.0
        if tang.spring_n_m is None:
            return 1.0
        modulus_pa = tang.spring_n_m / tang.thickness_m
        between = modulus_pa * tang.width_m * tang.thickness_m / tang.row_pitch_m
        return first_row_share(tang.bolts * tang.spring_n_m, between, math.inf)

    def bolt_n(self, geometry: RootGeometry, loads: RootLoads) -> Values:
        """Force of the worst bolt."""
        return worst_bolt_n(_tang(geometry), self.pin_loads(geometry, loads), self.row_share(geometry))

    def _evenly(self, geometry: RootGeometry, loads: RootLoads) -> Values:
        """The pull that would load all bolts of a row like the worst."""
        return self.root.bolts * self.bolt_n(geometry, loads)

    def net_pa(self, geometry: RootGeometry, loads: RootLoads) -> Values:
        """Nominal stress of the section through the holes."""
        tang, pin = _tang(geometry), self.pin_loads(geometry, loads)
        bending = along_bolt_pa(tang, pin.along_bolt_n_m) + about_bolt_pa(tang, pin.about_bolt_n_m)
        return net_section_pa(tang, loads.pull_n) + bending

    def shear_out_pa(self, geometry: RootGeometry, loads: RootLoads) -> Values:
        """Shear of the plug behind the worst hole."""
        return shear_out_pa(_tang(geometry), self._evenly(geometry, loads), "short")

    def bearing_pa(self, geometry: RootGeometry, loads: RootLoads) -> Values:
        """Pressure of the worst bolt."""
        return bearing_pa(_tang(geometry), self._evenly(geometry, loads))

    def peak(self, geometry: RootGeometry, loads: RootLoads) -> Peak:
        """Elastic peak beside the worst hole in its parts."""
        pin = self.pin_loads(geometry, loads)
        return hole_peak_pa(_tang(geometry), pin, self.bolt_n(geometry, loads), self.row_share(geometry))

    def peak_pa(self, geometry: RootGeometry, loads: RootLoads) -> Values:
        """The same as one stress."""
        return self.peak(geometry, loads).sum_pa

    def cleave_pa(self, geometry: RootGeometry, loads: RootLoads) -> Values:
        """Tension that splits the end behind the worst bolt."""
        return cleavage_pa(_tang(geometry), self.bolt_n(geometry, loads))

    def shear_pa(self, geometry: RootGeometry, loads: RootLoads) -> Values:
        """Double shear of the worst bolt."""
        return pin_stress_pa(self.bolt_n(geometry, loads), 0.0, self._diameter_m(geometry)) / math.sqrt(3.0)

    def pin_pa(self, geometry: RootGeometry, loads: RootLoads) -> Values:
        """Bending with shear of the worst bolt."""
        tang, force = _tang(geometry), self.bolt_n(geometry, loads)
        outer = self.root.jaw_thickness_m or OUTER_SHARE * tang.thickness_m
        moment = pin_moment_n_m(force, tang.thickness_m, outer, self.root.jaw_gap_m)
        return pin_stress_pa(force, moment, self._diameter_m(geometry))

    def grip_pa(self, geometry: RootGeometry, loads: RootLoads) -> Values:
        """Pressure of the grip's lip from the moment that its faces hold."""
        assert isinstance(self.root, GripRoot)
        length = self.root.grip_length_m or (self.root.mouth_radius_m or 0.0) - self.root.hole_radius_m
        return grip_pressure_pa(loads.flap_moment_n_m, geometry.neck_chord_m, length)

    def _diameter_m(self, geometry: RootGeometry) -> Values:
        return self.root.bolt_diameter_m or geometry["hole_diameter_m"]


def clamp_force_n(root: ClampedRoot) -> float:
    """Force of a clamp as tightened."""
    return root.clamp_force_n or (root.bolts or 0) * (root.bolt_preload_n or 0.0)


def _clamped_modes(root: ClampedRoot, strengths: Strengths, required: float) -> tuple[RootMode, ...]:
    """Slip with the force that creep leaves, crushing by the force as tightened, the clamp's own bolts."""
    force, (kept, why) = clamp_force_n(root), strengths.clamp_kept(root)
    crushed = strengths.crush(strengths.span_direction())

    def area_m2(geometry: RootGeometry) -> Values:
        return geometry.neck_chord_m * geometry["clamped_length_m"]

    friction_pa = root.friction * force * kept / (root.neck_chord_m * root.clamped_length_m)
    basis = f"friction {root.friction:g} times {force:g} N, both as stated in the rig, {kept:.0%} kept ({why})"
    grip = Allowable(
        "friction", ANY, friction_pa, friction_pa / kept, (("clamp force kept", kept),), basis, None, "clamp"
    )

    def slip(geometry: RootGeometry, loads: RootLoads) -> Values:
        return loads.pull_n / (2.0 * root.neck_chord_m * root.clamped_length_m) / np.maximum(geometry["clamp"], 1e-3)

    def crush(geometry: RootGeometry, loads: RootLoads) -> Values:
        return geometry["clamp"] * force / area_m2(geometry) + 0.0 * np.asarray(loads.pull_n)

    found = [
        RootMode("slip", "slip out of the clamp", grip, required, True, slip),
        RootMode("bearing", named("crushing in the clamp", crushed), crushed, PEAK_RESERVE, True, crush, False),
    ]
    if root.bolt_strength_mpa is not None and root.bolt_diameter_m is not None:
        each_pa = force / (root.bolts or 1) / (math.pi * root.bolt_diameter_m**2 / 4.0)
        strength_pa = root.bolt_strength_mpa * PA_PER_MPA
        proof = Allowable("bolt", ANY, strength_pa, strength_pa, (), "root.bolt_strength_mpa, as stated", None, "bolt")

        def tightened(geometry: RootGeometry, loads: RootLoads) -> Values:
            return geometry["clamp"] * each_pa + 0.0 * np.asarray(loads.pull_n)

        found.append(RootMode("bolt", "pull of the clamp's bolts", proof, PEAK_RESERVE, True, tightened, False))
    return tuple(found)


def _shank_modes(root: ShankRoot, strengths: Strengths, required: float) -> tuple[RootMode, ...]:
    """Core of the shank, and its threads or its glue line."""
    tension = strengths.tension(strengths.span_direction())

    def core(geometry: RootGeometry, loads: RootLoads) -> Values:
        moment = np.hypot(loads.flap_moment_n_m, loads.edge_moment_n_m)
        return round_pa(loads.mouth_pull_n, moment, geometry["shank_diameter_m"])

    neck = RootMode("neck", named("core of the shank", tension), tension, required, True, core)
    pitch = root.thread_pitch_m
    if pitch is None:
        bond = strengths.bond_shear(root.bond_shear_mpa)

        def glued(geometry: RootGeometry, loads: RootLoads) -> Values:
            return loads.pull_n / (math.pi * geometry["shank_diameter_m"] * geometry["engaged_length_m"])

        return (RootMode("bond", "shear of the glue line", bond, required, True, glued), neck)
    shear = strengths.shear(strengths.span_direction())
    judged, _ = strengths.peak_judged(False)

    def stripped(geometry: RootGeometry, loads: RootLoads) -> Values:
        outer = geometry["shank_diameter_m"] + PITCH_TO_CORE * pitch
        return thread_shear_pa(loads.pull_n, outer, pitch, geometry["engaged_length_m"])

    def first(geometry: RootGeometry, loads: RootLoads) -> Values:
        return first_thread_pa(loads.pull_n, geometry["shank_diameter_m"] + PITCH_TO_CORE * pitch, pitch)

    def peak(geometry: RootGeometry, loads: RootLoads) -> Values:
        return THREAD_KT * core(geometry, loads)

    return (
        RootMode("thread", named("stripping of the threads", shear), shear, required, True, stripped),
        RootMode("first_thread", named("first thread", shear), shear, PEAK_RESERVE, judged, first),
        RootMode("thread_peak", named("peak in the thread's root", tension), tension, PEAK_RESERVE, judged, peak),
        neck,
    )


def _bonded_modes(root: BondedRoot, strengths: Strengths, required: float) -> tuple[RootMode, ...]:
    bond = strengths.bond_shear(root.bond_shear_mpa)

    def shear(geometry: RootGeometry, loads: RootLoads) -> Values:
        return bond_shear_pa(loads.pull_n, geometry.neck_chord_m, geometry.neck_thickness_m, geometry["bond_length_m"])

    return (RootMode("bond", "shear of the glue line", bond, required, True, shear),)


def _tang(geometry: RootGeometry) -> Tang:
    assert geometry.tang is not None
    return geometry.tang


def _neck(geometry: RootGeometry, loads: RootLoads) -> Values:
    return neck_pa(
        loads.mouth_pull_n,
        loads.flap_moment_n_m,
        loads.edge_moment_n_m,
        geometry.neck_chord_m,
        geometry.neck_thickness_m,
    )
