"""`[blade_sets.NAME]`: what a blade is made of, how it is shaped, and how its root is held.

Blade axes: *span* along the blade, *chord* from leading to trailing edge, *thickness* at right angles to both.
Lengths are metres from the shaft's axis for radii. Rules between the keys are in ``blade_set_rules``.
"""

from __future__ import annotations

from typing import Annotated, Literal

from msgspec import Meta

from whirlbench.rig.declaration import NotNegative, Positive, Section, Share, key

Factor = Annotated[float, Meta(gt=0, le=1)]
Axis = Literal["span", "chord", "thickness"]
Specimens = tuple[Positive, ...]


class BladeSection(Section, frozen=True):
    """One row of `sections`: area follows from chord and thickness unless it, or the mass per length, is given."""

    radius_m: Annotated[float, key("Distance from the shaft's axis.", "m")]
    chord_m: Annotated[Positive | None, key("Chord of the section.", "m")] = None
    thickness_m: Annotated[Positive | None, key("Greatest thickness of the section.", "m")] = None
    area_m2: Annotated[Positive | None, key("Area of the section; absent: from chord and thickness.", "m2")] = None
    mass_per_length_kg_m: Annotated[
        Positive | None, key("Mass for each metre of span; absent: from area and density.", "kg/m")
    ] = None
    centre_m: Annotated[float, key("Mass centre behind the pitch axis, along the chord.", "m")] = 0.0
    pitch_deg: Annotated[
        float | None, key("Local blade angle when 0.75 radius stands at reference_pitch_deg.", "deg")
    ] = None


class TangRoot(Section, frozen=True, tag_field="kind", tag="tang"):
    """A tang with a hole, held by a pin or bolts; *width* lies across bolt and pull, *thickness* along the bolt."""

    hole_radius_m: Annotated[float, key("Distance of the hole from the shaft's axis.", "m")]
    width_m: Annotated[float, key("Width of the tang, across bolt and pull.", "m")]
    thickness_m: Annotated[float, key("Thickness of the tang, along the bolt.", "m")]
    hole_diameter_m: Annotated[float, key("Diameter of the hole.", "m")]
    edge_distance_m: Annotated[float, key("Hole centre to the end of the tang, towards the shaft.", "m")]
    bolts: Annotated[int, Meta(ge=1, le=4), key("Bolts side by side across the width, sharing the pull equally.")] = 1
    bolt_axis: Annotated[Literal["chord", "thickness"], key("Which way the bolt lies.")] = "thickness"
    bolt_strength_mpa: Annotated[
        float | None, key("Proof strength of the bolt; absent: the bolt is not judged.", "MPa")
    ] = None
    bolt_diameter_m: Annotated[
        float | None,
        key("Diameter of the bolt, of the core where threads lie in a shear plane; absent: the hole's.", "m"),
    ] = None
    mouth_radius_m: Annotated[float | None, key("Where the blade leaves the grip; absent: at the hole.", "m")] = None
    neck_chord_m: Annotated[float | None, key("Chord of the section at the mouth; absent: the tang's own.", "m")] = None
    neck_thickness_m: Annotated[
        float | None, key("Thickness of the section at the mouth; absent: the tang's own.", "m")
    ] = None
    bending_at_hole: Annotated[
        Share, key("Share of the root bending that reaches the hole; 0 for a tang gripped on both faces.")
    ] = 1.0


class ClampedRoot(Section, frozen=True, tag_field="kind", tag="clamped"):
    """A plain root held between two jaws by friction."""

    mouth_radius_m: Annotated[float, key("Where the blade leaves the jaws.", "m")]
    neck_chord_m: Annotated[float, key("Chord of the section at the mouth.", "m")]
    neck_thickness_m: Annotated[float, key("Thickness of the section at the mouth.", "m")]
    clamped_length_m: Annotated[float, key("Length between the jaws.", "m")]
    clamp_force_n: Annotated[float, key("Force that presses the jaws together.", "N")]
    friction: Annotated[float, key("Coefficient of friction; the default is an assumption, measure your own.")] = 0.2


