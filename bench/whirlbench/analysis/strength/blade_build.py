"""From a blade set in the rig file to the arrays that the physics works with."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from functools import cached_property

import numpy as np

from whirlbench.analysis.strength.root_modes import root_geometry
from whirlbench.errors import RigError
from whirlbench.physics.bending import Beam
from whirlbench.physics.blade_loads import Blade, blade_mass_kg, centre_of_mass_m, gyroscopic_moment_n_m, pull_n
from whirlbench.physics.joints import too_close
from whirlbench.physics.materials import PUBLISHED, Material
from whirlbench.physics.sections import SectionProperties, section_properties
from whirlbench.physics.static_estimate import BladeShape, constant_pitch_twist
from whirlbench.rig.blade_sets import BladeSet, Root, TangRoot

PURPOSE = "the strength check"
ASSUMED_PITCH_DEG = 14.0  # constant-pitch twist where the sections give no angle


@dataclass(frozen=True)
class BuiltBlade:
    """One blade of a set. ``distribution`` and what follows from it is None for a blade of mass and centre alone."""

    name: str
    blades: BladeSet
    root: Root
    material: Material | None
    tip_m: float
    mass_kg: float
    cg_radius_m: float
    distribution: Blade | None
    shape: SectionProperties | None  # at the stations of ``distribution``; None where chords or thicknesses are missing

    @property
    def held_at_m(self) -> float:
        """Radius at which the hub takes the pull."""
        return self.root.hole_radius_m if isinstance(self.root, TangRoot) else self.root.mouth_radius_m

    @property
    def mouth_m(self) -> float:
        """Radius at which the blade leaves its grip."""
        mouth = self.root.mouth_radius_m
        return self.held_at_m if mouth is None else mouth

    @property
    def modulus_pa(self) -> float | None:
        """Young's modulus: the rig's, else the material's at its upper end; None where neither is known."""
        modulus_gpa = self.blades.modulus_gpa or (self.material.modulus_gpa if self.material else None)
        return None if modulus_gpa is None else modulus_gpa * 1e9

    def pull_n(self, speed_rad_s: float, radius_m: float) -> float:
        """Centrifugal pull at a radius; with mass and centre alone, that of the whole blade."""
        if self.distribution is None:
            return self.mass_kg * self.cg_radius_m * speed_rad_s**2
        return float(pull_n(self.distribution, speed_rad_s, radius_m)[0])

    def gyroscopic_n_m(self, speed_rad_s: float, yaw_rad_s: float, radius_m: np.ndarray) -> np.ndarray:
        """Once-a-revolution flap moment at radii ``(n,)``; with mass and centre alone, that of a mass at its centre."""
        if self.distribution is None:
            lever = self.cg_radius_m * np.maximum(self.cg_radius_m - radius_m, 0.0)
            return 2.0 * speed_rad_s * yaw_rad_s * self.mass_kg * lever
        return gyroscopic_moment_n_m(self.distribution, speed_rad_s, yaw_rad_s, radius_m)

    def angle_rad(self, radius_m: np.ndarray, pitch_deg: float) -> np.ndarray:
        """Local blade angle at radii ``(n,)`` while 0.75 radius stands at ``pitch_deg``."""
        if self.distribution is None:
            return np.full_like(radius_m, math.radians(pitch_deg))
        shift = math.radians(pitch_deg) - self.distribution.reference_pitch_rad
        result: np.ndarray = np.interp(radius_m, self.distribution.radius_m, self.distribution.pitch_rad) + shift
        return result

    def beam(self, speed_rad_s: float) -> Beam | None:
        """The blade outside its grip as a beam, or None when sections or modulus are missing."""
        still = self._still_beam
        return None if still is None else replace(still, pull_n=speed_rad_s**2 * still.pull_n)

    @cached_property
    def _still_beam(self) -> Beam | None:
        """The beam with the pull at 1 rad/s."""
        if self.distribution is None or self.shape is None or self.modulus_pa is None:
            return None
        stations = np.linspace(self.mouth_m, self.tip_m, 40)
        known = self.distribution.radius_m
        # Inertia is a product of four lengths: its fourth root is interpolated, so that a thin tip stays thin.
        flap = np.interp(stations, known, self.shape.flap_inertia_m4 ** (1.0 / 4.0)) ** 4
        return Beam(stations, self.modulus_pa * flap, pull_n(self.distribution, 1.0, stations))

    def planform_m2(self) -> float | None:
        """Area of one blade outside its grip seen from the front, or None without chords."""
        chords = _column(self.blades, "chord_m")
        if chords is None:
            return None
        radius = np.array([row.radius_m for row in self.blades.sections or ()])
        stations = np.linspace(self.mouth_m, self.tip_m, 200)
        return float(np.trapezoid(np.interp(stations, radius, chords), stations))


