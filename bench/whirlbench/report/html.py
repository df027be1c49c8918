"""One self-contained HTML page from a template: no script, no file beside it, no network."""

from __future__ import annotations

from typing import Any

from whirlbench.report.chart_drawing import chart_svg, svg_of
from whirlbench.results.answer import DASH_MEANS
from whirlbench.results.inks import ink

SMALL_IN = (4.4, 2.5)  # width and height of a chart of which two stand side by side on a page


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
    environment.filters["figure"] = lambda figure: Markup(svg_of(figure))  # our own drawings, not user text
    environment.filters["chart"] = lambda chart: Markup(chart_svg(chart))
    environment.filters["small_chart"] = lambda chart: Markup(chart_svg(chart, *SMALL_IN))
    environment.filters["ink"] = ink
    environment.globals["dash_means"] = DASH_MEANS
    return environment.get_template(template).render(**content)
