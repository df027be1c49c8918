"""Charts of the speed loop's study, as the sheets that the window draws."""

from __future__ import annotations

from bench.window.sheet_state import Sheet, Stroke, Wash
from bench.window.tune_state import Chart

MODEL_INKS = ("model", "second", "cursor")


def chart_sheet(chart: Chart) -> Sheet:
    """``chart`` with measured curves in one ink, models in others, and its band as a wash."""
    inks = iter(MODEL_INKS)
    strokes = tuple(
        Stroke(line.x, line.y, line.label, "measured" if line.measured else next(inks, "ink")) for line in chart.lines
    )
    washes = () if chart.band is None else (Wash(*chart.band, "model", "uncertainty"),)
    return Sheet(chart.title, chart.x_label, chart.y_label, strokes, washes, logarithmic=chart.logarithmic)
