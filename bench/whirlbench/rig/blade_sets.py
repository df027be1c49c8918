"""`[blade_sets.NAME]`: what a blade is made of, how it is shaped, and how its root is held.

Blade axes: *span* along the blade, *chord* from leading to trailing edge, *thickness* at right angles to both.
Lengths are metres from the shaft's axis for radii. Rules between the keys are in ``blade_set_rules``.
"""

from __future__ import annotations

from typing import Annotated, Literal

from msgspec import Meta

from whirlbench.physics.materials import Condition
from whirlbench.rig.declaration import NotNegative, Positive, Section, Share, key

Factor = Annotated[float, Meta(gt=0, le=1)]
Axis = Literal["span", "chord", "thickness"]
BoltCount = Annotated[int, Meta(ge=1, le=12)]
Specimens = tuple[Positive, ...]


class BladeSection(Section, frozen=True):
    """One row of `sections`: area follows from chord and thickness unless it, or the mass per length, is given."""

    radius_m: Annotated[float, key("Distance from the shaft's axis.", "m", example=0.09)]
    chord_m: Annotated[Positive | None, key("Chord of the section.", "m", within=(1e-3, 0.5))] = None
    thickness_m: Annotated[Positive | None, key("Greatest thickness of the section.", "m", within=(1e-4, 0.2))] = None
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

    hole_radius_m: Annotated[float, key("Distance of the hole from the shaft's axis.", "m", example=0.034)]
    width_m: Annotated[float, key("Width of the tang, across bolt and pull.", "m", example=0.013)]
    thickness_m: Annotated[float, key("Thickness of the tang, along the bolt.", "m", example=0.024)]
    hole_diameter_m: Annotated[float, key("Diameter of the hole.", "m", example=0.005)]
    edge_distance_m: Annotated[float, key("Hole centre to the end of the tang, towards the shaft.", "m", example=0.01)]
    bolts: Annotated[int, Meta(ge=1, le=4), key("Bolts side by side across the width.")] = 1
    hole_offsets_m: Annotated[
        tuple[float, ...] | None,
        key("Place of each of them across the width, from the tang's middle; absent: spread evenly.", "m"),
    ] = None
    rows: Annotated[int, Meta(ge=1, le=2), key("Rows of such bolts in line with the pull.")] = 1
    row_pitch_m: Annotated[
        float | None, key("From row to row; two rows need it. hole_radius_m is the inner row's.", "m")
    ] = None
    clearance_m: Annotated[
        NotNegative | None,
        key(
            "Hole minus bolt in diameter; absent, with several bolts: one of them is taken to carry all the pull.", "m"
        ),
    ] = None
    weld_line: Annotated[
        bool | None,
        key("Whether a weld line of the moulding ends at the hole, as beside a core; absent: assumed where moulded."),
    ] = None
    bolt_axis: Annotated[Literal["chord", "thickness"], key("Which way the bolt lies.")] = "thickness"
    bolt_strength_mpa: Annotated[
        float | None, key("Proof strength of the bolt; absent: the bolt is not judged.", "MPa")
    ] = None
    bolt_diameter_m: Annotated[
        float | None,
        key("Diameter of the bolt, of the core where threads lie in a shear plane; absent: the hole's.", "m"),
    ] = None
    jaw_thickness_m: Annotated[
        float | None,
        key("Thickness of each hub cheek that holds the bolt; absent: half the tang's, for the bolt's bending.", "m"),
    ] = None
    jaw_gap_m: Annotated[NotNegative, key("Gap between tang and cheek on each side.", "m")] = 0.0
    mouth_radius_m: Annotated[float | None, key("Where the blade leaves the grip; absent: at the hole.", "m")] = None
    neck_chord_m: Annotated[float | None, key("Chord of the section at the mouth; absent: the tang's own.", "m")] = None
    neck_thickness_m: Annotated[
        float | None, key("Thickness of the section at the mouth; absent: the tang's own.", "m")
    ] = None
    bending_at_hole: Annotated[
        Share, key("Share of the root bending that reaches the hole; 0 for a tang gripped on both faces.")
    ] = 1.0


class GripRoot(TangRoot, frozen=True, tag_field="kind", tag="grip"):
    """A tang between the two faces of a blade grip: the faces take the bending, the retaining pin the pull."""

    grip_length_m: Annotated[
        float | None, key("Length of the grip's faces along the blade; absent: from the hole to the mouth.", "m")
    ] = None
    bending_at_hole: Annotated[Share, key("Share of the root bending that reaches the hole all the same.")] = 0.0


class ClampedRoot(Section, frozen=True, tag_field="kind", tag="clamped"):
    """A plain root held between two jaws by friction."""

    mouth_radius_m: Annotated[float, key("Where the blade leaves the jaws.", "m", example=0.05)]
    neck_chord_m: Annotated[float, key("Chord of the section at the mouth.", "m", example=0.026)]
    neck_thickness_m: Annotated[float, key("Thickness of the section at the mouth.", "m", example=0.012)]
    clamped_length_m: Annotated[float, key("Length between the jaws.", "m", example=0.03)]
    clamp_force_n: Annotated[
        float | None,
        key(
            "Force that presses the jaws together as tightened; absent: bolts times bolt_preload_n.", "N", example=4000
        ),
    ] = None
    bolts: Annotated[BoltCount | None, key("Bolts that press the jaws together.")] = None
    bolt_preload_n: Annotated[float | None, key("Pull of each of them as tightened.", "N")] = None
    bolt_diameter_m: Annotated[float | None, key("Diameter of the bolt's core.", "m")] = None
    bolt_strength_mpa: Annotated[
        float | None, key("Proof strength of the bolt; absent: the bolt is not judged.", "MPa")
    ] = None
    force_kept: Annotated[
        Factor | None,
        key(
            "Share of the clamp's force left after creep; springs under the bolts' heads raise it; absent: by material."
        ),
    ] = None
    friction: Annotated[float, key("Coefficient of friction; the default is an assumption, measure your own.")] = 0.2


