"""`[blade_sets.NAME]`: what a blade is made of, how it is shaped, and how its root is held.

Blade axes: *span* along the blade, *chord* from leading to trailing edge, *thickness* at right angles to both.
Lengths are metres from the shaft's axis for radii. Rules between the keys are in ``blade_set_rules``.
"""

from __future__ import annotations

from typing import Annotated, Literal

import msgspec
from msgspec import Meta

Positive = Annotated[float, Meta(gt=0)]
NotNegative = Annotated[float, Meta(ge=0)]
Share = Annotated[float, Meta(ge=0, le=1)]
Factor = Annotated[float, Meta(gt=0, le=1)]
Axis = Literal["span", "chord", "thickness"]
Specimens = tuple[Positive, ...]


class Part(msgspec.Struct, frozen=True, forbid_unknown_fields=True, omit_defaults=True):
    """Base of every table of a blade set."""


class BladeSection(Part, frozen=True):
    """One row of `sections`: area follows from chord and thickness unless it, or the mass per length, is given."""

    radius_m: float
    chord_m: Positive | None = None
    thickness_m: Positive | None = None
    area_m2: Positive | None = None
    mass_per_length_kg_m: Positive | None = None
    centre_m: float = 0.0  # mass centre behind the pitch axis, along the chord
    pitch_deg: float | None = None  # local blade angle when 0.75 radius stands at reference_pitch_deg


class TangRoot(Part, frozen=True, tag_field="kind", tag="tang"):
    """A tang with a hole, held by a pin or bolts; *width* lies across bolt and pull, *thickness* along the bolt."""

    hole_radius_m: float
    width_m: float
    thickness_m: float
    hole_diameter_m: float
    edge_distance_m: float  # hole centre to the end of the tang, towards the shaft
    bolts: Annotated[int, Meta(ge=1, le=4)] = 1  # side by side across the width, sharing the pull equally
    bolt_axis: Literal["chord", "thickness"] = "thickness"
    bolt_strength_mpa: float | None = None  # proof strength of the bolt; absent: the bolt is not judged
    bolt_diameter_m: float | None = None  # of the core where threads lie in a shear plane; absent: the hole's
    mouth_radius_m: float | None = None  # where the blade leaves the grip; absent: at the hole
    neck_chord_m: float | None = None  # section at the mouth; absent: the tang's own
    neck_thickness_m: float | None = None
    bending_at_hole: Share = 1.0  # share of the root bending that reaches the hole; 0 for a tang gripped on both faces


class ClampedRoot(Part, frozen=True, tag_field="kind", tag="clamped"):
    """A plain root held between two jaws by friction."""

    mouth_radius_m: float
    neck_chord_m: float
    neck_thickness_m: float
    clamped_length_m: float
    clamp_force_n: float
    friction: float = 0.2  # assumption; measure your own


class BondedRoot(Part, frozen=True, tag_field="kind", tag="bonded"):
    """A root glued into a socket."""

    mouth_radius_m: float
    neck_chord_m: float
    neck_thickness_m: float
    bond_length_m: float
    bond_shear_mpa: float | None = None  # absent: from coupons.bond_shear_mpa


Root = TangRoot | ClampedRoot | BondedRoot


class Coupons(Part, frozen=True):
    """`coupons`: strengths in MPa of your own specimens, printed or moulded like the blade; at least three each."""

    tension_mpa: Specimens | None = None  # in the layers, or any direction when there are none
    tension_across_mpa: Specimens | None = None  # pulling the layers apart
    shear_mpa: Specimens | None = None  # through the layers
    shear_across_mpa: Specimens | None = None  # sliding one layer on the next
    bearing_mpa: Specimens | None = None
    bond_shear_mpa: Specimens | None = None


class Tolerances(Part, frozen=True):
    """`tolerances`: each a plus-minus taken as two standard deviations."""

    dimension_mm: NotNegative = 0.0
    mass_pct: NotNegative = 0.0
    cg_mm: NotNegative = 0.0
    strength_pct: NotNegative = 0.0  # used where there are no coupons


class BladeSet(Part, frozen=True):
    """`[blade_sets.NAME]`."""

    title: str = ""
    material: str | None = None  # a name of the published table in whirlbench.physics.materials
    layered: bool | None = None  # absent: as the material is; without a material, layers are assumed
    brittle: bool | None = None  # absent: as the material is; without a material, assumed
    layer_normal: Axis | None = None  # which way the layers were stacked; absent: the weakest direction everywhere
    density_kg_m3: Positive | None = None
    modulus_gpa: Positive | None = None
    shape: Literal["aerofoil", "rectangle"] = "aerofoil"
    mass_kg: Positive | None = None  # one blade outside the hub, as weighed; scales the table of sections
    cg_radius_m: Positive | None = None
    sections: tuple[BladeSection, ...] | None = None
    reference_pitch_deg: float = 0.0  # blade angle at 0.75 radius to which sections.pitch_deg belongs
    root: Root | None = None
    coupons: Coupons = Coupons()
    tolerances: Tolerances | None = None
    temperature_factor: Factor | None = None  # share of room-temperature strength left; absent: the table's assumption
    moisture_factor: Factor | None = None