def build_blade(name: str, blades: BladeSet, diameter_m: float) -> BuiltBlade:
    """The blade of set ``name``; RigError names the key that the strength check cannot do without."""
    key = f"blade_sets.{name}"
    if blades.root is None:
        raise RigError(f"rig key {key}.root is missing: {PURPOSE} needs it")
    material = _material(key, blades)
    shape = _shape(blades)
    distribution = _distribution(key, blades, material, shape)
    if distribution is None and (blades.mass_kg is None or blades.cg_radius_m is None):
        raise RigError(f"rig key {key}.mass_kg is missing: {PURPOSE} needs mass_kg and cg_radius_m, or sections")
    if distribution is not None:
        mass, centre = blade_mass_kg(distribution), centre_of_mass_m(distribution)
    else:
        mass, centre = float(blades.mass_kg or 0.0), float(blades.cg_radius_m or 0.0)
    built = BuiltBlade(name, blades, blades.root, material, diameter_m / 2.0, mass, centre, distribution, shape)
    if isinstance(blades.root, TangRoot):
        tang = root_geometry(blades.root).tang
        too_near = None if tang is None else too_close(tang)
        if too_near is not None:
            raise RigError(f"rig key {key}.root.{too_near}")
    if centre <= built.held_at_m:
        raise RigError(f"{key}: the centre of mass at {centre:.4g} m lies inside the root at {built.held_at_m:g} m")
    return built


def aero_shape(blades: BladeSet, count: int, tip_m: float) -> BladeShape | None:
    """What the static estimate of thrust and power needs, or None when the sections give no chords."""
    chords = _column(blades, "chord_m")
    if chords is None or blades.sections is None:
        return None
    radius = np.array([section.radius_m for section in blades.sections]) / tip_m
    angles = _column(blades, "pitch_deg")
    if angles is None:
        twist = constant_pitch_twist(np.maximum(radius, 0.1), math.radians(ASSUMED_PITCH_DEG))
    else:
        twist = np.radians(angles - blades.reference_pitch_deg)
    return BladeShape(count, radius, chords / tip_m, twist)


def _material(key: str, blades: BladeSet) -> Material | None:
    if blades.material is None:
        return None
    if blades.material not in PUBLISHED:
        known = ", ".join(PUBLISHED)
        raise RigError(f"rig key {key}.material is {blades.material!r}: expected one of {known}; or give coupons")
    return PUBLISHED[blades.material]


def _column(blades: BladeSet, name: str) -> np.ndarray | None:
    """A column of the table of sections, or None when a row lacks it."""
    values = [getattr(section, name) for section in blades.sections or ()]
    return None if not values or None in values else np.array(values, dtype=float)


def _shape(blades: BladeSet) -> SectionProperties | None:
    chord, thickness = _column(blades, "chord_m"), _column(blades, "thickness_m")
    return None if chord is None or thickness is None else section_properties(blades.shape, chord, thickness)


def _distribution(
    key: str, blades: BladeSet, material: Material | None, shape: SectionProperties | None
) -> Blade | None:
    """Mass and twisting inertia per length, scaled to the weighed mass; None for a blade without sections."""
    if blades.sections is None:
        return None
    density = blades.density_kg_m3 or (material.density_kg_m3 if material else None)
    mass = _column(blades, "mass_per_length_kg_m")
    if mass is None:
        if density is None:
            raise RigError(f"rig key {key}.density_kg_m3 is missing: {PURPOSE} needs it, or material")
        mass = density * _areas(blades, shape)
    centre = np.array([section.centre_m for section in blades.sections])
    twist = mass * centre**2
    if shape is not None:
        twist = twist + mass / shape.area_m2 * (shape.edge_inertia_m4 - shape.flap_inertia_m4)
    angles = _column(blades, "pitch_deg")
    radius = np.array([section.radius_m for section in blades.sections])
    pitch = np.zeros_like(radius) if angles is None else np.radians(angles)
    reference = math.radians(blades.reference_pitch_deg) if angles is not None else 0.0
    blade = Blade(radius, mass, twist, pitch, reference)
    return blade.scaled_to(blades.mass_kg) if blades.mass_kg is not None else blade


def _areas(blades: BladeSet, shape: SectionProperties | None) -> np.ndarray:
    """Area of each section: as given, else from chord and thickness."""
    given = [section.area_m2 for section in blades.sections or ()]
    return np.array([shape.area_m2[row] if area is None and shape else area for row, area in enumerate(given)])
