"""Answers as one self-contained HTML page: headline, remarks by their weight, charts and tables of each."""

from __future__ import annotations

from collections.abc import Sequence

from whirlbench import __version__
from whirlbench.report.html import render
from whirlbench.results.answer import Answer

CAUTIONS = (
    "Nobody in the plane of rotation; the isolating switch in reach; the guard closed.",
    "Guard, stand and site follow local codes. Figures are an aid to judgement, not a licence: certified work belongs "
    "to licensed practice.",
)


def answer_page(title: str, answers: Sequence[Answer], cautions: Sequence[str] = CAUTIONS) -> str:
    """The page of ``answers``, one chapter each, in their order."""
    return render("answer_page.html", title=title, answers=answers, cautions=cautions, version=__version__)
