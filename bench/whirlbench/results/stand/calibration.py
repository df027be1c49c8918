"""A calibration in words: the figures with their standard errors, each point with what is left over, and a chart."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from typing import Any

import numpy as np

from whirlbench.calibration.axis_fit import AxisFit
from whirlbench.calibration.line_fit import BENT_SHARE, LineFit
from whirlbench.calibration.pitch_fit import GaugeReading, PitchFit
from whirlbench.calibration.tach_fit import TachFit
from whirlbench.calibration.throttle_ends import ThrottleEnds
from whirlbench.calibration.transmitter_fit import TransmitterFit
from whirlbench.results.answer import Answer, Column, Level, NotJudged, Remark, Table, figure, fixed, span, with_error
from whirlbench.results.chart import Chart, Curve, MarkLine
from whirlbench.results.labels import label
from whirlbench.rig.description import Calibration

SUBJECT = "calibration"
FIGURE_COLUMNS = (Column("quantity", figures=False), Column("value ± standard error"))
BEYOND_SPAN = "readings beyond the span are the line prolonged, not calibrated, and are marked so"
OTHER_GAIN = 1.5  # times the gain that the rig had: another sensor, or a mistake; judgement, no source
OTHER_UNIT = "another sensor, or values in another unit (kilograms for newtons are 0.102 times), or columns exchanged"
PROPELLER_OFF = "end points are found with the propeller off; the blades go on after the trips were tried"


def line_answer(fit: LineFit, channel: str, before: Calibration | None = None) -> Answer:
    """A straight line: zero, gain, hysteresis, and the residual of every point; ``before``: what the rig had so far."""
    low, high = fit.span
    name = label(channel)
    return Answer(
        SUBJECT,
        f"{name}: 1 {fit.unit} is {with_error(fit.slope, abs(fit.slope) * fit.stderr_gain_pct / 100.0)} counts, one "
        f"reading ± {figure(fit.residual, 2)} {fit.unit}, from {span(low, high)} {fit.unit}",
        tables=(_line_figures(fit), _line_points(fit)),
        charts=(_residual_chart(fit, name),),
        remarks=tuple(_line_remarks(fit, before)),
        not_judged=tuple(_line_open(fit)),
        document={
            "channel": channel,
            "unit": fit.unit,
            "zero_counts": fit.zero_counts,
            "units_per_count": fit.units_per_count,
            "stderr": {"zero": fit.stderr_zero, "gain_pct": fit.stderr_gain_pct},
            "residual": fit.residual,
            "hysteresis": fit.hysteresis,
            "span": fit.span,
            "residuals": fit.residuals,
        },
    )


def _line_figures(fit: LineFit) -> Table:
    error_zero = fit.stderr_zero * abs(fit.slope)
    rows = (
        ("counts at zero", with_error(fit.zero_counts, error_zero)),
        (f"{fit.unit} a count", with_error(fit.units_per_count, abs(fit.units_per_count) * fit.stderr_gain_pct / 100)),
        (f"hysteresis, {fit.unit}", figure(fit.hysteresis, 3)),
        (f"standard uncertainty of one reading, {fit.unit}", figure(fit.residual, 2)),
    )
    return Table("figures", "The line", FIGURE_COLUMNS, rows)


def _line_points(fit: LineFit) -> Table:
    columns = (Column("point"), Column("known", fit.unit), Column("read", "counts"), Column("left over", fit.unit))
    points = zip(fit.series.values, fit.series.counts, fit.residuals, strict=True)
    rows = tuple(
        (str(number), figure(value, 6), fixed(counts, 1), figure(left, 2))
        for number, (value, counts, left) in enumerate(points, start=1)
    )
    return Table("points", "Points, in the order in which they were taken", columns, rows)


def _residual_chart(fit: LineFit, name: str) -> Chart:
    up = fit.series.going_up()
    ways = ((up, "going up", "ink"), (~up, "going down", "model"))
    curves = tuple(
        Curve(fit.series.values[way], fit.residuals[way], text, ink, dots=True) for way, text, ink in ways if way.any()
    )
    return Chart(
        f"{name}: what is left over",
        f"known, {fit.unit}",
        f"read less known, {fit.unit}",
        curves=curves,
        lines=(MarkLine(0.0, upright=False),),
        key="residuals",
        caption="Scatter about zero is as it should be; a bow: the sensor is not straight; two branches: hysteresis.",
    )


def _line_remarks(fit: LineFit, before: Calibration | None) -> Iterator[Remark]:
    yield Remark(Level.NOTE, BEYOND_SPAN)
    times = fit.units_per_count / before.units_per_count if before is not None and before.units_per_count else 1.0
    if not 1.0 / OTHER_GAIN < times < OTHER_GAIN:
        yield Remark(Level.CAUTION, f"a count is now worth {times:.3g} times what the rig had so far: {OTHER_UNIT}")
    if fit.departure > BENT_SHARE:
        yield Remark(
            Level.CAUTION,
            f"a point lies {fit.departure * 100:.1f} % of the span from the line: the sensor is not straight",
        )


def _line_open(fit: LineFit) -> Iterator[NotJudged]:
    if fit.hysteresis is None:
        yield NotJudged("hysteresis", "the points went one way only; go up and down through the same values")


def pitch_answer(fit: PitchFit, readings: Sequence[GaugeReading]) -> Answer:
    """The pitch table, the play, and where each reading lies."""
    low, high = fit.table[0], fit.table[-1]
    play = (
        "play not known"
        if fit.play_deg is None
        else f"play {with_error(fit.play_deg, fit.play_stderr_deg or np.nan)} deg"
    )
    columns = (Column("pulse", "µs"), Column("blade angle", "deg"))
    rows = tuple((fixed(pulse, 0), fixed(angle, 2)) for pulse, angle in fit.table)
    return Answer(
        SUBJECT,
        f"blade angle: {low[1]:.1f} deg at {low[0]:.0f} µs to {high[1]:.1f} deg at {high[0]:.0f} µs, {play}, "
        f"true angle ± {fit.stderr_deg:.2f} deg",
        tables=(Table("table", "Blade angle at 0.75 radius, the middle between both sides", columns, rows),),
        charts=(_pitch_chart(fit, readings),),
        not_judged=_pitch_open(fit),
        document={
            "table": fit.table,
            "play_deg": fit.play_deg,
            "stderr": {"deg": fit.stderr_deg, "play_deg": fit.play_stderr_deg},
        },
    )


def _pitch_open(fit: PitchFit) -> tuple[NotJudged, ...]:
    why = "no pulse was read from both sides; reach the same pulses from below and from above"
    return (NotJudged("play of the linkage", why),) if fit.play_deg is None else ()


def _pitch_chart(fit: PitchFit, readings: Sequence[GaugeReading]) -> Chart:
    pulses, angles = np.asarray(fit.table, dtype=float).T
    curves = [Curve(pulses, angles, "table")]
    for from_below, text, ink in ((True, "reached from below", "ink"), (False, "reached from above", "model")):
        dots = np.array([(one.pulse_us, one.angle_deg) for one in readings if one.from_below is from_below])
        if len(dots):
            curves.append(Curve(dots[:, 0], dots[:, 1], text, ink, dots=True))
    caption = (
        "the gap between the two kinds of points is the play; where the line lies flat the servo stands at its stop"
    )
    return Chart("Blade angle", "servo pulse, µs", "blade angle, deg", tuple(curves), key="pitch", caption=caption)


def axis_answer(fit: AxisFit) -> Answer:
    """The accelerometer's scale."""
    rows = tuple((label(axis), f"{scale:.5f}", fixed(fit.zero_counts[axis], 1)) for axis, scale in fit.axes.items())
    columns = (Column("axis", figures=False), Column("scale", "g a count"), Column("zero", "counts"))
    missing = [axis for axis in ("ax_g", "ay_g", "az_g") if axis not in fit.axes]
    return Answer(
        SUBJECT,
        f"accelerometer: {fit.g_per_count:.5f} g a count; the axes differ by {fit.spread_pct:.1f} %",
        tables=(Table("axes", "Scale of each axis, from gravity up and down", columns, rows),),
        remarks=(Remark(Level.NOTE, "the least sensitive axis sets the scale: vibration never shows too small"),),
        not_judged=tuple(NotJudged(label(axis), "it was not read up and down") for axis in missing),
        document={
            "g_per_count": fit.g_per_count,
            "axes": fit.axes,
            "zero_counts": fit.zero_counts,
            "stderr": {"pct": fit.stderr_pct},
        },
    )


