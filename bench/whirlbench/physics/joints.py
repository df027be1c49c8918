"""Pinned and bolted joints: true hole positions, sharing over clearance, short edges, cleavage, pins, clamps, threads.

Everything takes floats or arrays of one shape, SI units. x = d / w is the hole over its share of the width, e the
distance from the hole's centre to the end.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from itertools import pairwise

import numpy as np

from whirlbench.physics.root_stress import Tang, Values, open_hole_kt, pin_loaded_kt

# Least distances over the hole's diameter below which no rule holds: EN 1993-1-8:2005, Table 3.3. Written for steel:
# for plastics and wood a floor, not a recommendation.
LEAST_END, LEAST_SIDE, LEAST_PITCH_ALONG, LEAST_PITCH_ACROSS = 1.2, 1.2, 2.2, 2.4
ROUNDING = 1e-9
# Our own finite elements (plane stress, Poisson 0.3, close-fitting pin as cosine pressure, eight-node elements) over
# d/w (rows) and d/e (columns): no published form was found. First the peak of a short end over that of a long one,
# then the greatest tension across the line behind the pin over the bearing pressure F / (d t).
HOLE_OVER_WIDTH = np.array([0.05, 0.1, 1.0 / 6.0, 0.25, 1.0 / 3.0, 0.4, 0.5, 2.0 / 3.0])
HOLE_OVER_END = np.array([0.0, 0.2, 1.0 / 3.0, 0.5, 1.0 / 1.5, 1.0 / 1.2, 1.0])
EDGE_FACTOR = np.array([
    [1.0, 1.090, 1.193, 1.358, 1.552, 1.780, 2.115],
    [1.0, 1.039, 1.135, 1.275, 1.443, 1.646, 1.945],
    [1.0, 1.005, 1.069, 1.202, 1.349, 1.514, 1.750],
    [1.0, 1.002, 1.016, 1.114, 1.257, 1.409, 1.578],
    [1.0, 1.002, 1.003, 1.044, 1.163, 1.320, 1.481],
    [1.0, 1.002, 1.003, 1.016, 1.094, 1.237, 1.409],
    [1.0, 1.001, 1.001, 1.005, 1.032, 1.123, 1.279],
    [1.0, 1.000, 1.000, 1.000, 1.002, 1.021, 1.084],
])  # fmt: skip
CLEAVAGE_FACTOR = np.array([
    [0.385, 0.356, 0.362, 0.527, 0.863, 1.333, 2.000],
    [0.355, 0.322, 0.305, 0.505, 0.831, 1.279, 1.911],
    [0.324, 0.316, 0.266, 0.485, 0.816, 1.258, 1.877],
    [0.292, 0.292, 0.269, 0.447, 0.809, 1.265, 1.884],
    [0.275, 0.275, 0.271, 0.375, 0.789, 1.293, 1.936],
    [0.272, 0.272, 0.271, 0.300, 0.748, 1.312, 2.009],
    [0.289, 0.289, 0.290, 0.280, 0.637, 1.293, 2.129],
    [0.362, 0.362, 0.363, 0.363, 0.389, 1.082, 2.161],
])  # fmt: skip
IN_PLANE_KT = 2.0  # hole in a field of pure in-plane bending, on M (d/2) / I: Peterson / Roark, from memory
FLAT_WIDTH_TO = 0.3  # d/w up to which Roark's factor of a flat bent over its thickness falls with the width
CLAMP_KEPT_UNKNOWN = 0.5  # share of a clamp's force left where no creep figure is known: our assumption, no source
CLAMP_KEPT_METAL = 0.9  # metal in metal, loss by settling alone: our assumption, no source
CLAMP_KEPT_WOOD = 0.5  # drying and crushing of the fibres: our assumption, no source
THREAD_SHARE = 0.75  # of the cylinder at the nut's minor diameter that 60 degree threads fill: FED-STD-H28, from memory
FIRST_THREAD = 0.38  # of the load on the first engaged thread: Shigley 9e, power screws
PITCH_TO_MINOR, PITCH_TO_CORE = 1.0825, 1.2269  # d - ... p: nut's minor and screw's core diameter, ISO 68 and ISO 724


@dataclass(frozen=True)
class PinLoads:
    """Loads at a tang's holes: pull, the moment that bends over the bolt's length, the moment about the bolt's axis."""

    pull_n: Values
    along_bolt_n_m: Values = 0.0
    about_bolt_n_m: Values = 0.0


