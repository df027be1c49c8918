"""The air of the day, from whichever readings the rig gives."""

from __future__ import annotations

from whirlbench.errors import RigError
from whirlbench.physics.atmosphere import AirState, moist_air
from whirlbench.rig.description import Rig


def air_density_kg_m3(rig: Rig, purpose: str) -> float:
    """Density from ``air.density_kg_m3``, or from temperature, pressure and humidity (50 % when not given).

    RigError when neither is there, naming the keys and ``purpose``.
    """
    air = rig.air
    if air.density_kg_m3 is not None:
        return air.density_kg_m3
    if air.temperature_c is None or air.pressure_hpa is None:
        raise RigError(
            f"rig key air.density_kg_m3 is missing: {purpose} needs it; "
            "give it, or air.temperature_c and air.pressure_hpa"
        )
    return float(moist_state(rig).density_kg_m3)


def moist_state(rig: Rig) -> AirState:
    """Moist air of the rig's temperature and pressure; half-saturated when no humidity is given."""
    air = rig.air
    assert air.temperature_c is not None and air.pressure_hpa is not None
    humidity_pct = 50.0 if air.humidity_pct is None else air.humidity_pct
    return moist_air(air.temperature_c, 100.0 * air.pressure_hpa, humidity_pct / 100.0)
