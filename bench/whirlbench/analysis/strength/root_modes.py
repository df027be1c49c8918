"""The ways a root can fail: for each its stress, its allowable and the reserve asked of it.

A mode takes floats or arrays, so that one description serves the check itself and its Monte Carlo.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass

import numpy as np

from whirlbench.analysis.strength.allowables import ACROSS, ANY, PA_PER_MPA, Allowable, Strengths
from whirlbench.physics.materials import SHEAR_OVER_TENSION
from whirlbench.physics.root_stress import (
    Tang,
    Values,
    bearing_pa,
    bolt_shear_pa,
    bond_shear_pa,
    hole_bending_pa,
    hole_peak_pa,
    neck_pa,
    net_section_pa,
    shear_out_pa,
)
from whirlbench.rig.blade_sets import BondedRoot, ClampedRoot, Root, TangRoot

PEAK_RESERVE = 1.0  # an elastic peak may reach the strength, not pass it; nominal stresses need the rig's reserve


@dataclass(frozen=True)
class RootGeometry:
    """Dimensions of a root in m, floats or arrays of one shape; ``tang`` is None for clamped and bonded roots."""

    neck_chord_m: Values
    neck_thickness_m: Values
    tang: Tang | None = None
    held_length_m: Values | None = None  # clamped or glued
    section_chord_m: Values | None = None  # worst section of the blade outside the grip
    section_thickness_m: Values | None = None


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
    bends: bool  # whether the stress depends on bending, and so not on speed squared alone
    stress_pa: Callable[[RootGeometry, RootLoads], Values]
    spun: bool = True  # False for a stress that is there at rest: it forbids every speed, or none


def root_geometry(root: Root) -> RootGeometry:
    """The nominal dimensions of a root as drawn."""
    if not isinstance(root, TangRoot):
        length = root.clamped_length_m if isinstance(root, ClampedRoot) else root.bond_length_m
        return RootGeometry(root.neck_chord_m, root.neck_thickness_m, None, length)
    along_chord, along_thickness = root.width_m, root.thickness_m
    if root.bolt_axis == "chord":
        along_chord, along_thickness = root.thickness_m, root.width_m
    tang = Tang(root.width_m, root.thickness_m, root.hole_diameter_m, root.edge_distance_m, root.bolts)
    return RootGeometry(root.neck_chord_m or along_chord, root.neck_thickness_m or along_thickness, tang)


def root_modes(root: Root, strengths: Strengths, required: float) -> tuple[RootMode, ...]:
    """Every mode of a root, ``required`` being the reserve factor asked of nominal stresses."""
    if isinstance(root, TangRoot):
        modes = _tang_modes(root, strengths, required)
    elif isinstance(root, ClampedRoot):
        modes = _clamped_modes(root, strengths, required)
    else:
        modes = _bonded_modes(root, strengths, required)
    tension = strengths.tension(strengths.span_direction())
    neck = RootMode("neck", named("neck", tension), tension, required, True, True, _neck)
    return (*modes, neck)


def named(base: str, allowable: Allowable) -> str:
    """Name of a mode that says when the layers are pulled or slid apart."""
    return f"{base} {ACROSS}" if allowable.direction == ACROSS else base


def _tang_modes(root: TangRoot, strengths: Strengths, required: float) -> tuple[RootMode, ...]:
    tension = strengths.tension(strengths.span_direction())
    shear = strengths.shear(strengths.shear_out_direction(root))
    bearing = strengths.bearing(strengths.span_direction())
    share, axis = root.bending_at_hole, root.bolt_axis

    def net(geometry: RootGeometry, loads: RootLoads) -> Values:
        tang = _tang(geometry)
        direct = net_section_pa(tang, loads.pull_n)
        return direct + share * hole_bending_pa(tang, loads.flap_moment_n_m, axis) if share else direct

    modes = (
        RootMode("net_section", named("net section", tension), tension, required, True, share > 0.0, net),
        RootMode("shear_out", named("shear-out", shear), shear, required, True, False, _shear_out),
        RootMode("bearing", named("bearing", bearing), bearing, required, True, False, _bearing),
        RootMode(
            "hole_peak", named("peak at the hole", tension), tension, PEAK_RESERVE, strengths.brittle, False, _hole_peak
        ),
    )
    bolt = _bolt_mode(root, required)
    return modes if bolt is None else (*modes, bolt)


def _bolt_mode(root: TangRoot, required: float) -> RootMode | None:
    """Double shear of the bolts, or None where their strength is not stated."""
    if root.bolt_strength_mpa is None:
        return None
    diameter_m = root.bolt_diameter_m or root.hole_diameter_m
    strength_pa = SHEAR_OVER_TENSION * root.bolt_strength_mpa * PA_PER_MPA
    basis = f"{SHEAR_OVER_TENSION:g} of root.bolt_strength_mpa {root.bolt_strength_mpa:g}, as stated in the rig"
    allowable = Allowable("shear", ANY, strength_pa, strength_pa, (), basis, None, "bolt")

    def shear(geometry: RootGeometry, loads: RootLoads) -> Values:
        return bolt_shear_pa(loads.pull_n, math.pi * diameter_m**2 / 4.0, root.bolts)

    return RootMode("bolt", "shear of the bolt", allowable, required, True, False, shear)


def _clamped_modes(root: ClampedRoot, strengths: Strengths, required: float) -> tuple[RootMode, ...]:
    """Slip, as friction needed against friction there is, and crushing by the jaws."""
    area_m2 = root.neck_chord_m * root.clamped_length_m
    bearing = strengths.bearing(strengths.span_direction())
    friction_pa = root.friction * root.clamp_force_n / area_m2
    basis = f"friction {root.friction:g} times clamp force {root.clamp_force_n:g} N, both as stated in the rig"
    grip = Allowable("friction", ANY, friction_pa, friction_pa, (), basis, None, "clamp")

    def slip(geometry: RootGeometry, loads: RootLoads) -> Values:
        return loads.pull_n / (2.0 * area_m2)

    def crush(geometry: RootGeometry, loads: RootLoads) -> Values:
        return root.clamp_force_n / area_m2 + 0.0 * np.asarray(loads.pull_n)

    return (
        RootMode("slip", "slip out of the clamp", grip, required, True, False, slip),
        RootMode("bearing", "crushing in the clamp", bearing, PEAK_RESERVE, True, False, crush, False),
    )


def _bonded_modes(root: BondedRoot, strengths: Strengths, required: float) -> tuple[RootMode, ...]:
    bond = strengths.bond_shear(root.bond_shear_mpa)

    def shear(geometry: RootGeometry, loads: RootLoads) -> Values:
        assert geometry.held_length_m is not None
        return bond_shear_pa(loads.pull_n, geometry.neck_chord_m, geometry.neck_thickness_m, geometry.held_length_m)

    return (RootMode("bond", "shear of the glue line", bond, required, True, False, shear),)


def _tang(geometry: RootGeometry) -> Tang:
    assert geometry.tang is not None
    return geometry.tang


def _shear_out(geometry: RootGeometry, loads: RootLoads) -> Values:
    return shear_out_pa(_tang(geometry), loads.pull_n, "short")


def _bearing(geometry: RootGeometry, loads: RootLoads) -> Values:
    return bearing_pa(_tang(geometry), loads.pull_n)


def _hole_peak(geometry: RootGeometry, loads: RootLoads) -> Values:
    return hole_peak_pa(_tang(geometry), loads.pull_n)


def _neck(geometry: RootGeometry, loads: RootLoads) -> Values:
    return neck_pa(
        loads.mouth_pull_n,
        loads.flap_moment_n_m,
        loads.edge_moment_n_m,
        geometry.neck_chord_m,
        geometry.neck_thickness_m,
    )