@dataclass(frozen=True)
class Peak:
    """Elastic peak beside the worst hole in Pa, by what makes it."""

    direct_pa: Values
    along_bolt_pa: Values
    about_bolt_pa: Values

    @property
    def sum_pa(self) -> Values:
        """All three meet at the hole's side, on one face."""
        return self.direct_pa + self.along_bolt_pa + self.about_bolt_pa


def strips_m(tang: Tang) -> list[Values]:
    """Width that works for each hole: twice its nearest free distance, to the side or half way to the next hole."""
    offsets = tang.places_m
    found: list[Values] = []
    for number, at in enumerate(offsets):
        near = tang.width_m / 2.0 - np.abs(at)
        for other in (*offsets[:number], *offsets[number + 1 :]):
            near = np.minimum(near, np.abs(other - at) / 2.0)
        found.append(2.0 * near)
    return found


def section_at_holes(tang: Tang) -> tuple[Values, Values, Values]:
    """(area, inertia about the bolt's axis, centroid from the tang's middle) of the section through the holes.

    Holes stand where they are: those off the middle cost more of the inertia. Source: parallel-axis theorem.
    """
    t, w, d = tang.thickness_m, tang.width_m, tang.hole_diameter_m
    area = (w - tang.bolts * d) * t
    centre = -sum(d * t * at for at in tang.places_m) / area
    inertia = t * w**3 / 12.0 - sum(t * d**3 / 12.0 + d * t * at**2 for at in tang.places_m) - area * centre**2
    return area, inertia, centre


def about_bolt_pa(tang: Tang, moment_n_m: Values) -> Values:
    """Bending stress at the farther side of the section through the holes, from a moment about the bolt's axis.

    >>> round(float(about_bolt_pa(Tang(0.024, 0.010, 0.005, 0.01, 2, (-0.006, 0.006)), 2.066)) / 1e6, 2)
    3.21
    """
    _, inertia, centre = section_at_holes(tang)
    return np.abs(moment_n_m) * (tang.width_m / 2.0 + np.abs(centre)) / inertia


def along_bolt_pa(tang: Tang, moment_n_m: Values) -> Values:
    """Bending stress of the net strip over its thickness, from a moment that bends the flat: 6 M / ((w - n d) t^2)."""
    return np.abs(moment_n_m) * 6.0 / ((tang.width_m - tang.bolts * tang.hole_diameter_m) * tang.thickness_m**2)


def flat_bending_kt(hole_over_thickness: Values, hole_over_width: Values = 0.0) -> Values:
    """Stress concentration of a hole in a flat bent over its thickness, on the NET section.

    From 3 (thick) to 1.79 (thin plate) by d/t, less by d/w up to 0.3, where its fall is held. Source: Roark, Table
    17.1, out-of-plane bending, read in two second-hand copies; its end for d/w from memory. NASA TP-3192 gives up to
    10 % less at d/t 0.5.
    """
    z, x = hole_over_thickness, np.minimum(hole_over_width, FLAT_WIDTH_TO)
    wide = 1.79 + 0.25 / (0.39 + z) + 0.81 / (1.0 + z**2) - 0.26 / (1.0 + z**3)
    result: Values = wide * (1.0 - 1.04 * x + 1.22 * x**2)
    return result


