"""Every renderer shows each danger and caution of an answer word for word, and no number that must not be used.

The window's panel has the same test among the window's.
"""

from __future__ import annotations

import html
import io
import json
import re
from collections.abc import Callable
from pathlib import Path

import pytest
from probe_answer import DANGERS, FORBIDDEN, NOTE, PROBE, lost, slipped
from rich.console import Console

from whirlbench.cli.output import give_answer, print_answer, print_summary
from whirlbench.errors import BenchError
from whirlbench.report.answer_page import answer_page
from whirlbench.report.chart_drawing import chart_svg, write_charts
from whirlbench.report.field_card import field_card
from whirlbench.report.rehearsal_page import Chapter, rehearsal_page
from whirlbench.results.answer import Answer, Column, Table, not_judged
from whirlbench.results.inks import ink

Renderer = Callable[[Answer], str]


def as_text(answer: Answer) -> str:
    stream = io.StringIO()
    print_answer(answer, Console(file=stream, width=60, highlight=False))
    return stream.getvalue()


def as_summary(answer: Answer) -> str:
    stream = io.StringIO()
    print_summary(answer, Console(file=stream, width=60, highlight=False))
    return stream.getvalue()


def as_json(answer: Answer) -> str:
    """The remarks and open questions of the document as the lines that they stand for."""
    document = json.loads(json.dumps(answer.as_document()))
    lines = [remark["text"] for remark in document["remarks"]]
    return "\n".join(lines + [f"{item['what']}: not judged, {item['why']}" for item in document["not_judged"]])


def words_of(page: str) -> str:
    """What a reader sees of a page: no tags, signs as themselves."""
    return html.unescape(re.sub(r"<[^>]*>", " ", page))


def as_page(answer: Answer) -> str:
    return words_of(answer_page("Probe", [answer]))


def as_card(answer: Answer) -> str:
    return words_of(field_card(answer))


def as_chapter(answer: Answer) -> str:
    return words_of(rehearsal_page("Rehearsal", [Chapter("One", ["it ran"], answer)]))


RENDERERS = (as_text, as_summary, as_json, as_page, as_card, as_chapter)


@pytest.mark.parametrize("render", RENDERERS)
def test_every_danger_and_caution_stands_word_for_word(render: Renderer) -> None:
    assert lost(render(PROBE)) == []


@pytest.mark.parametrize("render", RENDERERS)
def test_no_forbidden_number_is_shown(render: Renderer) -> None:
    assert not slipped(render(PROBE))


@pytest.mark.parametrize("render", [as_text, as_json, as_page, as_card, as_chapter])
def test_notes_stand_too(render: Renderer) -> None:
    assert NOTE in " ".join(render(PROBE).split())


@pytest.mark.parametrize("render", [as_text, as_page, as_card, as_chapter])
def test_a_danger_is_read_before_any_caution(render: Renderer) -> None:
    said = " ".join(render(PROBE).split())
    assert said.index(DANGERS[0]) < said.index("flight: the end points hold only")


def test_the_probe_would_show_a_renderer_that_forgets() -> None:
    assert len(lost("")) == 5 and lost(as_page(PROBE).replace("do not hold this speed", "")) == [DANGERS[0]]
    assert slipped(f"at 4000 rpm {FORBIDDEN} deg") and slipped("pitch nan deg")


def test_the_document_has_null_where_a_number_must_not_be_used() -> None:
    document = json.loads(json.dumps(PROBE.as_document(), allow_nan=False))
    assert document["limits"] == [{"rpm": 4000.0, "max_pitch_deg": None, "forbidden": True}]
    assert document["verdict"] == "in part"


@pytest.mark.parametrize("page", [answer_page("Probe", [PROBE]), field_card(PROBE)])
def test_a_row_that_must_not_be_acted_on_is_marked_on_pages(page: str) -> None:
    marked = re.findall(r'<tr class="danger">(.*?)\n', page)
    assert len(marked) == 1
    assert words_of(marked[0]).split() == ["4000", "–", "current"]


def test_the_same_row_is_red_on_the_terminal() -> None:
    stream = io.StringIO()
    print_answer(PROBE, Console(file=stream, width=100, force_terminal=True, color_system="standard", highlight=False))
    rows = [line for line in stream.getvalue().splitlines() if "current" in line and "│" in line]
    assert len(rows) == 1 and "\x1b[31m" in rows[0]


def test_a_drawn_curve_is_broken_where_it_must_not_be_read() -> None:
    drawing = chart_svg(PROBE.chart("limits"))
    curves = re.findall(rf'<path d="([^"]*)"[^>]*stroke="{ink("measured")}"', drawing)
    assert max(curve.count("M") for curve in curves) == 2
    assert "nan" not in drawing.lower()


def test_what_is_not_judged_at_all_says_why_on_every_surface(capsys: pytest.CaptureFixture[str]) -> None:
    answer = not_judged("onset", "no vibration was recorded")
    assert give_answer(answer, False, "run.h5") == 2
    told = capsys.readouterr()
    assert told.out == "" and told.err == "whirlbench: run.h5: onset: not judged: no vibration was recorded\n"
    assert give_answer(answer, True, "run.h5") == 2
    assert json.loads(capsys.readouterr().out)["verdict"] == "not judged"
    for render in (as_page, as_chapter):
        assert "no vibration was recorded" in render(answer) and "(not judged)" in render(answer)


def test_names_from_files_are_no_markup() -> None:
    table = Table("odd", "nylon [/red] [bold]set", (Column("[blue]figure"),), (("[red]1",),))
    shown = " ".join(as_text(Answer("odd", "[bold]odd", tables=(table,))).split())
    assert all(text in shown for text in ("[bold]odd", "nylon [/red] [bold]set", "[blue]figure", "[red]1"))


def test_a_picture_of_an_unknown_kind_is_refused_in_one_line(tmp_path: Path) -> None:
    with pytest.raises(BenchError, match=r"found the ending '\.xyz', expected one of .*png"):
        write_charts(PROBE.charts, tmp_path / "chart.xyz")
