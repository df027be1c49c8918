"""Charts of a strength check as plain data: permitted speeds, reserve in use, margins, stress, keep-out sector."""

from __future__ import annotations

import math
from collections.abc import Iterator

import numpy as np

from whirlbench.analysis.strength import DesignCheck, ModeResult, PlannedPoint, StrengthCheck
from whirlbench.results.chart import Band, Box, Caption, Chart, Curve, MarkLine, Span
from whirlbench.results.check.root_drawing import root_drawing
from whirlbench.rig.description import Rig
from whirlbench.safety.margins import Margin

KEEP_OUT_DEG = 15.0  # half-angle drawn on either side of the plane of rotation: common practice, no source
SHOWN_USE = 1.6  # of the reserve: beyond, a curve has long failed
SHOWN_MARGIN = 1.2
CLOSE_SHARE = 0.8  # of a limit: common practice, no source
BAR_HALF = 0.38
ESTIMATE = "Expected, with its uncertainty as a band: an estimate until it is measured."
OTHER_INKS = ("model", "second", "cursor", "close", "calm")


def check_charts(check: StrengthCheck, rig: Rig, design: DesignCheck) -> Iterator[Chart]:
    """All charts; ``design`` is the set that is told in detail."""
    yield permitted_chart(check, rig)
    yield split_chart(design)
    root = rig.blade_sets[design.name].root
    if root is not None:
        yield root_drawing(root, design.title)
    yield use_chart(check, rig, design)
    yield margins_chart(check, design)
    if any(each.sections is not None for each in check.designs):
        yield profile_chart(design)
    yield keep_out_chart(design)
    if check.planning:
        thrust = {"key": "planned thrust", "y_label": "thrust (N)"}
        power = {"key": "planned power", "y_label": "shaft power (W)"}
        yield _planning_chart(check.planning, "thrust_n", "thrust_range_n", **thrust)
        yield _planning_chart(check.planning, "power_w", "power_range_w", **power)


def permitted_chart(check: StrengthCheck, rig: Rig) -> Chart:
    """Bars of the speed to act on, one a set, with the band of drawn blades, the judged speed and the trip."""
    bars = []
    for design, across in zip(check.designs, bar_places(len(check.designs)), strict=True):
        fit, ink = ("", "calm") if design.passes else ("NOT FIT, ", "over")
        text = f"{design.title}: {fit}{design.permitted_rpm:.0f} rpm, {design.governed_by}"
        bars.append(Box((0.0, design.permitted_rpm), across, text, ink, filled=True))
        low, _, high = design.chance.permitted_rpm
        if math.isfinite(high - low):
            band = (across[0], across[0] + 0.25 * (across[1] - across[0]))
            bars.append(Box((low, high), band, "", "ink"))
    marks = [MarkLine(check.speed_rpm, f"judged at {check.speed_rpm:.0f}", "ink", dashed=False), *trip_line(rig)]
    widest = max([bar.x[1] for bar in bars] + [mark.at for mark in marks])
    return Chart(
        "Permitted speed of each blade set", "permitted speed (rpm)", "", boxes=tuple(bars), lines=tuple(marks),
        x_span=(0.0, 1.05 * widest), y_span=(0.0, float(len(check.designs))), y_figures=False, key="permitted",
        caption="Bars: what nineteen of twenty blades stand. Outlined: 5 to 95 % of the blades drawn.",
    )  # fmt: skip


def split_chart(design: DesignCheck) -> Chart:
    """Which inputs the spread of the permitted speed comes from, as bars: what to improve first."""
    split = design.chance.split
    bars = [
        Box((0.0, 100.0 * share), across, f"{in_words(name)}, {share:.0%}", "model", filled=True)
        for (name, share), across in zip(split.items(), bar_places(len(split)), strict=True)
    ]
    title = f"{design.title}: what to measure or make better first"
    return Chart(
        title if bars else f"{title}: nothing scatters", "share of the spread of the permitted speed (%)", "",
        boxes=tuple(bars), x_span=(0.0, 100.0), y_span=(0.0, float(max(len(bars), 1))), y_figures=False, key="split",
        caption="First-order shares of variance; what inputs do together is in none of them.",
    )  # fmt: skip