def edge_factor(hole_over_width: Values, hole_over_end: Values) -> Values:
    """Peak at a pin-loaded hole near its end over that far from it; 1 for a long end. Our own finite elements.

    >>> round(float(edge_factor(1 / 3, 1 / 1.5)), 3)
    1.163
    """
    return _between(EDGE_FACTOR, hole_over_width, hole_over_end)


def cleavage_pa(tang: Tang, bolt_n: Values) -> Values:
    """Greatest tension across the line behind the pin, which splits the end: our own finite elements, isotropic."""
    factors = [
        _between(CLEAVAGE_FACTOR, tang.hole_diameter_m / strip, tang.hole_diameter_m / tang.edge_distance_m)
        for strip in strips_m(tang)
    ]
    return _greatest(factors) * bolt_n / (tang.hole_diameter_m * tang.thickness_m)


def hole_peak_pa(tang: Tang, loads: PinLoads, bolt_n: Values, row_share: Values = 1.0) -> Peak:
    """Elastic peak beside the worst hole; ``bolt_n`` is the force of the worst bolt.

    Pin load: pin-loaded factor on the net strip times the short-edge factor; with two rows the outer one carries
    ``row_share`` by its pins and lets the rest pass, which adds at an open hole's factor. Bending over the bolt's
    length: its own factor on the net strip. Bending about the bolt: the field at the hole's place as an open hole in
    its strip, its slope over the hole as a hole in the middle of a strip that is bent; finite elements of two holes
    off the middle agree within 2 %. Adding them is exact for elastic stresses at one point.
    """
    t, d = tang.thickness_m, tang.hole_diameter_m
    _, _, centre = section_at_holes(tang)
    direct, along, about = [], [], []
    for at, strip in zip(tang.places_m, strips_m(tang), strict=True):
        net_m2 = np.maximum(strip - d, ROUNDING) * t
        pin = pin_loaded_kt(d / strip) * bolt_n / net_m2
        inner = pin * edge_factor(d / strip, d / tang.edge_distance_m)
        if tang.rows == 2:
            passing = loads.pull_n * (1.0 - row_share) / tang.bolts
            outer = pin * edge_factor(d / strip, d / (tang.edge_distance_m + tang.row_pitch_m))
            outer = outer + open_hole_kt(d / strip) * passing / net_m2
            inner = np.maximum(inner, outer)
        direct.append(inner)
        over_net = strip * t / net_m2
        along.append(flat_bending_kt(d / t, d / strip) * over_net * 6.0 / (tang.width_m * t**2))
        field = open_hole_kt(d / strip) * over_net * np.abs(at - centre)
        slope = IN_PLANE_KT * d / 2.0 / np.maximum(1.0 - (d / strip) ** 3, ROUNDING)
        about.append((field + slope) / (t * tang.width_m**3 / 12.0))
    return Peak(
        _greatest(direct),
        np.abs(loads.along_bolt_n_m) * _greatest(along),
        np.abs(loads.about_bolt_n_m) * _greatest(about),
    )


def first_row_share(pin_n_m: Values, first_n_m: Values, second_n_m: Values) -> Values:
    """Share of the first of two bolts in line from the springs of bolts and of the two plates between them.

    (1/k + 1/K1) / (2/k + 1/K1 + 1/K2); infinite springs are rigid. Derived from statics.

    >>> first_row_share(math.inf, 1.0, 3.0)
    0.75
    """
    pin, first, second = 1.0 / np.asarray(pin_n_m), 1.0 / np.asarray(first_n_m), 1.0 / np.asarray(second_n_m)
    result: Values = (pin + first) / (2.0 * pin + first + second)
    return result


def over_clearance_n(pull_n: Values, bolts: int, clearance_m: Values | None, spring_n_m: Values | None) -> Values:
    """Pull of the bolt that touches first, the others lagging by the clearance: F/n + (n-1)/n k c, at most F.

    Equal springs in parallel, derived from statics. Where clearance or spring is not known one bolt carries it all.
    """
    if bolts == 1:
        return pull_n
    if clearance_m is None or spring_n_m is None:
        return pull_n
    return np.minimum(pull_n, pull_n / bolts + (bolts - 1) / bolts * spring_n_m * clearance_m)


