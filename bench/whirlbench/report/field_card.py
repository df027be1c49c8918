"""One page to print and take to the field: servo end points for each lever position, and what must not be done."""

from __future__ import annotations

from whirlbench.report.html import render
from whirlbench.results.answer import Answer

CAUTIONS = (
    "Set the end points with the motor unplugged, and look at the blades while the lever moves.",
    "The figures hold for this propeller, this pack and the air they were measured in.",
    "Try each mode tied down, behind a guard, out of the plane of rotation, the isolating switch in reach.",
    "Local codes and the site's rules come first; these figures are an aid to judgement, not a licence.",
)
SHOWN = ("end points", "limits")


def field_card(answer: Answer) -> str:
    """The card of a limits answer as self-contained HTML."""
    tables = [table for table in answer.tables if table.key in SHOWN]
    tables.sort(key=lambda table: SHOWN.index(table.key))
    basis = answer.table("basis")
    return render(
        "field_card.html", title="Servo end points", answer=answer, tables=tables, basis=basis, cautions=CAUTIONS
    )
