"""One self-contained HTML page from a template and matplotlib figures: no script, no file beside it, no network."""

from __future__ import annotations

import io
import re
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from matplotlib.figure import Figure

CHART_STYLE = {
    "svg.fonttype": "none",  # text stays text: it can be searched and copied
    "svg.hashsalt": "whirlbench",  # the same figure gives the same bytes
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
    stream = io.StringIO()
    figure.savefig(stream, format="svg", metadata={"Date": None, "Creator": None, "Type": None, "Format": None})
    text = stream.getvalue()
    element = text[text.index("<svg") :]
    return re.sub(r"<metadata>.*?</metadata>", "", element, flags=re.DOTALL)


def render(template: str, **content: Any) -> str:
    """The page of ``template`` (a file in `templates`) with ``content``; a name it lacks raises, text is escaped."""
    from jinja2 import Environment, PackageLoader, StrictUndefined
    from markupsafe import Markup

    environment = Environment(
        loader=PackageLoader("whirlbench.report", "templates"),
        autoescape=True,
        undefined=StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
    )
    environment.filters["svg"] = Markup  # our own drawings, not user text
    return environment.get_template(template).render(**content)
