"""The page a rehearsal leaves: what was done, the answers to it, and a chart of each run, all in one file."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING

from whirlbench.report.cautions import REHEARSAL
from whirlbench.report.html import render
from whirlbench.results.answer import Answer

if TYPE_CHECKING:
    from matplotlib.figure import Figure


@dataclass(frozen=True)
class Chapter:
    """One part of the rehearsal: its title, what happened in lines, the answer it led to and the chart of its run."""

    title: str
    findings: Sequence[str]
    answer: Answer | None = None
    figure: Figure | None = None


def rehearsal_page(title: str, chapters: Sequence[Chapter]) -> str:
    """The page as self-contained HTML."""
    return render("rehearsal.html", title=title, chapters=chapters, cautions=REHEARSAL)