def throttle_answer(ends: ThrottleEnds) -> Answer:
    """The end points of the throttle."""
    full = f"full from {ends.full_us:.0f} µs" if ends.full_reached else f"speed still rises at {ends.full_us:.0f} µs"
    why = "the speed still rose at the end of the sweep: sweep further, or teach the controller a shorter travel"
    return Answer(
        SUBJECT,
        f"throttle: safe up to {ends.safe_us:.0f} µs, turns from {ends.first_us:.0f} µs, {full}",
        remarks=(Remark(Level.CAUTION, PROPELLER_OFF),),
        not_judged=() if ends.full_reached else (NotJudged("full throttle", why),),
        document={
            "safe_us": ends.safe_us,
            "min_us": ends.first_us,
            "max_us": ends.full_us,
            "full_reached": ends.full_reached,
        },
    )


def tach_answer(fit: TachFit) -> Answer:
    """Marks a turn, and the correction of the clock."""
    return _figures_answer(
        f"tach: {fit.pulses_per_rev} mark{'s' * (fit.pulses_per_rev > 1)} a turn, speed × "
        f"{fit.clock_correction:.5f} ± {fit.stderr:.1g}",
        {
            "pulses_per_rev": fit.pulses_per_rev,
            "clock_correction": fit.clock_correction,
            "stderr": {"clock_correction": fit.stderr},
        },
    )


def transmitter_answer(fit: TransmitterFit) -> Answer:
    """The transmitter's scale."""
    return _figures_answer(
        f"transmitter: 0 % is {with_error(fit.middle_us, fit.stderr_middle_us)} µs, 100 % is "
        f"{with_error(fit.full_travel_us, fit.stderr_full_us)} µs more or less",
        {
            "middle_us": fit.middle_us,
            "full_travel_us": fit.full_travel_us,
            "stderr": {"middle_us": fit.stderr_middle_us, "full_travel_us": fit.stderr_full_us},
        },
    )


def _figures_answer(headline: str, document: Mapping[str, Any]) -> Answer:
    return Answer(SUBJECT, headline, document=document)
