"""One page to print and take to the field: servo end points for each lever position."""

from __future__ import annotations

from collections.abc import Sequence

from whirlbench.analysis.pitch_limits import ModeEndPoints, PitchLimits
from whirlbench.report.html import render
from whirlbench.rig.description import Rig

CAUTIONS = (
    "Set the end points with the motor unplugged, and look at the blades while the lever moves.",
    "The figures hold for this propeller, this pack and the air they were measured in.",
    "Try each mode tied down, behind a guard, out of the plane of rotation, the isolating switch in reach.",
    "Local codes and the site's rules come first; these figures are an aid to judgement, not a licence.",
)


def field_page(limits: PitchLimits, modes: Sequence[ModeEndPoints], rig: Rig) -> str:
    """The page as self-contained HTML."""
    low, high = limits.pitch_range_deg
    return render(
        "field_page.html",
        rig=rig,
        modes=modes,
        rows=limits.limits,
        measured=f"{low:.1f} to {high:.1f} deg, {limits.rpm_range[0]:.0f} to {limits.rpm_range[1]:.0f} rpm",
        density=limits.propeller.density_kg_m3,
        cautions=CAUTIONS,
    )