class BondedRoot(Section, frozen=True, tag_field="kind", tag="bonded"):
    """A root glued into a socket."""

    mouth_radius_m: Annotated[float, key("Where the blade leaves the socket.", "m")]
    neck_chord_m: Annotated[float, key("Chord of the section at the mouth.", "m")]
    neck_thickness_m: Annotated[float, key("Thickness of the section at the mouth.", "m")]
    bond_length_m: Annotated[float, key("Length of the bond.", "m")]
    bond_shear_mpa: Annotated[
        float | None, key("Shear strength of the bond; absent: from coupons.bond_shear_mpa.", "MPa")
    ] = None


Root = TangRoot | ClampedRoot | BondedRoot


class Coupons(Section, frozen=True):
    """`coupons`: strengths in MPa of your own specimens, printed or moulded like the blade; at least three each."""

    tension_mpa: Annotated[Specimens | None, key("Tension in the layers, or any way when there are none.", "MPa")] = (
        None
    )
    tension_across_mpa: Annotated[Specimens | None, key("Tension that pulls the layers apart.", "MPa")] = None
    shear_mpa: Annotated[Specimens | None, key("Shear through the layers.", "MPa")] = None
    shear_across_mpa: Annotated[Specimens | None, key("Shear that slides one layer on the next.", "MPa")] = None
    bearing_mpa: Annotated[Specimens | None, key("Bearing pressure of a pin in its hole.", "MPa")] = None
    bond_shear_mpa: Annotated[Specimens | None, key("Shear of the bond.", "MPa")] = None


class Tolerances(Section, frozen=True):
    """`tolerances`: each a plus-minus taken as two standard deviations."""

    dimension_mm: Annotated[NotNegative, key("Of every length.", "mm")] = 0.0
    mass_pct: Annotated[NotNegative, key("Of the mass.", "%")] = 0.0
    cg_mm: Annotated[NotNegative, key("Of the centre of gravity.", "mm")] = 0.0
    strength_pct: Annotated[NotNegative, key("Of the strength; used where there are no coupons.", "%")] = 0.0


class Service(Section, frozen=True):
    """`service`: when somebody must look at the set; judged by the log of blade sets. Your own figures."""

    inspect_every_h: Annotated[
        Positive | None, key("Hours above rest after which an inspection is due; absent: no such rule.", "h")
    ] = None
    inspect_every_starts: Annotated[
        Annotated[int, Meta(ge=1)] | None, key("Starts after which an inspection is due; absent: no such rule.")
    ] = None


class BladeSet(Section, frozen=True):
    """`[blade_sets.NAME]`: one make of blade, as it was built."""

    title: Annotated[str, key("Name for people.")] = ""
    material: Annotated[str | None, key("A name of the published table in whirlbench.physics.materials.")] = None
    layered: Annotated[
        bool | None,
        key("Whether the blade has layers; absent: as the material; without a material, layers are assumed."),
    ] = None
    brittle: Annotated[
        bool | None, key("Whether the material breaks without yielding; absent: as the material; without one, assumed.")
    ] = None
    layer_normal: Annotated[
        Axis | None, key("Which way the layers were stacked; absent: the weakest direction everywhere.")
    ] = None
    density_kg_m3: Annotated[Positive | None, key("Density; absent: the material's.", "kg/m3")] = None
    modulus_gpa: Annotated[Positive | None, key("Young's modulus; absent: the material's.", "GPa")] = None
    shape: Annotated[Literal["aerofoil", "rectangle"], key("Outline of the sections.")] = "aerofoil"
    mass_kg: Annotated[
        Positive | None, key("One blade outside the hub, as weighed; scales the table of sections.", "kg")
    ] = None
    cg_radius_m: Annotated[Positive | None, key("Distance of its centre of gravity from the shaft's axis.", "m")] = None
    sections: Annotated[tuple[BladeSection, ...] | None, key("Rows of the blade from hub to tip.")] = None
    reference_pitch_deg: Annotated[
        float, key("Blade angle at 0.75 radius to which sections.pitch_deg belongs.", "deg")
    ] = 0.0
    root: Annotated[Root | None, key("How the root is held, by `kind`: tang, clamped or bonded.")] = None
    coupons: Annotated[Coupons, key("Strengths of your own specimens.")] = Coupons()
    tolerances: Annotated[Tolerances | None, key("Plus-minus of the measured values.")] = None
    service: Annotated[Service, key("When an inspection is due.")] = Service()
    temperature_factor: Annotated[
        Factor | None, key("Share of room-temperature strength left; absent: the table's assumption.")
    ] = None
    moisture_factor: Annotated[Factor | None, key("Share of dry strength left; absent: the table's assumption.")] = None
