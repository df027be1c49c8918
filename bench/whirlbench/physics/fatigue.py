"""How often a root is loaded, and how hard, set beside its strength; no life is promised.

One start loads the root once from nothing to its full stress; every revolution adds whatever alternates with it.
"""

from __future__ import annotations

from dataclasses import dataclass

STATEMENT = (
    "No life is predicted. For printed polymers no published curve of stress against cycles was found that covers your "
    "material, layer direction, temperature and moisture together, and scatter between printers is larger than any "
    "margin that could be read from one. Unknown too: cracks that begin at layer lines or at the hole's edge, creep "
    "under a steady pull, wear of the hole by the pin, and what alternates once a revolution in gusts or near the "
    "ground. Count starts and hours, inspect hole and neck at every stop, retire a set on a schedule of your own."
)


@dataclass(frozen=True)
class FatigueView:
    """Cycles and stress shares; ``None`` where a part of it is not known.

    ``start_peak_pa`` is the elastic peak at full speed: the range of the cycle that every start makes.
    ``share_of_strength`` is that peak over the allowable tension; ``revolution_share`` the known once-a-revolution
    amplitude over the same.
    """

    start_peak_pa: float | None
    share_of_strength: float | None
    revolution_amplitude_pa: float | None
    revolution_share: float | None
    revolutions_per_hour: float
    hours_to_million_revolutions: float
    statement: str = STATEMENT


def fatigue_view(
    speed_rpm: float, peak_pa: float | None, amplitude_pa: float | None, strength_pa: float | None
) -> FatigueView:
    """The view at a speed in rpm; any of the stresses in Pa may be None when it is not known."""

    def share(stress_pa: float | None) -> float | None:
        return None if stress_pa is None or not strength_pa else stress_pa / strength_pa

    per_hour = speed_rpm * 60.0
    return FatigueView(peak_pa, share(peak_pa), amplitude_pa, share(amplitude_pa), per_hour, 1e6 / per_hour)
