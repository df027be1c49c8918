"""Charts of the speed loop's study, as the sheets that the window draws."""

from __future__ import annotations

from whirlbench.results.chart import Band, Chart, Curve
from whirlbench.window.pages.tune_state import Chart as TuneChart

MODEL_INKS = ("model", "second", "cursor")


def chart_sheet(chart: TuneChart) -> Chart:
    """``chart`` with measured curves in one ink, models in others, and its band as a wash."""
    inks = iter(MODEL_INKS)
    curves = tuple(
        Curve(line.x, line.y, line.label, "measured" if line.measured else next(inks, "ink")) for line in chart.lines
    )
    bands = () if chart.band is None else (Band(*chart.band, "model", "uncertainty"),)
    return Chart(chart.title, chart.x_label, chart.y_label, curves, bands, logarithmic=chart.logarithmic)
