"""A report as one self-contained HTML page that prints to A4: contents, then a chapter for each answer."""

from __future__ import annotations

from whirlbench import __version__
from whirlbench.report.cautions import STAND
from whirlbench.report.html import render
from whirlbench.results.report import Report


def report_page(report: Report) -> str:
    """The page of ``report``; nothing is worded here."""
    return render("report.html", title=report.title, report=report, cautions=STAND, version=__version__)
