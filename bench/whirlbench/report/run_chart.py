"""Chart of one run: slow channels and vibration over time; limits, trips, cautions and plan steps marked and named."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from whirlbench.report.chart_drawing import new_figure
from whirlbench.results.inks import ink
from whirlbench.results.labels import label
from whirlbench.rig.description import Rig
from whirlbench.samples import SLOW_CHANNELS, Run

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

INK, LIMIT, STEP = ink("measured"), ink("over"), ink("faint")
POINTS = 2000  # more would not show on a page
STRIPS = (
    ("rpm", "overspeed_rpm"), ("thrust_n", "thrust_n"), ("current_a", "current_a"),
    ("voltage_v", "minimum_voltage_v"), ("throttle_us", None), ("pitch_deg", None),
)  # fmt: skip
RMS_S = 0.1


def run_figure(run: Run, rig: Rig, title: str) -> Figure:
    """Strips of every channel the run holds, and of vibration; channels that were not recorded are left out."""
    strips = [(name, key) for name, key in STRIPS if run.slow.has(name)]
    shaken = bool(run.vibration.axes())
    figure = new_figure(9.0, 1.3 * (len(strips) + shaken) + 0.8)
    axes = np.atleast_1d(figure.subplots(len(strips) + shaken, 1, sharex=True))
    units = {channel.name: channel.unit for channel in SLOW_CHANNELS}
    for (name, key), strip in zip(strips, axes, strict=False):
        time_s, values = _thinned(run.slow.time_s, run.slow.channel(name))
        strip.plot(time_s, values, color=INK, lw=0.8)
        strip.set_ylabel(f"{name.rsplit('_', 1)[0]}\n({units[name]})")
        _draw_limit(strip, getattr(rig.limits, key) if key else None, values)
    if shaken:
        _draw_vibration(axes[-1], run, rig)
    for strip in axes:
        _mark_events(strip, run)
    _name_events(axes, run)
    axes[0].set_title(title)
    axes[-1].set_xlabel("time in the run (s)")
    return figure


def _thinned(time_s: np.ndarray, values: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Every n-th sample, and always the greatest of each stretch, so that no peak is lost."""
    size = max(1, len(values) // POINTS)
    if size == 1:
        return time_s, values
    count = len(values) // size
    blocks = values[: count * size].reshape(count, size)
    places = np.argmax(np.where(np.isnan(blocks), -np.inf, blocks), axis=1) + size * np.arange(count)
    return time_s[places], values[places]


def _draw_limit(strip: Axes, limit: float | None, values: np.ndarray) -> None:
    """The limit, where it is near enough to what was measured not to flatten the curve."""
    greatest = np.nanmax(np.abs(values)) if np.isfinite(values).any() else 0.0
    if limit is not None and limit < 1.6 * greatest:
        strip.axhline(limit, color=LIMIT, lw=0.9, ls="--")
        is_least = limit < np.nanmin(values)
        strip.annotate(
            f"limit {limit:g}", (0.0, limit), xycoords=("axes fraction", "data"), xytext=(3, 2 if is_least else -2),
            textcoords="offset points", fontsize="x-small", va="bottom" if is_least else "top", color=LIMIT,
        )  # fmt: skip


def _draw_vibration(strip: Axes, run: Run, rig: Rig) -> None:
    size = max(2, round(RMS_S * run.vibration.rate_hz))
    count = len(run.vibration.time_s) // size
    axes = [np.asarray(getattr(run.vibration, name), dtype=float) for name in run.vibration.axes()]
    variance = sum(np.nanvar(axis[: count * size].reshape(count, size), axis=1) for axis in axes)
    rms = np.sqrt(variance)
    strip.plot(run.vibration.time_s[: count * size : size], rms, color=INK, lw=0.8)
    strip.set_ylabel("vibration\n(g rms)")
    _draw_limit(strip, rig.limits.vibration_g_rms, rms)


def _name_events(axes: np.ndarray, run: Run) -> None:
    """Words beside trips, aborts and the first caution of each kind, and the number of each step of the plan.

    Cautions have them on the second strip: they often come just before a trip.
    """
    told: set[str] = set()
    steps = 0
    for event in run.events:
        steps += event.kind == "plan"
        words = {"trip": f"trip: {label(event.name)}", "abort": "abort", "caution": f"caution: {label(event.name)}"}
        text = str(steps) if event.kind == "plan" else words.get(event.kind, "")
        if text and text not in told:
            told.add(text)
            ink_of = STEP if event.kind == "plan" else LIMIT
            strip = axes[min(1, len(axes) - 1)] if event.kind == "caution" else axes[0]
            strip.text(
                event.time_s, 0.97, text, transform=strip.get_xaxis_transform(), fontsize="x-small", color=ink_of,
                rotation=0 if event.kind == "plan" else 90, ha="left" if event.kind == "plan" else "right", va="top",
            )  # fmt: skip


def _mark_events(strip: Axes, run: Run) -> None:
    for event in run.events:
        if event.kind in ("trip", "abort"):
            strip.axvline(event.time_s, color=LIMIT, lw=1.2)
        elif event.kind == "caution":
            strip.axvline(event.time_s, color=LIMIT, lw=0.8, ls=":")
        elif event.kind == "plan":
            strip.axvline(event.time_s, color=STEP, lw=0.5)
        elif event.kind == event.name == "note":
            strip.axvline(event.time_s, color=INK, lw=0.7, ls=":")
