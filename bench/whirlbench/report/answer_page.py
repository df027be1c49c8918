"""Answers as one self-contained HTML page: headline, remarks by their weight, charts and tables of each."""

from __future__ import annotations

from collections.abc import Sequence

from whirlbench import __version__
from whirlbench.report.cautions import STAND
from whirlbench.report.html import render
from whirlbench.results.answer import Answer


def answer_page(title: str, answers: Sequence[Answer], cautions: Sequence[str] = STAND) -> str:
    """The page of ``answers``, one chapter each, in their order."""
    return render("answer_page.html", title=title, answers=answers, cautions=cautions, version=__version__)