def hole_spring_n_m(modulus_pa: float, thickness_m: Values) -> Values:
    """Spring of a pin pressed into its hole: E t. Source: Tate and Rosenfeld, NACA TN 1051, from memory."""
    return modulus_pa * thickness_m


def group_n(
    area_m2: Sequence[Values], at_m: Sequence[tuple[Values, Values]], force_n: tuple[Values, Values], moment_n_m: Values
) -> list[Values]:
    """Force of each bolt of a group: direct by area, and from the moment about the group's centroid by area and radius.

    Source: elastic bolt group as in Shigley 9e, ch. 8, bolted joints loaded eccentrically.
    """
    whole = sum(area_m2)
    x0 = sum(a * x for a, (x, _) in zip(area_m2, at_m, strict=True)) / whole
    y0 = sum(a * y for a, (_, y) in zip(area_m2, at_m, strict=True)) / whole
    polar = sum(a * ((x - x0) ** 2 + (y - y0) ** 2) for a, (x, y) in zip(area_m2, at_m, strict=True))
    turn = 0.0 if len(area_m2) == 1 else moment_n_m / polar
    return [
        np.hypot(a * (force_n[0] / whole - turn * (y - y0)), a * (force_n[1] / whole + turn * (x - x0)))
        for a, (x, y) in zip(area_m2, at_m, strict=True)
    ]


def worst_bolt_n(tang: Tang, loads: PinLoads, row_share: Values) -> Values:
    """Force of the most loaded bolt: its share of the pull over clearance, and the moment as forces of the group.

    A single bolt holds no moment about itself.
    """
    row_n = loads.pull_n * row_share
    direct = over_clearance_n(row_n, tang.bolts, tang.clearance_m, tang.spring_n_m)
    if tang.rows == 2:  # the other row may lag as well
        rows = over_clearance_n(loads.pull_n, 2, tang.clearance_m, tang.spring_n_m)
        direct = np.maximum(direct, rows * direct / row_n)
    places = [(at, row * tang.row_pitch_m) for at in tang.places_m for row in range(tang.rows)]
    turned = group_n([1.0] * len(places), places, (0.0, 0.0), np.abs(loads.about_bolt_n_m))
    return direct + _greatest(turned)


def eccentric_n_m(tang: Tang, pull_n: Values) -> Values:
    """Moment about the bolt's axis when the bolts' middle lies off the section's: the pull times that distance."""
    _, _, centre = section_at_holes(tang)
    middle = sum(tang.places_m) / tang.bolts
    return pull_n * np.abs(middle - centre)


def pin_moment_n_m(force_n: Values, inner_m: Values, outer_m: Values, gap_m: Values = 0.0) -> Values:
    """Greatest moment of a pin between two outer plates that hold an inner one: F (b + 4 c + 2 a) / 8.

    Source: EN 1993-1-8, fig. 3.11.
    """
    return force_n * (inner_m + 4.0 * gap_m + 2.0 * outer_m) / 8.0


def pin_stress_pa(force_n: Values, moment_n_m: Values, diameter_m: Values) -> Values:
    """Bending and double shear of a round pin together, by von Mises; their places differ, which is on the safe side.

    32 M / (pi d^3), elastic; F / 2A. Source: EN 1993-1-8, Table 3.10 adds the squares of both shares.
    """
    bending = 32.0 * moment_n_m / (math.pi * diameter_m**3)
    shear = force_n / (2.0 * math.pi * diameter_m**2 / 4.0)
    result: Values = np.sqrt(bending**2 + 3.0 * shear**2)
    return result