def in_words(name: str) -> str:
    """An input of the spread as a reader says it: a rig's key without its unit, a material's key as words."""
    return name.removesuffix("_m").replace("_mpa", "").replace("_", " ").replace(" no layers", "")


def bar_places(count: int) -> list[Span]:
    """From where to where each of ``count`` bars stands, from the top down."""
    return [(count - number - 0.5 - BAR_HALF, count - number - 0.5 + BAR_HALF) for number in range(count)]


def trip_line(rig: Rig) -> Iterator[MarkLine]:
    """The overspeed trip, where the rig sets one."""
    limit = rig.limits.overspeed_rpm
    if limit is not None:
        yield MarkLine(limit, f"overspeed trip {limit:.0f}", "over")


def use_chart(check: StrengthCheck, rig: Rig, chosen: DesignCheck) -> Chart:
    """Share of the reserve in use against speed, one curve a set, the chosen one first and in full ink."""
    others = [design for design in check.designs if design.name != chosen.name]
    curves = [Curve(chosen.use_rpm, chosen.use, chosen.title, "measured")]
    for number, design in enumerate(others):
        ink = OTHER_INKS[number % len(OTHER_INKS)]
        curves.append(Curve(design.use_rpm, design.use, design.title, ink, dashed=True))
    proof = [MarkLine(check.plan.proof_rpm, f"proof {check.plan.proof_rpm:.0f}", "cursor")] if check.plan.stages else []
    marks = (
        MarkLine(check.speed_rpm, f"judged {check.speed_rpm:.0f}", "ink"),
        *proof,
        *trip_line(rig),
        MarkLine(1.0, "the reserve asked for is used up", "over", upright=False, dashed=False),
    )
    greatest = max(float(np.nanmax(curve.y)) for curve in curves)
    return Chart(
        "Reserve in use against speed", "speed (rpm)", "share", tuple(curves), lines=marks,
        y_span=(0.0, min(max(1.1, greatest), SHOWN_USE)), key="use",
        caption="Where a curve meets the line, that set has no reserve left of what was asked.",
    )  # fmt: skip


def margins(check: StrengthCheck, design: DesignCheck) -> tuple[Margin, ...]:
    """Stresses, servo and tip Mach of a set as shares of what is permitted, fullest first."""
    found = [_mode_margin(mode) for mode in design.modes if mode.judged]
    if design.servo is not None:
        found.append(_margin("pitch servo torque", "N m", design.servo.servo_torque_n_m, design.servo.available_n_m))
    if check.tip_mach_limit is not None:
        found.append(_margin("tip Mach", "", check.tip_mach, check.tip_mach_limit))
    return tuple(sorted(found, key=lambda margin: -margin.share))


def _mode_margin(mode: ModeResult) -> Margin:
    """Stress against the allowable with the reserve asked of it taken off."""
    return _margin(mode.name, "MPa", mode.stress_pa / 1e6, mode.allowable.value_pa / mode.required / 1e6)


def _margin(name: str, unit: str, value: float, limit: float) -> Margin:
    return Margin(name, unit, value, limit, value / limit)


def margins_chart(check: StrengthCheck, design: DesignCheck) -> Chart:
    """The margins of a set as bars, fullest on top, with what is permitted as a line."""
    found = margins(check, design)
    bars = tuple(_margin_bar(*each) for each in zip(found, bar_places(len(found)), strict=True))
    return Chart(
        f"Shares of what is permitted: {design.title}", "share in use", "", boxes=bars,
        lines=(MarkLine(1.0, "permitted", "over", dashed=False),),
        x_span=(0.0, SHOWN_MARGIN), y_span=(0.0, float(max(len(bars), 1))), y_figures=False, key="margins",
        caption="The longest bar is nearest to what is permitted.",
    )  # fmt: skip


