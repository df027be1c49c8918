"""The one permitted speed of a blade set, for the check, the gate of a run and what-if studies alike."""

from __future__ import annotations

from dataclasses import dataclass

from whirlbench.analysis.strength.blade_build import build_blade
from whirlbench.analysis.strength.design_check import check_design
from whirlbench.analysis.strength.planned_points import coefficient_curve
from whirlbench.analysis.strength.strength_check import (
    PURPOSE,
    air_loads,
    air_used,
    fitted_name,
    refuse_missing,
    under_load,
)
from whirlbench.analysis.strength.tolerances import DEFAULT_SEED, SAMPLES
from whirlbench.errors import RigError
from whirlbench.rig.description import Rig, require_number

ANY_SPEED_RPM = 1000.0  # at which stresses are listed; the permitted speed does not depend on it


@dataclass(frozen=True)
class PermittedSpeed:
    """``rpm`` is the figure to act on: what nineteen of twenty blades stand, at most what the blade as drawn does.

    ``band_rpm`` holds the 5, 50 and 95 % figures over the tolerances.
    """

    rpm: float
    governed_by: str
    nominal_rpm: float
    nominal_governed_by: str
    band_rpm: tuple[float, float, float]


def permitted_speed(
    rig: Rig, name: str | None = None, seed: int = DEFAULT_SEED, samples: int = SAMPLES
) -> PermittedSpeed:
    """Permitted speed of the blade set ``name`` of ``rig``, absent of the fitted one; the same figure as ``check``'s.

    RigError names every key that is missing, and geometry for which no rule holds. 0 where nothing is permitted.

    >>> from whirlbench.rig.toml import example_rig_text, parse_rig
    >>> speed = permitted_speed(parse_rig(example_rig_text()), samples=2000)
    >>> 0.0 < speed.rpm <= speed.nominal_rpm
    True
    """
    refuse_missing(rig, True)
    diameter_m, fitted = require_number(rig, "propeller.diameter_m", PURPOSE), fitted_name(rig)
    chosen = fitted if name is None else name
    if chosen not in rig.blade_sets:
        raise RigError(f"blade set {chosen!r} is not in the rig: there are {', '.join(rig.blade_sets)}")
    air = air_used(rig)
    loads = air_loads(rig, coefficient_curve(rig, rig.blade_sets[fitted]), air.density_kg_m3)
    loaded = under_load(rig, build_blade(chosen, rig.blade_sets[chosen], diameter_m), loads)
    found = check_design(rig, loaded, ANY_SPEED_RPM, air.speed_of_sound_m_s, air.density_kg_m3, seed, samples)
    return PermittedSpeed(
        found.permitted_rpm,
        found.governed_by,
        found.nominal_rpm,
        found.nominal_governed_by,
        found.chance.permitted_rpm,
    )
