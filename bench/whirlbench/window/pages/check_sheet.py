"""Charts of the check before the spin, as plain data."""

from __future__ import annotations

import numpy as np

from whirlbench.results.chart import Chart, Curve, MarkLine
from whirlbench.window.pages.check_state import CheckState, Profile

MARK_INKS = {"judged": "ink", "proof": "cursor", "overspeed trip": "over"}
SHOWN_USE = 1.6  # of the reserve: beyond, a curve has long failed


def use_sheet(state: CheckState) -> Chart:
    """Share of the reserve in use against speed, one curve a set, the chosen one in full ink."""
    uses = sorted(state.curves(), key=lambda curve: not curve.chosen)
    curves = tuple(
        Curve(curve.rpm, curve.use, curve.label, "measured" if curve.chosen else "faint", dashed=not curve.chosen)
        for curve in uses
    )
    marks = tuple(
        MarkLine(rpm, f"{label} {rpm:.0f}", MARK_INKS.get(label, "ink")) for label, rpm in state.speed_marks()
    )
    limit = MarkLine(1.0, "the reserve asked for is used up", "over", upright=False, dashed=False)
    greatest = max((float(np.nanmax(curve.y)) for curve in curves), default=1.0)
    return Chart(
        "Reserve in use against speed", "rpm", "share", curves, lines=(*marks, limit),
        y_span=(0.0, min(max(1.1, greatest), SHOWN_USE)),
    )  # fmt: skip


def profile_sheet(profile: Profile) -> Chart:
    """Stress along the blade: pull alone, pull and bending together, and what may be asked of the material."""
    radius, total = profile.radius_mm, profile.direct_mpa + profile.bending_mpa
    curves = (
        Curve(radius, profile.direct_mpa, "pull", "model"),
        Curve(radius, total, "pull and bending", "measured"),
    )
    asked = MarkLine(profile.asked_mpa, "allowable with its reserve", "over", upright=False, dashed=False)
    return Chart(
        "Stress along the blade", "radius (mm)", "MPa", curves, lines=(asked,),
        y_span=(0.0, 1.1 * max(profile.asked_mpa, float(np.nanmax(total)))),
    )  # fmt: skip