def _margin_bar(margin: Margin, across: Span) -> Box:
    text = f"{margin.label}: {margin.value:.3g} of {margin.limit:.3g} {margin.unit}".rstrip()
    ink = "over" if not margin.share < 1.0 else "close" if margin.share >= CLOSE_SHARE else "calm"
    return Box((0.0, min(margin.share, SHOWN_MARGIN)), across, f"{text}, {margin.share:.0%}", ink, filled=True)


def profile_chart(design: DesignCheck) -> Chart:
    """Stress along the blade: pull alone, pull and bending together, and what may be asked.

    A set without sections among others that have them keeps the chart's place, which then says that it is not judged.
    """
    title, sections, mode = f"Stress along the blade: {design.title}", design.sections, design.mode("blade")
    if sections is None or mode is None:
        why = "Not judged: the rig gives mass and centre of this set only, no sections."
        return Chart(title, "radius (mm)", "stress (MPa)", key="profile", caption=why)
    radius_mm, direct = sections.radius_m * 1e3, sections.direct_pa / 1e6
    total, asked = direct + sections.bending_pa / 1e6, mode.allowable.value_pa / mode.required / 1e6
    return Chart(
        title, "radius (mm)", "stress (MPa)",
        (Curve(radius_mm, direct, "pull", "model"), Curve(radius_mm, total, "pull and bending, relieved", "measured")),
        lines=(MarkLine(asked, f"allowable over {mode.required:g}", "over", upright=False, dashed=False),),
        y_span=(0.0, 1.1 * max(asked, float(np.nanmax(total)))), key="profile",
        caption="Bending is what the pull leaves of it; the root has its own ways to fail.",
    )  # fmt: skip


def keep_out_chart(design: DesignCheck) -> Chart:
    """The stand from above: the plane of rotation, the sector people stay out of, and how far a blade would fly."""
    view = design.fragment
    reach = view.range_without_drag_m if view.range_with_drag_m is None else view.range_with_drag_m
    along = np.array([-reach, 0.0, reach])
    half = math.tan(math.radians(KEEP_OUT_DEG)) * np.abs(along)
    sector = f"keep out: {KEEP_OUT_DEG:g} degrees either side (common practice, no source)"
    flight = f"a blade leaves at {view.whole.speed_m_s:.0f} m/s, to about {reach:.0f} m"
    return Chart(
        "The stand from above", "along the plane of rotation (m)", "ahead of the propeller (m)",
        curves=(Curve(np.zeros(2), np.array([-0.33, 0.33]) * reach, "shaft, thrust upwards"),),
        bands=(Band(along, -half, half, "over", sector),),
        lines=(MarkLine(0.0, "plane of rotation", "over", upright=False, dashed=False),),
        captions=(
            Caption(-0.95 * reach, 0.1 * reach, flight, "over"),
            Caption(-0.95 * reach, -0.42 * reach, "operator and isolating switch behind the stand, outside the sector"),
        ),
        x_span=(-reach, reach), y_span=(-0.45 * reach, 0.45 * reach), key="keep out",
        caption="Nobody stands in the plane of rotation, whatever the guard.",
    )  # fmt: skip


SOLID_CURVES = 3  # of those in one chart; the inks of the others are near to these, their pens are not


def _planning_chart(points: tuple[PlannedPoint, ...], value: str, ends: str, key: str, y_label: str) -> Chart:
    """``value`` against speed at each planned blade angle, with its uncertainty as a band."""
    curves, bands = [], []
    for number, pitch_deg in enumerate(sorted({point.pitch_deg for point in points})):
        chosen = [point for point in points if point.pitch_deg == pitch_deg]
        ink = ("measured", *OTHER_INKS)[number % (1 + len(OTHER_INKS))]
        rpm = np.array([point.rpm for point in chosen])
        low, high = np.array([getattr(point, ends) for point in chosen]).T
        values = np.array([getattr(point, value) for point in chosen])
        curves.append(Curve(rpm, values, f"{pitch_deg:g} deg", ink, dashed=number >= SOLID_CURVES))
        bands.append(Band(rpm, low, high, ink))
    title = f"{y_label.split(' (')[0].capitalize()} to expect"
    return Chart(title, "speed (rpm)", y_label, tuple(curves), tuple(bands), key=key, caption=ESTIMATE)
