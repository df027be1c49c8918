"""The charts of a speed-loop study on one sheet."""

from __future__ import annotations

import math
from pathlib import Path
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from whirlbench.window.pages.tune_state import Chart, TuneState

COLUMNS = 3
MEASURED, MODEL = "#1b4965", "#c05621"


def draw_tune(state: TuneState, path: Path) -> None:
    """Writes every chart of ``state`` to ``path`` as PNG (or what its ending says)."""
    from matplotlib.figure import Figure

    rows = max(1, math.ceil(len(state.charts) / COLUMNS))
    figure = Figure(figsize=(5.0 * COLUMNS, 3.2 * rows), layout="constrained")
    for number, chart in enumerate(state.charts):
        _draw(figure.add_subplot(rows, COLUMNS, number + 1), chart)
    figure.suptitle(state.heading)
    figure.savefig(path, dpi=110)


def _draw(axes: Any, chart: Chart) -> None:
    if chart.band is not None:
        axes.fill_between(*chart.band, color=MODEL, alpha=0.2, linewidth=0)
    for line in chart.lines:
        colour, width = (MEASURED, 1.6) if line.measured else (MODEL, 1.0)
        axes.plot(line.x, line.y, color=colour, linewidth=width, label=line.label)
    if chart.logarithmic:
        axes.set_xscale("log")
    axes.set(title=chart.title, xlabel=chart.x_label, ylabel=chart.y_label)
    axes.grid(True, alpha=0.3)
    axes.legend(fontsize="small")
