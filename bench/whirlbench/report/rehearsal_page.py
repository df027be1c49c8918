"""The page a rehearsal leaves: what was done, what was found, and the charts, all in one file."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING

from whirlbench.report.chart_drawing import svg_of
from whirlbench.report.html import render

if TYPE_CHECKING:
    from matplotlib.figure import Figure

CAUTIONS = (
    "This was a simulated stand. Nothing here says anything of your own blades.",
    "On a real stand: nobody in the plane of rotation, the isolating switch in reach, the guard closed.",
    "Guard, stand and site follow local codes; certified work belongs to licensed practice.",
)


@dataclass(frozen=True)
class Chapter:
    """One part of the rehearsal: its title, plain findings, and a figure or None."""

    title: str
    findings: Sequence[str]
    figure: Figure | None = None


def rehearsal_page(title: str, chapters: Sequence[Chapter]) -> str:
    """The page as self-contained HTML."""
    drawn = [(item.title, item.findings, svg_of(item.figure) if item.figure else "") for item in chapters]
    return render("rehearsal.html", title=title, chapters=drawn, cautions=CAUTIONS)
