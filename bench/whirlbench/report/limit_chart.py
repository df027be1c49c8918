"""Chart of the pitch limits: pitch against rpm, what binds, the modes' ranges and the holds behind it all."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np

from whirlbench.analysis.pitch_limits import PitchLimits, limits_at_speeds
from whirlbench.report.html import new_figure
from whirlbench.rig.description import Rig

if TYPE_CHECKING:
    from matplotlib.axes import Axes

INK, FAINT, SAFE, FORBIDDEN = "#26231d", "#b9b09d", "#4d7358", "#a3231f"
SPEEDS = 31


def draw_limits(limits: PitchLimits, rig: Rig, path: Path) -> None:
    """Writes the chart as an image to ``path``; the ending decides the format."""
    figure = new_figure(9.0, 6.0)
    axes = figure.subplots()
    rows = limits_at_speeds(limits, rig, np.linspace(*_speed_span(limits, rig), SPEEDS))
    _draw_ranges(axes, limits, rows)
    _draw_modes(axes, rig)
    points = limits.propeller.points
    axes.plot(points.rpm, points.pitch_deg, ".", color=INK, label="settled holds")
    axes.set_xlabel("shaft speed (rpm)")
    axes.set_ylabel("blade angle at 0.75 radius (deg)")
    axes.set_title("Permitted pitch; an aid to judgement, approach in stages")
    axes.legend(loc="lower left", frameon=False, fontsize="small")
    figure.savefig(path, dpi=120)


def _speed_span(limits: PitchLimits, rig: Rig) -> tuple[float, float]:
    return limits.rpm_range[0], max(limits.rpm_range[1], *(mode.rpm[1] for mode in rig.modes.values()), 0.0)


def _draw_ranges(axes: Axes, limits: PitchLimits, rows: Any) -> None:
    speeds = np.array([row.rpm for row in rows])
    low, high = limits.pitch_range_deg
    best = np.array([high if row.max_pitch_deg is None else row.max_pitch_deg for row in rows])
    safe = np.array([high if row.max_pitch_deg_95 is None else row.max_pitch_deg_95 for row in rows])
    axes.fill_between(speeds, low, safe, color=SAFE, alpha=0.15, lw=0, label="measured and safe (95 %)")
    axes.fill_between(speeds, safe, best, color=FORBIDDEN, alpha=0.15, lw=0)
    axes.plot(speeds, best, color=FORBIDDEN, lw=1.2, label="best estimate of the limit")
    axes.plot(speeds, safe, color=SAFE, lw=1.6)
    axes.axhline(high, color=FAINT, lw=0.8, ls=":")
    axes.axhline(low, color=FAINT, lw=0.8, ls=":")
    _name_bindings(axes, rows)
    for band in limits.avoid_rpm:
        axes.axvspan(*band, color=FORBIDDEN, alpha=0.08, lw=0)


def _name_bindings(axes: Axes, rows: Any) -> None:
    """Writes what binds once at the middle of each stretch on which it does."""
    stretches: list[tuple[str, list[Any]]] = []
    for row in rows:
        if row.binding and stretches and stretches[-1][0] == row.binding:
            stretches[-1][1].append(row)
        elif row.binding:
            stretches.append((row.binding, [row]))
    for name, members in stretches:
        middle = members[len(members) // 2]
        axes.annotate(
            name, (middle.rpm, middle.max_pitch_deg), xytext=(6, 8), textcoords="offset points", fontsize="small"
        )


def _draw_modes(axes: Axes, rig: Rig) -> None:
    for name, mode in rig.modes.items():
        width, height = mode.rpm[1] - mode.rpm[0], mode.max_pitch_deg - mode.min_pitch_deg
        corner = (mode.rpm[0], mode.min_pitch_deg)
        _rectangle(axes, corner, width, height)
        axes.annotate(name, (mode.rpm[0], mode.max_pitch_deg), xytext=(3, 3), textcoords="offset points", color=INK)


def _rectangle(axes: Axes, corner: tuple[float, float], width: float, height: float) -> None:
    from matplotlib.patches import Rectangle

    axes.add_patch(Rectangle(corner, width, height, fill=False, edgecolor=INK, lw=0.9, ls="--"))
