"""Rules between the keys of a blade set: geometry that cannot be built is refused, and the key is named."""

from __future__ import annotations

import math
from collections.abc import Iterator
from itertools import pairwise

from whirlbench.physics.materials import PUBLISHED, believable_mpa
from whirlbench.rig.blade_sets import BladeSection, BladeSet, ClampedRoot, Coupons, Root, ShankRoot, TangRoot
from whirlbench.rig.size_rules import likely_slip

FEWEST_SPECIMENS = 3  # below it a lower bound of strength means nothing
ROUNDING_M = 1e-6
MOST_PITCH = 3.0  # times the pitch must leave a core: ISO threads keep above 4
MAY_BE_ZERO = ("bending_at_hole", "clearance_m", "jaw_gap_m")


def blade_set_complaints(
    blade_sets: dict[str, BladeSet], fitted: str | None, diameter_m: float | None
) -> Iterator[str]:
    """One line for every broken rule; ``fitted`` is `propeller.blade_set`, ``diameter_m`` may be unknown."""
    if blade_sets and fitted is not None and fitted not in blade_sets:
        yield f"propeller.blade_set is {fitted!r}: no [blade_sets.{fitted}]; there are {', '.join(blade_sets)}"
    for name, blades in blade_sets.items():
        key = f"blade_sets.{name}"
        yield from _mass_complaints(key, blades, diameter_m)
        yield from _section_complaints(f"{key}.sections", blades.sections, diameter_m)
        yield from _coupon_complaints(f"{key}.coupons", blades.coupons)
        yield from _strength_complaints(f"{key}.coupons", blades)
        if blades.root is not None:
            yield from _root_complaints(f"{key}.root", blades.root)


def _mass_complaints(key: str, blades: BladeSet, diameter_m: float | None) -> Iterator[str]:
    if blades.sections is None and (blades.mass_kg is None) != (blades.cg_radius_m is None):
        missing = "mass_kg" if blades.mass_kg is None else "cg_radius_m"
        yield f"{key}.{missing} is missing: mass_kg and cg_radius_m come together, or give a table of sections"
    if blades.cg_radius_m is None:
        return
    if diameter_m is not None and blades.cg_radius_m >= diameter_m / 2.0:
        yield f"{key}.cg_radius_m is {blades.cg_radius_m:g}: it must lie inside the tip at {diameter_m / 2.0:g} m"
    held_at = _held_at_m(blades.root)
    if held_at is not None and blades.cg_radius_m <= held_at:
        yield f"{key}.cg_radius_m is {blades.cg_radius_m:g}: it must lie outside the root at {held_at:g} m"


def _held_at_m(root: Root | None) -> float | None:
    """Radius at which the pull is taken by the hub."""
    if root is None:
        return None
    return root.hole_radius_m if isinstance(root, TangRoot) else root.mouth_radius_m


def _section_complaints(key: str, sections: tuple[BladeSection, ...] | None, diameter_m: float | None) -> Iterator[str]:
    if sections is None:
        return
    if len(sections) < 2:
        yield f"{key} has {len(sections)} row(s): at least two are needed"
        return
    for row, (before, after) in enumerate(pairwise(sections), start=2):
        if not after.radius_m > before.radius_m:
            yield f"{key} row {row}: radius_m {after.radius_m:g} does not come after {before.radius_m:g}; sort the rows"
    if sections[0].radius_m < 0.0:
        yield f"{key} row 1: radius_m is {sections[0].radius_m:g}; it is measured outwards from the shaft's axis"
    if diameter_m is not None and sections[-1].radius_m > diameter_m / 2.0 + ROUNDING_M:
        yield f"{key}: the last radius_m is {sections[-1].radius_m:g}, beyond the tip at {diameter_m / 2.0:g} m"
    yield from _row_complaints(key, sections)


def _row_complaints(key: str, sections: tuple[BladeSection, ...]) -> Iterator[str]:
    for row, section in enumerate(sections, start=1):
        has_area = section.area_m2 is not None or None not in (section.chord_m, section.thickness_m)
        if not has_area and section.mass_per_length_kg_m is None:
            yield f"{key} row {row}: give chord_m and thickness_m, or area_m2, or mass_per_length_kg_m"
    for column in ("chord_m", "thickness_m", "area_m2", "pitch_deg", "mass_per_length_kg_m"):
        if len({getattr(section, column) is None for section in sections}) > 1:
            yield f"{key}: {column} must stand in every row or in none"


def _coupon_complaints(key: str, coupons: Coupons) -> Iterator[str]:
    for name in coupons.__struct_fields__:
        specimens = getattr(coupons, name)
        if specimens is not None and len(specimens) < FEWEST_SPECIMENS:
            yield f"{key}.{name} has {len(specimens)} specimen(s): at least {FEWEST_SPECIMENS} are needed"


