"""How often a root is loaded, how hard and how long, set beside published curves where there are any.

One start loads the root once from nothing to its full stress; every revolution adds whatever alternates with it; the
pull itself is a load that lasts. A life is told only where a published curve covers the kind of material.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

NO_LIFE = "No life is predicted. "
# By family of material: why there is no figure for starts and hours, or what the figure there is leaves out.
REASONS = {
    "printed": "No published curve of stress against cycles or time was found that covers your filament, layer "
    "direction, temperature and moisture together, and printers differ by more than any margin read from one.",
    "sintered": "No published curve of stress against cycles or time was found that covers your powder, build "
    "direction, temperature and moisture together.",
    "moulded": "No published creep-rupture or low-cycle curve was found for your grade, conditioned and warm; its "
    "creep modulus tells how a clamp loosens, not when a root breaks.",
    "wood": "Starts and turns are not in the curve of wood under load, nor are drying, knots, slope of grain and glue.",
    "laminate": "No published curve was found that covers your cloth, resin, lay-up and hole together.",
    "metal": "Published curves are for polished specimens; scratches, threads and fretting decide here.",
    "": "Without a named material there is no curve to look for.",
}
SIGNS = {
    "printed": "white or parted layers at hole and neck, a hole grown oval",
    "sintered": "white marks or cracks at hole and neck, a hole grown oval",
    "moulded": "white marks at the hole and along weld lines, a hole grown oval, a clamp gone loose",
    "wood": "splits along the grain at the root, crushed fibres, opened glue lines, looseness after dry weather",
    "laminate": "parted plies, white marks in glass, dull taps beside hole and neck",
    "metal": "cracks at hole, thread and fillet (dye), fretting dust at the clamp",
    "": "marks and cracks at hole and neck, looseness",
}
WHEN = (
    "at every stop of the proof, after each of the first ten runs, then after every hour of running or every twenty "
    "starts, whichever is first (common practice, no source)"
)
# Madison curve: share of short-term strength in % that wood in bending stands for t seconds, 18.3 + 108.4 t^-0.0464.
# Wood, FPL report 1916 (1951), as quoted in Forests 2021, 12(9), 1148.
MADISON_END, MADISON_SCALE, MADISON_POWER = 18.3, 108.4, 0.0464
TESTED_HOURS = 10.0 * 8766.0  # about as long as such tests ran: nothing is told beyond, from memory


@dataclass(frozen=True)
class FatigueView:
    """Cycles, stress shares and time under load; ``None`` where a part of it is not known.

    ``start_peak_pa`` is the elastic peak at full speed: the range of the cycle that every start makes.
    ``share_of_strength`` is that peak over the allowable tension; ``revolution_share`` the known once-a-revolution
    amplitude over the same. ``hours_under_load`` comes from a published curve, None where there is none.
    ``signs``: what an inspection looks for.
    """

    start_peak_pa: float | None
    share_of_strength: float | None
    revolution_amplitude_pa: float | None
    revolution_share: float | None
    revolutions_per_hour: float
    hours_to_million_revolutions: float
    hours_under_load: float | None
    statement: str
    inspection: str
    signs: str


def fatigue_view(
    speed_rpm: float, peak_pa: float | None, amplitude_pa: float | None, strength_pa: float | None, family: str = ""
) -> FatigueView:
    """The view at a speed in rpm; any of the stresses in Pa may be None when it is not known."""

    def share(stress_pa: float | None) -> float | None:
        return None if stress_pa is None or not strength_pa else stress_pa / strength_pa

    per_hour, level = speed_rpm * 60.0, share(peak_pa)
    hours = wood_hours(level) if family == "wood" and level is not None else None
    signs = SIGNS.get(family, SIGNS[""])
    return FatigueView(
        peak_pa,
        level,
        amplitude_pa,
        share(amplitude_pa),
        per_hour,
        1e6 / per_hour,
        hours,
        _told(family, hours),
        f"Look for {signs}, {WHEN}.",
        signs,
    )


def wood_hours(level: float) -> float | None:
    """Hours that wood stands a load of ``level`` times its short-term strength, by the Madison curve.

    None where the curve is not to be read: beyond about ten years of load, and at or above the strength itself.

    >>> round(wood_hours(0.65))
    36252
    """
    if not 0.0 < level < 1.0:
        return None
    above = 100.0 * level - MADISON_END
    if above <= 0.0:
        return None
    hours = math.exp(math.log(MADISON_SCALE / above) / MADISON_POWER) / 3600.0
    return hours if hours <= TESTED_HOURS else None


def _told(family: str, hours: float | None) -> str:
    reason = REASONS.get(family, REASONS[""])
    if hours is None:
        return NO_LIFE + reason
    return (
        f"Wood under this load breaks after about {hours:,.0f} h all told (Madison curve, Forest Products Laboratory "
        f"report 1916, as quoted in Forests 2021, 12(9), 1148). {reason}"
    )
