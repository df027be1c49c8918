"""An answer says each thing once, and as gravely as it is: what the headline holds is not said again beside it."""

from __future__ import annotations

import io

import pytest
from rich.console import Console

from whirlbench.cli.output import print_summary
from whirlbench.report.answer_page import answer_page
from whirlbench.results.answer import Answer, Level, NotJudged, Remark, not_judged

TOLD = "at 5200 rpm over current; do not hold this speed"
DANGER = Remark(Level.DANGER, TOLD)


@pytest.mark.parametrize("headline", [TOLD, f"{TOLD}; 2 not judged", f"printed; {TOLD}"])
def test_a_danger_that_the_headline_holds_makes_the_headline_one_and_is_not_said_again(headline: str) -> None:
    answer = Answer("limits", headline, remarks=(Remark(Level.NOTE, "ten holds"), DANGER))
    assert answer.statement == Remark(Level.DANGER, headline)
    assert answer.lines() == (Remark(Level.NOTE, "ten holds"),)


@pytest.mark.parametrize("headline", ["at 5200 rpm over current", f"not {TOLD}", f"{TOLD} for long"])
def test_words_that_only_resemble_a_danger_leave_it_where_it_is(headline: str) -> None:
    answer = Answer("limits", headline, remarks=(DANGER,))
    assert answer.statement == Remark(Level.NOTE, headline) and answer.lines() == (DANGER,)


def test_what_was_not_judged_is_not_said_twice_either() -> None:
    answer = Answer(
        "onset", "onset: not judged, no steady running", not_judged=(NotJudged("onset", "no steady running"),)
    )
    assert answer.statement.level is Level.CAUTION and answer.lines() == ()


def test_a_headline_that_says_not_judged_leaves_the_reason_to_be_said() -> None:
    answer = not_judged("balance", "no trial run was given")
    assert answer.statement.text == "balance: not judged"
    assert answer.lines() == (Remark(Level.CAUTION, "no trial run was given"),)


def test_surfaces_show_the_headline_as_gravely_as_it_is_and_the_danger_once() -> None:
    answer, stream = Answer("limits", TOLD, remarks=(DANGER,)), io.StringIO()
    print_summary(answer, Console(file=stream, width=80))
    assert stream.getvalue().split("\n") == [f"DANGER: {TOLD}", ""]
    page = answer_page("Probe", [answer])
    assert page.count(TOLD) == 1 and f'<p class="danger"><b>DANGER: {TOLD}</b>' in page