class ShankRoot(Section, frozen=True, tag_field="kind", tag="shank"):
    """A round shank, screwed or glued into the hub: with thread_pitch_m it is threaded, without it is bonded."""

    mouth_radius_m: Annotated[float, key("Where the shank leaves the hub.", "m", example=0.045)]
    shank_diameter_m: Annotated[float, key("Outer diameter of the shank, over its threads.", "m", example=0.012)]
    engaged_length_m: Annotated[float, key("Length that is screwed or glued in.", "m", example=0.03)]
    thread_pitch_m: Annotated[float | None, key("Pitch of its threads; absent: the shank is glued.", "m")] = None
    bond_shear_mpa: Annotated[
        float | None, key("Shear strength of the bond; absent: from coupons.bond_shear_mpa.", "MPa")
    ] = None


class BondedRoot(Section, frozen=True, tag_field="kind", tag="bonded"):
    """A root glued into a socket."""

    mouth_radius_m: Annotated[float, key("Where the blade leaves the socket.", "m", example=0.05)]
    neck_chord_m: Annotated[float, key("Chord of the section at the mouth.", "m", example=0.026)]
    neck_thickness_m: Annotated[float, key("Thickness of the section at the mouth.", "m", example=0.012)]
    bond_length_m: Annotated[float, key("Length of the bond.", "m", example=0.03)]
    bond_shear_mpa: Annotated[
        float | None, key("Shear strength of the bond; absent: from coupons.bond_shear_mpa.", "MPa")
    ] = None


Root = TangRoot | GripRoot | ClampedRoot | ShankRoot | BondedRoot


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
    """`tolerances`: each a plus-minus taken as two standard deviations; one that is absent is assumed, and said."""

    dimension_mm: Annotated[NotNegative | None, key("Of every length; absent: 0.2 is assumed.", "mm")] = None
    mass_pct: Annotated[NotNegative | None, key("Of the mass; absent: 3 is assumed.", "%")] = None
    cg_mm: Annotated[NotNegative | None, key("Of the centre of gravity; absent: 1 is assumed.", "mm")] = None
    strength_pct: Annotated[
        NotNegative | None, key("Of the strength, used where there are no coupons; absent: 15 is assumed.", "%")
    ] = None
    clamp_pct: Annotated[
        NotNegative | None, key("Of a clamp's force as tightened; absent: 30 is assumed, a torque wrench.", "%")
    ] = None


class BladeSet(Section, frozen=True):
    """`[blade_sets.NAME]`: one make of blade, as it was built."""

    title: Annotated[str, key("Name for people.")] = ""
    material: Annotated[
        str | None, key("A name of the table of materials, see materials.md.", example="moulded_nylon")
    ] = None
    condition: Annotated[
        Condition | None,
        key("How much water the material holds; absent: strength as in ordinary air, peaks at a hole as when dry."),
    ] = None
    temperature_c: Annotated[
        Annotated[float, Meta(ge=-40, le=120)] | None,
        key("How warm the blade's root gets; absent: the table's factor for a warm stand of 40 C.", "C"),
    ] = None
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
    density_kg_m3: Annotated[Positive | None, key("Density; absent: the material's.", "kg/m3", example=1140)] = None
    modulus_gpa: Annotated[Positive | None, key("Young's modulus; absent: the material's.", "GPa")] = None
    shape: Annotated[Literal["aerofoil", "rectangle"], key("Outline of the sections.")] = "aerofoil"
    mass_kg: Annotated[
        Positive | None,
        key("One blade outside the hub, as weighed; scales the table of sections.", "kg", example=0.045),
    ] = None
    cg_radius_m: Annotated[
        Positive | None, key("Distance of its centre of gravity from the shaft's axis.", "m", example=0.11)
    ] = None
    sections: Annotated[tuple[BladeSection, ...] | None, key("Rows of the blade from hub to tip.")] = None
    reference_pitch_deg: Annotated[
        float, key("Blade angle at 0.75 radius to which sections.pitch_deg belongs.", "deg")
    ] = 0.0
    root: Annotated[
        Root | None,
        key("How the root is held, by `kind`: tang, grip, clamped, shank or bonded.", example="{ kind = ... }"),
    ] = None
    coupons: Annotated[Coupons, key("Strengths of your own specimens.")] = Coupons()
    tolerances: Annotated[Tolerances | None, key("Plus-minus of the measured values.")] = None
    temperature_factor: Annotated[
        Factor | None, key("Share of room-temperature strength left; absent: the table's assumption.")
    ] = None
    moisture_factor: Annotated[Factor | None, key("Share of dry strength left; absent: the table's assumption.")] = None
