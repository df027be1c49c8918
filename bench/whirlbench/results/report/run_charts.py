"""Charts of a run over time, as data: each channel with its limit, and trips, aborts, cautions and steps marked."""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np

from whirlbench.results.answer import Answer, Level, Remark, not_judged
from whirlbench.results.chart import Chart, Curve, MarkLine
from whirlbench.results.figures.readings import prolonged_remarks, reading_words
from whirlbench.results.labels import label
from whirlbench.rig.description import Rig
from whirlbench.samples import SLOW_CHANNELS, Run

SUBJECT = "course of the run"
POINTS = 1500  # places over time; more would not show on a page
RMS_S = 0.1
NEAR = 1.6  # a limit further off than this many times the greatest reading would flatten the curve
LIMIT_OF = {"rpm": "overspeed_rpm", "thrust_n": "thrust_n", "current_a": "current_a", "voltage_v": "minimum_voltage_v"}
MARKS = {"trip": "trip: {}", "abort": "abort", "caution": "caution: {}"}
MOST_MARKS = 12
EACH = "Each point is the greatest reading of its moment, so that no peak is lost; uprights mark trips and cautions."


def course_answer(run: Run, rig: Rig | None) -> Answer:
    """The charts of ``run``; not judged when nothing was recorded."""
    charts = tuple(_charts(run, rig))
    if not charts:
        return not_judged(SUBJECT, "the recording holds no channel")
    peaks = [
        f"{label(name)} up to {reading_words(rig, name, float(np.nanmax(run.slow.channel(name))), unit)}"
        for name, unit, _ in SLOW_CHANNELS
        if name in LIMIT_OF and name != "voltage_v" and run.slow.has(name)
    ]
    lasted = f"{run.duration_s():.1f} s recorded"
    return Answer(SUBJECT, ", ".join((lasted, *peaks)), charts=charts, remarks=tuple(_remarks(run, rig)))


def _remarks(run: Run, rig: Rig | None) -> Iterator[Remark]:
    yield from prolonged_remarks(run, rig)
    for one in run.slow.extra:
        unit = f" in {one.unit}" if one.unit else ""
        yield Remark(Level.NOTE, f"extra channel{unit}, drawn and not judged: {one.description}")


def _charts(run: Run, rig: Rig | None) -> Iterator[Chart]:
    lines = _marks(run)
    for name, unit, _ in SLOW_CHANNELS:
        if run.slow.has(name) and not _never_asked(run, name):
            limit = getattr(rig.limits, LIMIT_OF[name], None) if rig and name in LIMIT_OF else None
            yield _chart(name, label(name), unit, run.slow.time_s, run.slow.channel(name), limit, lines)
    for one in run.slow.extra:
        yield _chart(f"extra {one.name}", one.description, one.unit or "–", run.slow.time_s, one.values, None, lines)
    shaken = vibration_rms(run)
    if shaken is not None:
        yield _chart(
            "vibration", "vibration, all axes", "g rms", *shaken, rig.limits.vibration_g_rms if rig else None, lines
        )


def _never_asked(run: Run, name: str) -> bool:
    """Whether ``name`` is the requested speed of a run without any: its zeros are no request for rest."""
    return name == "speed_request_rpm" and not np.nanmax(run.slow.channel(name)) > 0.0


def _chart(
    key: str,
    title: str,
    unit: str,
    time_s: np.ndarray,
    values: np.ndarray,
    limit: float | None,
    lines: tuple[MarkLine, ...],
) -> Chart:
    time_s, values = thinned(time_s, values)
    greatest = float(np.nanmax(np.abs(values))) if np.isfinite(values).any() else 0.0
    shown = limit is not None and limit < NEAR * greatest
    marks = (
        (*lines, MarkLine(limit, f"limit {limit:g} {unit}", "over", upright=False))
        if shown and limit is not None
        else lines
    )
    curve = Curve(time_s, values, ink="measured")
    said = EACH if key == "rpm" else ""
    return Chart(title, "time in the run, s", f"{title}, {unit}", (curve,), lines=marks, key=f"run {key}", caption=said)


def _marks(run: Run) -> tuple[MarkLine, ...]:
    """Trips and aborts, then the first cautions, as upright lines with their words."""
    told = [event for event in run.events if event.kind in MARKS]
    told.sort(key=lambda event: event.kind == "caution")
    return tuple(
        MarkLine(
            event.time_s, MARKS[event.kind].format(label(event.name)), "caution" if event.kind == "caution" else "over"
        )
        for event in told[:MOST_MARKS]
    )


def thinned(time_s: np.ndarray, values: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Every n-th sample, and always the greatest of each stretch: ``(POINTS,)`` at most."""
    size = -(-len(values) // POINTS)
    if size <= 1:
        return time_s, np.asarray(values, dtype=float)
    count = len(values) // size
    blocks = values[: count * size].reshape(count, size)
    places = np.argmax(np.where(np.isnan(blocks), -np.inf, blocks), axis=1) + size * np.arange(count)
    return time_s[places], np.asarray(values, dtype=float)[places]


def vibration_rms(run: Run) -> tuple[np.ndarray, np.ndarray] | None:
    """(times in s, rms over all axes in g, about its mean, of each tenth of a second); None without any."""
    axes = run.vibration.axes()
    if not axes or run.vibration.rate_hz <= 0.0:
        return None
    size = max(2, round(RMS_S * run.vibration.rate_hz))
    count = len(run.vibration.time_s) // size
    if not count:
        return None
    squares = np.zeros(count)
    for name in axes:
        squares += np.var(np.asarray(getattr(run.vibration, name)[: count * size]).reshape(count, size), axis=1)
    return run.vibration.time_s[: count * size : size], np.sqrt(squares)