def _strength_complaints(key: str, blades: BladeSet) -> Iterator[str]:
    """Coupons far outside what was published of the material: in another unit, or of another material."""
    material = PUBLISHED.get(blades.material or "")
    for name in blades.coupons.__struct_fields__:
        low, high = believable_mpa(name, material)
        for strength in getattr(blades.coupons, name) or ():
            if not low <= strength <= high:
                of = "any material of the table" if material is None else material.title
                yield (
                    f"{key}.{name} holds {strength:g}: expected {low:.3g} to {high:.3g} MPa, a third of the lowest to "
                    f"three times the highest published for {of}{likely_slip(strength, 'MPa', (low, high))}; "
                    "give every specimen in MPa, or name the material it is of"
                )
                break


def _root_complaints(key: str, root: Root) -> Iterator[str]:
    for name in root.__struct_fields__:
        value = getattr(root, name)
        if isinstance(value, float) and name not in MAY_BE_ZERO and not (math.isfinite(value) and value > 0.0):
            yield f"{key}.{name} is {value:g}: it must be above zero"
    if isinstance(root, TangRoot):
        yield from _tang_complaints(key, root)
    if isinstance(root, ClampedRoot):
        yield from _clamp_complaints(key, root)
    if isinstance(root, ShankRoot) and MOST_PITCH * (root.thread_pitch_m or 0.0) >= root.shank_diameter_m:
        yield f"{key}.thread_pitch_m is {root.thread_pitch_m:g}: too coarse for a shank of {root.shank_diameter_m:g}"


def _clamp_complaints(key: str, root: ClampedRoot) -> Iterator[str]:
    if root.friction > 1.0:
        yield f"{key}.friction is {root.friction:g}: expected a coefficient below 1"
    if root.clamp_force_n is None and (root.bolts is None or root.bolt_preload_n is None):
        yield f"{key}.clamp_force_n is missing: give it, or bolts and bolt_preload_n"
    if root.clamp_force_n is not None and root.bolt_preload_n is not None:
        yield f"{key} has both clamp_force_n and bolt_preload_n: give one, so that they cannot contradict each other"
    if root.bolt_strength_mpa is not None and root.bolt_diameter_m is None:
        yield f"{key}.bolt_diameter_m is missing: bolt_strength_mpa needs it"


def _tang_complaints(key: str, root: TangRoot) -> Iterator[str]:
    if root.bolts * root.hole_diameter_m >= root.width_m:
        holes = "the hole is" if root.bolts == 1 else f"{root.bolts} holes are"
        yield (
            f"{key}.hole_diameter_m is {root.hole_diameter_m:g}: {holes} wider than the tang (width_m {root.width_m:g})"
        )
    if 0.0 < root.edge_distance_m <= root.hole_diameter_m / 2.0:
        yield (
            f"{key}.edge_distance_m is {root.edge_distance_m:g}: the hole breaks out of the tang's end; it must be "
            f"more than half the hole ({root.hole_diameter_m / 2.0:g})"
        )
    if root.bolt_diameter_m is not None and root.bolt_diameter_m > root.hole_diameter_m:
        yield f"{key}.bolt_diameter_m is {root.bolt_diameter_m:g}: it does not fit the hole ({root.hole_diameter_m:g})"
    if root.hole_offsets_m is not None:
        yield from _offset_complaints(key, root)
    if root.rows == 2 and root.row_pitch_m is None:
        yield f"{key}.row_pitch_m is missing: two rows need it"
    if root.mouth_radius_m is not None and root.mouth_radius_m < root.hole_radius_m:
        yield (
            f"{key}.mouth_radius_m is {root.mouth_radius_m:g}: it must not lie inside the hole "
            f"at {root.hole_radius_m:g}"
        )


def _offset_complaints(key: str, root: TangRoot) -> Iterator[str]:
    places = sorted(root.hole_offsets_m or ())
    if len(places) != root.bolts:
        yield f"{key}.hole_offsets_m has {len(places)} place(s): expected one for each of {root.bolts} bolt(s)"
    elif any(abs(at) + root.hole_diameter_m / 2.0 >= root.width_m / 2.0 for at in places):
        yield f"{key}.hole_offsets_m is {list(places)}: a hole breaks out of the tang's side (width_m {root.width_m:g})"
    elif any(after - before <= root.hole_diameter_m for before, after in pairwise(places)):
        yield f"{key}.hole_offsets_m is {list(places)}: holes run into each other (hole_diameter_m)"
