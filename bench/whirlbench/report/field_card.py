"""One page to print and take to the field: servo end points for each lever position, and what must not be done."""

from __future__ import annotations

from whirlbench.report.cautions import FIELD
from whirlbench.report.html import render
from whirlbench.results.answer import Answer

SHOWN = ("end points", "limits")


def field_card(answer: Answer) -> str:
    """The card of a limits answer as self-contained HTML."""
    tables = [table for table in answer.tables if table.key in SHOWN]
    tables.sort(key=lambda table: SHOWN.index(table.key))
    basis = answer.table("basis")
    return render(
        "field_card.html", title="Servo end points", answer=answer, tables=tables, basis=basis, cautions=FIELD
    )