def thread_shear_pa(pull_n: Values, diameter_m: Values, pitch_m: Values, engaged_m: Values) -> Values:
    """Mean shear that strips the threads of a shank: F / (0.75 pi D1 L), D1 the nut's minor diameter."""
    minor = diameter_m - PITCH_TO_MINOR * pitch_m
    return pull_n / (THREAD_SHARE * math.pi * minor * engaged_m)


def first_thread_pa(pull_n: Values, diameter_m: Values, pitch_m: Values) -> Values:
    """Shear of the first engaged thread, which carries 0.38 of the load on one pitch."""
    return FIRST_THREAD * thread_shear_pa(pull_n, diameter_m, pitch_m, pitch_m)


def round_pa(pull_n: Values, moment_n_m: Values, diameter_m: Values) -> Values:
    """Direct and bending stress of a round section: 4 F / (pi d^2) + 32 M / (pi d^3)."""
    return 4.0 * pull_n / (math.pi * diameter_m**2) + 32.0 * moment_n_m / (math.pi * diameter_m**3)


def grip_pressure_pa(moment_n_m: Values, width_m: Values, length_m: Values) -> Values:
    """Pressure at the lip of a grip that holds a moment by its two faces: 6 M / (b L^2), spread as a straight line."""
    return 6.0 * np.abs(moment_n_m) / (width_m * length_m**2)


def too_close(tang: Tang) -> str | None:
    """Which distance of the holes lies below the least published one, in words; None when all are kept."""
    d = float(tang.hole_diameter_m)
    sides = [float(tang.width_m) / 2.0 - abs(float(at)) for at in tang.places_m]
    places = sorted(float(at) for at in tang.places_m)
    gaps = [after - before for before, after in pairwise(places)]
    asked = [("edge_distance_m", "from a hole's centre to the end", float(tang.edge_distance_m), LEAST_END)]
    asked.append(("width_m", "from a hole's centre to the side", min(sides), LEAST_SIDE))
    asked += [("hole_offsets_m", "between holes side by side", gap, LEAST_PITCH_ACROSS) for gap in gaps]
    if tang.rows == 2:
        asked.append(("row_pitch_m", "between holes in line", float(tang.row_pitch_m), LEAST_PITCH_ALONG))
    for key, what, distance, least in asked:
        if distance < least * d * (1.0 - 1e-6):
            return (
                f"{key}: {distance * 1e3:.4g} mm {what} is {distance / d:.2f} times the hole; below {least:g} no rule "
                "holds (EN 1993-1-8, Table 3.3): move the hole or make it smaller"
            )
    return None


def _greatest(values: Sequence[Values]) -> Values:
    found = values[0]
    for value in values[1:]:
        found = np.maximum(found, value)
    return found


def _between(table: np.ndarray, x: Values, u: Values) -> Values:
    """Straight lines between the table's points; held at the ends of d/w, carried on beyond d/e = 1."""
    x = np.clip(np.asarray(x, dtype=float), HOLE_OVER_WIDTH[0], HOLE_OVER_WIDTH[-1])
    u = np.maximum(np.asarray(u, dtype=float), 0.0)
    i = np.clip(np.searchsorted(HOLE_OVER_WIDTH, x, side="right") - 1, 0, len(HOLE_OVER_WIDTH) - 2)
    j = np.clip(np.searchsorted(HOLE_OVER_END, u, side="right") - 1, 0, len(HOLE_OVER_END) - 2)
    p = (x - HOLE_OVER_WIDTH[i]) / (HOLE_OVER_WIDTH[i + 1] - HOLE_OVER_WIDTH[i])
    q = (u - HOLE_OVER_END[j]) / (HOLE_OVER_END[j + 1] - HOLE_OVER_END[j])
    near = table[i, j] * (1.0 - p) + table[i + 1, j] * p
    far = table[i, j + 1] * (1.0 - p) + table[i + 1, j + 1] * p
    result: Values = near * (1.0 - q) + far * q
    return result
