"""Draws a chart that is plain data with matplotlib, as SVG for a page or into an image file. No window system."""

from __future__ import annotations

import io
import itertools
import math
import re
from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np

from whirlbench.errors import BenchError
from whirlbench.report.svg_chart import svg_chart
from whirlbench.results.chart import Chart
from whirlbench.results.inks import ink

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

BAND_ALPHA, STRETCH_ALPHA = 0.18, 0.10
UPRIGHT_SHARES = (0.98, 0.66, 0.34)  # of the height, in turn: lines at one place keep their labels apart
MARKERS = (".", "x", "+", "^")  # of dotted curves in turn: told apart without colour
COLUMNS = 3  # of charts in one image
EACH_IN = (5.0, 3.4)
CHART_STYLE: Any = {  # keys of matplotlib
    "axes.formatter.useoffset": False,  # figures as they are: a corner that says "+3e3" is overlooked
    "svg.fonttype": "none",  # text stays text: it can be searched and copied
    "svg.hashsalt": "whirlbench",  # the same figure gives the same bytes
    "text.parse_math": False,  # names from a rig file are words, whatever signs they hold
    "font.size": 9.0,
    "axes.grid": True,
    "grid.alpha": 0.3,
    "axes.spines.top": False,
    "axes.spines.right": False,
}


def new_figure(width_in: float = 7.2, height_in: float = 3.4) -> Figure:
    """An empty figure in the style of all report charts; no window system is touched."""
    import matplotlib
    from matplotlib.figure import Figure

    matplotlib.rcParams.update(CHART_STYLE)
    return Figure(figsize=(width_in, height_in), layout="constrained")


def svg_of(figure: Figure) -> str:
    """The figure as an SVG element to be put into a page: no XML header, no date, no outside reference."""
    from matplotlib.backends.backend_svg import FigureCanvasSVG

    stream = io.StringIO()  # its own canvas draws once; ``savefig`` goes through all axes a second time for the layout
    metadata = {"Date": None, "Creator": None, "Type": None, "Format": None}
    canvas: Any = FigureCanvasSVG(figure)  # without types
    canvas.print_svg(stream, metadata=metadata)
    text = stream.getvalue()
    element = text[text.index("<svg") :]
    return re.sub(r"<metadata>.*?</metadata>", "", element, flags=re.DOTALL)


def chart_svg(chart: Chart, width_in: float = 7.2, height_in: float = 3.6) -> str:
    """``chart`` as one SVG element; only a heat map needs the library, which takes fifty times as long."""
    if chart.heatmap is None:
        return svg_chart(chart, width_in, height_in)
    figure = new_figure(width_in, height_in)
    draw_chart(figure.subplots(), chart)
    return svg_of(figure)


def write_charts(charts: Sequence[Chart], path: Path, title: str = "") -> None:
    """All ``charts`` in one image at ``path``; the ending decides the format."""
    figure = new_figure()
    endings = sorted(figure.canvas.get_supported_filetypes())
    if path.suffix.removeprefix(".").lower() not in endings:
        raise BenchError(f"{path}: found the ending {path.suffix!r}, expected one of {', '.join(endings)}")
    columns = min(COLUMNS, max(1, len(charts)))
    rows = max(1, math.ceil(len(charts) / columns))
    width, height = (9.0, 6.0) if len(charts) == 1 else (EACH_IN[0] * columns, EACH_IN[1] * rows)
    figure.set_size_inches(width, height)
    for number, chart in enumerate(charts, start=1):
        draw_chart(figure.add_subplot(rows, columns, number), chart)
    if title:
        figure.suptitle(title)
    figure.savefig(path, dpi=120)


def draw_chart(axes: Axes, chart: Chart) -> None:
    """Everything of ``chart`` on ``axes``."""
    if chart.logarithmic:
        axes.set_xscale("log")
    _draw_grounds(axes, chart)
    for band in chart.bands:
        axes.fill_between(
            band.x, band.low, band.high, color=ink(band.ink), alpha=BAND_ALPHA, lw=0, label=band.label or None
        )
    markers = itertools.cycle(MARKERS)
    for curve in chart.curves:
        form: dict[str, Any] = (
            {"ls": "", "marker": next(markers)} if curve.dots else {"lw": 1.2, "ls": "--" if curve.dashed else "-"}
        )
        axes.plot(curve.x, curve.y, color=ink(curve.ink), label=curve.label or None, **form)
    _draw_marks(axes, chart)
    x, y = chart.spans()
    axes.set_xlim(*x)
    axes.set_ylim(*y)
    if chart.true_shape:
        axes.set_aspect("equal", adjustable="datalim", anchor="W")
    axes.set(title=chart.title, xlabel=chart.x_label, ylabel=chart.y_label)
    if not chart.y_figures:
        axes.set_yticks([])
    if chart.legend():
        axes.legend(frameon=False, fontsize="small")


def _draw_grounds(axes: Axes, chart: Chart) -> None:
    """What lies under the curves: the heat map and tinted stretches."""
    if chart.heatmap is not None:
        shares = np.ma.masked_invalid(chart.heatmap.share)
        extent = (*chart.heatmap.x, *chart.heatmap.y)
        axes.imshow(shares, cmap="Greys", vmin=0.0, vmax=1.0, origin="lower", aspect="auto", extent=extent)
    for stretch in chart.stretches:
        axes.axvspan(stretch.from_x, stretch.to_x, color=ink(stretch.ink), alpha=STRETCH_ALPHA, lw=0)
        _beside(axes, stretch.from_x, 1.0, stretch.label, stretch.ink, along_x=True)


def _draw_marks(axes: Axes, chart: Chart) -> None:
    """Lines across, boxes and captions, with their words."""
    from matplotlib.colors import to_rgba
    from matplotlib.patches import Rectangle

    upright = 0
    for line in chart.lines:
        draw = axes.axvline if line.upright else axes.axhline
        draw(line.at, color=ink(line.ink), lw=0.9, ls=":" if line.dashed else "-")
        share = UPRIGHT_SHARES[upright % len(UPRIGHT_SHARES)] if line.upright else 0.01
        upright += line.upright
        _beside(axes, line.at, share, line.label, line.ink, along_x=line.upright)
    for box in chart.boxes:
        corner, width, height = (box.x[0], box.y[0]), box.x[1] - box.x[0], box.y[1] - box.y[0]
        ground, style = to_rgba(ink(box.ink), BAND_ALPHA if box.filled else 0.0), "-" if box.filled else "--"
        axes.add_patch(Rectangle(corner, width, height, facecolor=ground, edgecolor=ink(box.ink), lw=0.9, ls=style))
        below, words = (-12, "ink") if box.filled else (3, box.ink)
        place = (box.x[0], box.y[1])
        axes.annotate(box.label, place, xytext=(3, below), textcoords="offset points", color=ink(words))
    for caption in chart.captions:
        place = (caption.x, caption.y)
        axes.annotate(
            caption.text, place, xytext=(5, 5), textcoords="offset points", fontsize="small", color=ink(caption.ink)
        )


def _beside(axes: Axes, at: float, share: float, text: str, ink_name: str, along_x: bool) -> None:
    """``text`` at a place on one axis and a share of the other."""
    if not text:
        return
    transform = axes.get_xaxis_transform() if along_x else axes.get_yaxis_transform()
    place = (at, share) if along_x else (share, at)
    axes.text(
        *place, text, transform=transform, fontsize="x-small", color=ink(ink_name), clip_on=True,
        rotation=90 if along_x else 0, va="top" if along_x else "bottom", ha="right" if along_x else "left",
    )  # fmt: skip
