"""Charts of a strength check: permitted speed by set, reserve against speed, stress along the blade, keep-out plane."""

from __future__ import annotations

import math
from collections.abc import Iterator

import numpy as np

from whirlbench.analysis.strength import PlannedPoint, StrengthCheck
from whirlbench.report.chart_drawing import new_figure, svg_of
from whirlbench.rig.description import Rig

KEEP_OUT_DEG = 15.0  # half-angle drawn on either side of the plane of rotation: common practice, no source
SPAN_COLOURS = ("#3b6ea5", "#c26a2d", "#4f8f5b", "#7a5ba6", "#8a8a8a", "#b0413e")
FIT, NOT_FIT, MARK = "#4f8f5b", "#b0413e", "#333333"


def permitted_chart(check: StrengthCheck, rig: Rig) -> str:
    """Bars of permitted rpm, one a set, with the judged speed and the overspeed trip as lines."""
    figure = new_figure(7.2, 0.9 + 0.55 * len(check.designs))
    axes = figure.add_subplot()
    places = np.arange(len(check.designs))[::-1]
    colours = [FIT if design.passes else NOT_FIT for design in check.designs]
    axes.barh(places, [design.permitted_rpm for design in check.designs], color=colours, height=0.6)
    for place, design in zip(places, check.designs, strict=True):
        text = f" {design.permitted_rpm:.0f} rpm: {design.governed_by}"
        axes.text(design.permitted_rpm * 0.01, place, text, va="center", color="white")
    axes.set_yticks(places, [design.title for design in check.designs])
    axes.axvline(check.speed_rpm, color=MARK, label=f"judged at {check.speed_rpm:.0f} rpm")
    if rig.limits.overspeed_rpm is not None:
        axes.axvline(
            rig.limits.overspeed_rpm, color=MARK, linestyle="--", label=f"overspeed trip {rig.limits.overspeed_rpm:.0f}"
        )
    axes.set_xlabel("permitted speed in rpm")
    axes.grid(axis="y", visible=False)
    figure.legend(loc="outside upper right", ncols=2, frameon=False)
    return svg_of(figure)


def use_chart(check: StrengthCheck) -> str:
    """Share of the reserve in use against speed, one line a set; above 1 the set fails."""
    figure = new_figure()
    axes = figure.add_subplot()
    for colour, design in zip(_colours(len(check.designs)), check.designs, strict=True):
        axes.plot(design.use_rpm, design.use, color=colour, label=design.title)
    axes.axhline(1.0, color=NOT_FIT, linewidth=1.0, label="whole reserve used")
    axes.axvline(check.speed_rpm, color=MARK, linewidth=1.0)
    axes.set_ylim(0.0, min(4.0, 1.1 * max(float(design.use.max()) for design in check.designs)))
    axes.set_xlabel("speed in rpm")
    axes.set_ylabel("share of the reserve in use")
    axes.legend(frameon=False)
    return svg_of(figure)


def section_chart(check: StrengthCheck) -> str | None:
    """Direct and bending stress along the fitted blade, or None when its sections are not known."""
    sections = check.fitted.sections
    if sections is None:
        return None
    figure = new_figure()
    axes = figure.add_subplot()
    direct, bending = sections.direct_pa / 1e6, sections.bending_pa / 1e6
    axes.stackplot(
        sections.radius_m * 1e3, direct, bending, colors=("#9db7d5", "#e0b48f"), labels=("pull", "bending, relieved")
    )
    mode = check.fitted.mode("blade")
    if mode is not None:
        asked = mode.allowable.value_pa / mode.required / 1e6
        axes.axhline(asked, color=NOT_FIT, linewidth=1.0, label=f"allowable over {mode.required:g}")
    axes.set_xlabel("radius in mm")
    axes.set_ylabel("stress in MPa")
    axes.legend(frameon=False)
    return svg_of(figure)


def keep_out_chart(check: StrengthCheck) -> str:
    """The stand from above: the plane of rotation, the sector people stay out of, and the flight along it."""
    figure = new_figure(7.2, 3.6)
    axes = figure.add_subplot()
    reach = check.fitted.fragment.range_with_drag_m or check.fitted.fragment.range_without_drag_m
    along = np.array([-1.0, 0.0, 1.0])
    half = math.tan(math.radians(KEEP_OUT_DEG)) * np.abs(along)
    axes.fill_between(
        along,
        -half,
        half,
        color=NOT_FIT,
        alpha=0.25,
        label=f"keep out: {KEEP_OUT_DEG:g} degrees either side (common practice, no source)",
    )
    axes.axhline(0.0, color=NOT_FIT, label="plane of rotation")
    axes.annotate("", (0.0, 0.32), (0.0, -0.32), arrowprops={"arrowstyle": "-|>", "color": MARK})
    axes.text(0.02, 0.32, "shaft, thrust this way", va="center")
    axes.text(0.0, -0.39, "operator and isolating switch behind the stand, outside the band", ha="center", va="center")
    words = f"a blade leaves at {check.fitted.fragment.whole.speed_m_s:.0f} m/s,\n to about {reach:.0f} m"
    axes.text(-0.6, 0.06, words, ha="center", color=NOT_FIT)
    axes.set_xlim(-1.0, 1.0)
    axes.set_ylim(-0.45, 0.45)
    axes.set_xticks([-1.0, 0.0, 1.0], [f"{reach:.0f} m", "shaft", f"{reach:.0f} m"])
    axes.set_yticks([])
    axes.grid(visible=False)
    axes.set_title("the stand from above")
    figure.legend(loc="outside lower right", ncols=2, frameon=False)
    return svg_of(figure)


def planning_chart(check: StrengthCheck) -> str | None:
    """Thrust and shaft power against rpm at each planned blade angle, with their uncertainty; None without figures."""
    if not check.planning:
        return None
    figure = new_figure(7.2, 3.2)
    thrust, power = figure.subplots(1, 2)
    for colour, (pitch_deg, points) in zip(SPAN_COLOURS * 3, _by_pitch(check.planning), strict=False):
        rpm = [point.rpm for point in points]
        thrust.plot(rpm, [point.thrust_n for point in points], color=colour, label=f"{pitch_deg:g} deg")
        thrust.fill_between(
            rpm, *zip(*(point.thrust_range_n for point in points), strict=True), color=colour, alpha=0.12
        )
        power.plot(rpm, [point.power_w for point in points], color=colour)
        power.fill_between(rpm, *zip(*(point.power_range_w for point in points), strict=True), color=colour, alpha=0.12)
    thrust.set_ylabel("thrust in N")
    power.set_ylabel("shaft power in W")
    for axes in (thrust, power):
        axes.set_xlabel("speed in rpm")
    thrust.legend(frameon=False)
    return svg_of(figure)


def _by_pitch(points: tuple[PlannedPoint, ...]) -> Iterator[tuple[float, list[PlannedPoint]]]:
    for pitch_deg in sorted({point.pitch_deg for point in points}):
        yield pitch_deg, [point for point in points if point.pitch_deg == pitch_deg]


def _colours(count: int) -> list[str]:
    return [SPAN_COLOURS[index % len(SPAN_COLOURS)] for index in range(count)]
