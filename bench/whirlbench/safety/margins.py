"""Margins: the share of each limit in use, the one number an operator reads while the propeller turns."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass

from whirlbench.rig.description import Rig
from whirlbench.safety.trip_limits import STANDARD_TEMPERATURE_C, speed_of_sound_m_s
from whirlbench.units import rad_s_from_rpm


@dataclass(frozen=True)
class Margin:
    """A limit, what is measured against it, and the share in use (1 at the limit, NaN without a reading)."""

    name: str
    unit: str
    value: float
    limit: float
    share: float

    @property
    def label(self) -> str:
        """Name for people: the channel without its unit."""
        return self.name.replace("_rpm", "").replace("_g_rms", "").replace("_", " ").strip()

    def text(self) -> str:
        """Reading and limit, as printed beside a margin."""
        reading = "no reading" if math.isnan(self.value) else f"{self.value:.4g}"
        return f"{reading} / {self.limit:.4g} {self.unit}"


# name of the margin, key of the limit, unit
_UPPER = (
    ("overspeed_rpm", "overspeed_rpm", "rpm"),
    ("vibration", "vibration_g_rms", "g rms"),
    ("current", "current_a", "A"),
    ("thrust", "thrust_n", "N"),
    ("power", "power_w", "W"),
    ("tip mach", "tip_mach", ""),
)


def readings(rig: Rig, values: Mapping[str, float]) -> dict[str, float]:
    """What the limits are compared with, from the latest ``values`` by channel name.

    ``values`` holds any of ``rpm current_a voltage_v thrust_n vibration_g_rms``; what is absent comes back as NaN.
    Tip Mach is that of the blade tip in still, dry air of the rig's temperature (15 C when it gives none); it needs
    ``propeller.diameter_m``.
    """
    rpm, current_a = values.get("rpm", math.nan), values.get("current_a", math.nan)
    voltage_v = values.get("voltage_v", math.nan)
    diameter_m = rig.propeller.diameter_m or math.nan
    return {
        "overspeed_rpm": rpm,
        "vibration_g_rms": values.get("vibration_g_rms", math.nan),
        "current_a": current_a,
        "thrust_n": values.get("thrust_n", math.nan),
        "power_w": current_a * voltage_v,
        "tip_mach": rad_s_from_rpm(rpm) * diameter_m / 2 / _speed_of_sound_m_s(rig),
        "minimum_voltage_v": voltage_v,
    }


def _speed_of_sound_m_s(rig: Rig) -> float:
    celsius = rig.air.temperature_c
    return speed_of_sound_m_s(STANDARD_TEMPERATURE_C if celsius is None else celsius)


def margins(rig: Rig, values: Mapping[str, float]) -> tuple[Margin, ...]:
    """Margins to the limits that ``rig`` sets, in a fixed order; limits that are not set are left out.

    The share of an upper limit is value / limit; that of the least pack voltage is limit / value.
    """
    measured = readings(rig, values)
    found = []
    for name, key, unit in _UPPER:
        limit = getattr(rig.limits, key)
        if limit is not None:
            found.append(Margin(name, unit, measured[key], limit, abs(measured[key]) / limit))
    floor_v = rig.limits.minimum_voltage_v
    if floor_v is not None:
        voltage_v = measured["minimum_voltage_v"]
        found.append(Margin("least voltage", "V", voltage_v, floor_v, floor_v / voltage_v if voltage_v else math.nan))
    return tuple(found)
