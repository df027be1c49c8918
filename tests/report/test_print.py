"""Pages as they print: sizes of paper, nothing beyond the edge, readable without colour.

A print engine of its own (weasyprint) instead of a browser: the browser's packages would cost the integration machine
minutes. What a browser shows was looked at by hand.
"""

from __future__ import annotations

import re

import pytest
from probe_answer import PROBE
from weasyprint import HTML

from whirlbench.report.field_card import field_card
from whirlbench.report.report_page import report_page
from whirlbench.results.answer import Answer, Column, Level, Table
from whirlbench.results.report import Chapter, Report

MM = 96.0 / 25.4  # the engine's unit is the pixel of CSS
PAGES = {
    "report": (report_page(Report("Probe", ("probe.h5",), (Chapter("Probe", PROBE),))), (210.0, 297.0)),
    "card": (field_card(PROBE), (210.0, 297.0)),
}


def boxes(box):
    yield box
    for child in getattr(box, "children", ()):
        yield from boxes(child)


@pytest.mark.parametrize("name", PAGES)
def test_a_page_keeps_to_its_paper(name: str) -> None:
    text, (width_mm, height_mm) = PAGES[name]
    document = HTML(string=text).render()
    assert name != "card" or len(document.pages) == 1
    for page in document.pages:
        assert page.width == pytest.approx(width_mm * MM, abs=1.0) and page.height == pytest.approx(
            height_mm * MM, abs=1.0
        )
        words = [box for box in boxes(page._page_box) if getattr(box, "text", "").strip()]
        assert words and max(box.position_x + box.width for box in words) <= page.width
    assert document.write_pdf().startswith(b"%PDF-")


@pytest.mark.parametrize("name", PAGES)
def test_every_level_is_told_by_a_word_not_by_colour_alone(name: str) -> None:
    shown = " ".join(re.sub(r"<[^>]+>", " ", PAGES[name][0]).split())
    for remark in PROBE.remarks:
        if remark.level is not Level.NOTE:
            assert f"{'DANGER' if remark.level is Level.DANGER else 'caution'}: " in shown


def test_a_table_over_several_pages_says_on_each_what_its_columns_are() -> None:
    rows = tuple((f"row {number}", "1") for number in range(150))
    tables = tuple(Table(f"t{count}", "Long", (Column("heading"), Column("b")), rows[:count]) for count in (38, 150))
    answer = Answer("probe", "told", tables=tables)
    document = HTML(string=report_page(Report("Probe", ("a.h5",), (Chapter("Probe", answer),)))).render()
    assert len(document.pages) > 3
    for page in document.pages:
        words = [box.text for box in boxes(page._page_box) if getattr(box, "text", "").strip()]
        first = next((place for place, text in enumerate(words) if text.startswith("row ")), None)
        assert first is None or "heading" in words[:first]
        assert words[-1] != "b", "a heading alone at the foot of a page"
