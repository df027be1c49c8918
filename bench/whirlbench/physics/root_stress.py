"""Stresses where the hub holds the blade: a tang with a hole, a clamped root, a bonded root.

Everything takes floats or arrays of one shape, so that a whole Monte Carlo sample is one call.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from whirlbench.physics.sections import section_properties

Values = np.ndarray | float

SHEAR_PATHS = ("short", "forty_degrees", "centre")
FORTY_DEG = math.radians(40.0)
# Peak beside a close-fitting pin over its bearing pressure F / (d t), by d/w: Peterson's chart as digitised by a third
# party after Niu, sec. 7.7. Convex, so that straight lines between the points lie on the safe side.
PIN_CHART_AT = np.array([0.0, 0.05, 0.1, 0.15, 0.2, 0.25, 0.3])
PIN_CHART = np.array([1.0, 1.0454, 1.1054, 1.1825, 1.2816, 1.4065, 1.5583])
PIN_FIT_FROM, PIN_FIT_TO = 1.0 / 3.0, 0.75  # the fit takes over where it meets the chart, within 0.4 %


@dataclass(frozen=True)
class Tang:
    """A tang with ``bolts`` equal holes side by side; *width* lies across bolt and pull, *thickness* along the bolt.

    Lengths in m; ``edge_distance_m`` runs from the centre of the inner holes to the end of the tang. ``offsets_m`` are
    the holes' places from the tang's middle, None spreads them evenly. ``rows`` of such holes (1 or 2) stand
    ``row_pitch_m`` apart along the pull. Clearance and spring of a hole are None where not known.
    """

    width_m: Values
    thickness_m: Values
    hole_diameter_m: Values
    edge_distance_m: Values
    bolts: int = 1
    offsets_m: tuple[Values, ...] | None = None
    rows: int = 1
    row_pitch_m: Values = 0.0
    clearance_m: Values | None = None
    spring_n_m: Values | None = None

    @property
    def places_m(self) -> tuple[Values, ...]:
        """Where the holes stand across the width, from its middle."""
        if self.offsets_m is not None:
            return self.offsets_m
        return tuple(self.width_m * ((number + 0.5) / self.bolts - 0.5) for number in range(self.bolts))


def net_section_pa(tang: Tang, pull_n: Values) -> Values:
    """Mean tension across the holes: F / ((w - n d) t). Source: Shigley 9e, bolted joints in shear, Fig. 8-25."""
    return pull_n / ((tang.width_m - tang.bolts * tang.hole_diameter_m) * tang.thickness_m)


def shear_out_pa(tang: Tang, pull_n: Values, path: str = "short") -> Values:
    """Mean shear on the two planes that a plug behind each hole would slide on: F / (2 n a t).

    ``path`` sets the length a of a plane: "short" from the hole's edge (e - d/2), the lowest and the one judged;
    "forty_degrees" from where 40-degree lines leave the hole (e - d/2 cos 40); "centre" from its middle (e).
    Source: centre as in Shigley 9e, Fig. 8-25; the others as in Bruhn and the AFFDL Stress Analysis Manual, ch. 9,
    the 40 degrees from memory.
    """
    cut = {"short": 1.0, "forty_degrees": math.cos(FORTY_DEG), "centre": 0.0}
    if path not in cut:
        raise ValueError(f"path {path!r} is unknown: expected one of {', '.join(SHEAR_PATHS)}")
    length_m = tang.edge_distance_m - cut[path] * tang.hole_diameter_m / 2.0
    return pull_n / (2.0 * tang.bolts * length_m * tang.thickness_m)


def bearing_pa(tang: Tang, pull_n: Values) -> Values:
    """Mean pressure of the pin on the hole: F / (n d t). Source: Shigley 9e, Fig. 8-25."""
    return pull_n / (tang.bolts * tang.hole_diameter_m * tang.thickness_m)


def bolt_shear_pa(pull_n: Values, bolt_area_m2: Values, bolts: int) -> Values:
    """Mean shear of bolts in double shear: F / (2 n A), with the thread's area where threads lie in a shear plane.

    Source: Shigley 9e, bolted joints in shear, Fig. 8-25.
    """
    return pull_n / (2.0 * bolts * bolt_area_m2)


def open_hole_kt(hole_over_width: Values) -> Values:
    """Stress concentration of an open hole in tension, on the NET section, for d/w from 0 to 0.5.

    Source: Peterson / Pilkey's fit of Howland: 3 - 3.13 x + 3.66 x^2 - 1.53 x^3.

    >>> round(open_hole_kt(0.2), 5)
    2.50816
    """
    x = hole_over_width
    return 3.0 - 3.13 * x + 3.66 * x**2 - 1.53 * x**3


def _pin_fit(x: Values) -> Values:
    """Peterson / Pilkey's fit for lugs on the net section, from memory, not verified in print."""
    return 12.882 - 52.714 * x + 89.762 * x**2 - 51.667 * x**3


def pin_loaded_kt(hole_over_width: Values) -> Values:
    """Stress concentration of a hole pulled by a close-fitting pin, on the NET section.

    Up to d/w 1/3 from Peterson's chart on bearing pressure, as digitised by a third party after Niu, sec. 7.7; above,
    to 0.75, from the fit of the same chart, which is from memory, and beyond it held. Never below the open hole. From
    d/w 0.1 both lie 4 to 10 % above finite elements of a frictionless pin and above NASA TP-3192; in wider plates up
    to 18 %, on the safe side.
    """
    fit = _pin_fit(np.clip(hole_over_width, PIN_FIT_FROM, PIN_FIT_TO))
    meets = _pin_fit(PIN_FIT_FROM) * PIN_FIT_FROM / (1.0 - PIN_FIT_FROM)
    bearing = np.interp(hole_over_width, np.append(PIN_CHART_AT, PIN_FIT_FROM), np.append(PIN_CHART, meets))
    small = np.minimum(hole_over_width, PIN_FIT_FROM)
    by_chart = bearing * (1.0 - small) / small
    factor = np.where(np.asarray(hole_over_width) < PIN_FIT_FROM, by_chart, fit)
    return np.maximum(factor, open_hole_kt(np.minimum(hole_over_width, PIN_FIT_TO)))


def neck_pa(
    pull_n: Values, flap_moment_n_m: Values, edge_moment_n_m: Values, chord_m: Values, thickness_m: Values
) -> Values:
    """Direct plus bending stress at the corner of a rectangular neck: F / A + M_flap / Z_flap + M_edge / Z_edge."""
    neck = section_properties("rectangle", np.asarray(chord_m), np.asarray(thickness_m))
    bending = np.abs(flap_moment_n_m) / neck.flap_modulus_m3 + np.abs(edge_moment_n_m) / neck.edge_modulus_m3
    result: Values = pull_n / neck.area_m2 + bending
    return result


def bond_shear_pa(pull_n: Values, chord_m: Values, thickness_m: Values, length_m: Values) -> Values:
    """Mean shear of a glue line all round a rectangular root; the true shear peaks at its ends and is higher."""
    return pull_n / (2.0 * (chord_m + thickness_m) * length_m)
