"""The report of one run and of two: every surface says the same, significance is earned, identity is the file's own."""

from __future__ import annotations

import hashlib
import json
import math
import re
from dataclasses import dataclass, replace
from pathlib import Path
from typing import get_args

import numpy as np
import pytest
from surfaces import numbers, spoken, words

from whirlbench.analysis.propeller import Measured
from whirlbench.cli.main import run as command_line
from whirlbench.report.report_page import report_page
from whirlbench.results.answer import NONE
from whirlbench.results.labels import LABELS, UNITS
from whirlbench.results.report import RecordedRun, Report, compared_runs, run_report
from whirlbench.results.report.comparison import Pair, like_pairs, significant
from whirlbench.results.report.course import plan_answer
from whirlbench.results.report.rig_facts import differing_keys
from whirlbench.results.report.run_charts import POINTS, thinned
from whirlbench.results.report.run_report import DESCRIBING, NO_STATEMENTS
from whirlbench.rig.toml import parse_rig, with_values
from whirlbench.session.plan.steps import AnyStep

DEMOS = Path(__file__).parents[3] / "recordings"
CRACK, BEFORE, AFTER = (DEMOS / f"{name}.h5" for name in ("root_crack", "unbalance_as_found", "unbalance_corrected"))


@pytest.fixture(scope="module")
def recorded() -> RecordedRun:
    return RecordedRun.read(CRACK)


QUESTION = "Does the moulded set bear an hour?"


@dataclass(frozen=True)
class Written:
    """What the verb left: the report, its page and its JSON."""

    report: Report
    page: str
    document: dict
    target: Path


@pytest.fixture(scope="module")
def written(tmp_path_factory) -> Written:
    """One run of the verb serves all tests: it takes some seconds."""
    target, made = tmp_path_factory.mktemp("report") / "page.html", []

    def keep(*given):
        made.append(run_report(*given))
        return made[0]

    with pytest.MonkeyPatch.context() as patch:
        patch.setattr("whirlbench.results.report.run_report", keep)
        told = spoken("report", str(CRACK), "-o", str(target), "--question", QUESTION, "--json")
    return Written(made[0], target.read_text(encoding="utf-8"), json.loads(told), target)


@pytest.fixture
def report(written: Written) -> Report:
    return written.report


@pytest.fixture
def page(written: Written) -> str:
    return written.page


def test_the_page_is_one_file_that_asks_for_nothing(page: str) -> None:
    assert "<script" not in page and not re.findall(r'(?:src|href)="(?!#)', page.replace("xlink:href", "href"))
    assert "@page { size: A4" in page and page.count("<svg") > 10


def test_every_question_has_its_chapter(report) -> None:
    titles = [chapter.title for chapter in report.chapters]
    assert titles[0] == "Conclusions" and len(titles) == 13
    assert report.chapter("Question, plan and what happened").answer.headline == QUESTION
    for chapter in report.chapters:
        assert chapter.answer.headline and (chapter.answer.judged or chapter.answer.not_judged)


def test_the_identity_is_the_files_own(report, page: str) -> None:
    digest = hashlib.sha256(CRACK.read_bytes()).hexdigest()
    assert report.chapter("Identity").answer.document["sha256"] == digest and digest in page
    assert str(CRACK.parent) not in page  # folders are nobody's business


def test_conclusions_are_the_chapters_own_statements_and_every_danger(report) -> None:
    first = report.chapters[0].answer
    said = {row[0] for row in first.table("statements").rows}
    asked = [chapter for chapter in report.chapters[1:] if chapter.title not in NO_STATEMENTS]
    assert said == {chapter.answer.headline for chapter in asked}
    dangers = {one.text for chapter in asked for one in chapter.answer.remarks if one.level == "danger"}
    assert dangers and dangers <= {one.text for one in first.remarks}


@pytest.mark.parametrize(
    ("verb", "title"),
    [("onset", "Onset of a failure"), ("trips", "Trips on trial"), ("check", "Strength and permitted speed")],
)
def test_page_terminal_and_json_contradict_each_other_nowhere(
    tmp_path: Path, report, page: str, verb: str, title: str
) -> None:
    rig = tmp_path / "rig.toml"
    rig.write_text(RecordedRun.read(CRACK).run.rig_text, encoding="utf-8")
    asked = {"onset": [str(CRACK)], "trips": [str(CRACK), "--rig", str(rig)], "check": [str(rig)]}[verb]
    document = json.loads(spoken(verb, *asked, "--json").replace(str(CRACK), CRACK.name))
    terminal = (
        "" if verb == "check" else "".join(spoken(verb, *asked).split()).replace(str(CRACK), CRACK.name)
    )  # a check takes seconds
    answer = report.chapter(title).answer
    ours = json.loads(json.dumps(answer.as_document(), default=str))
    assert document["verdict"] == ours["verdict"] == answer.verdict
    assert [one["text"] for one in document["remarks"]] == [one.text for one in answer.remarks]
    shown = words(page)
    for text in (answer.headline, *(one.line for one in answer.lines())):
        assert " ".join(text.split()) in shown and (not terminal or "".join(text.split()) in terminal)
    for table in answer.tables:
        for row in table.rows:
            assert all(" ".join(cell.split()) in shown for cell in row)
    assert numbers(document) == numbers(ours)


def test_a_run_beside_itself_and_beside_another(tmp_path: Path) -> None:
    one, two = RecordedRun.read(BEFORE), RecordedRun.read(AFTER)
    pairs, unmatched = like_pairs(one, two)
    assert pairs and unmatched == 0
    shaken = [pair for place, pair in enumerate(pairs) if pair.quantity == "vibration" and place in significant(pairs)]
    assert shaken and all(pair.difference_pct < -20.0 for pair in shaken)  # the correction was fitted in between
    pulled = [pair for pair in pairs if pair.quantity == "thrust"]
    assert pulled and all(abs(pair.difference_pct) < 3.0 for pair in pulled)
    same = compared_runs([one, one])
    assert any(
        remark.level == "danger" and "one and the same" in remark.text for remark in same.chapters[0].answer.remarks
    )
    shown = words(report_page(compared_runs([one, two])))
    assert "Permitted speeds" in shown and "beyond scatter" in shown


def pair(chance: float) -> Pair:
    return Pair(3000.0, 8.0, "thrust", "N", Measured(10.0, 0.1), Measured(10.1, 0.1), 1.0, 1.4, chance)


def test_significance_is_that_of_the_whole_table() -> None:
    """Holm's own rule: 0.05 / 4, / 3, / 2, / 1 in turn, and it ends at the first that fails."""
    assert significant([pair(0.012), pair(0.9), pair(0.016), pair(0.03)]) == {0, 2}
    assert significant([pair(0.02), pair(0.021), pair(0.022)]) == frozenset()
    assert significant([pair(math.nan), pair(0.04)]) == {1}


def test_a_calibration_that_differs_is_in_the_scatter(recorded: RecordedRun) -> None:
    one = RecordedRun.read(BEFORE)
    assert one.rig is not None
    text = with_values(one.run.rig_text, {"calibration.thrust_n.stderr_gain_pct": 4.0})
    two = replace(one, rig=parse_rig(text))
    (shared, _), (apart, _) = like_pairs(one, one), like_pairs(one, two)
    errors = [[each.stderr_pct for each in found if each.quantity == "thrust"] for found in (shared, apart)]
    assert all(more > 3.9 and more > less for less, more in zip(*errors, strict=True))
    assert ("calibration.thrust_n.stderr_gain_pct", "4") in {
        (key, second) for key, _, second in differing_keys(one.rig, two.rig)
    }


def test_without_a_rig_nothing_reads_as_good(recorded: RecordedRun) -> None:
    bare = run_report(replace(recorded, rig=None, run=replace(recorded.run, rig_text="")))
    for title in (
        "Strength and permitted speed",
        "Pitch limits and end points",
        "Trips on trial",
        "Set, rig and calibration",
    ):
        answer = bare.chapter(title).answer
        assert answer.verdict == "not judged" and "--rig" in answer.not_judged[0].why


def test_thinning_loses_no_peak() -> None:
    at, values = np.arange(100_000.0), np.random.default_rng(2).normal(size=100_000)
    values[54_321] = 99.0
    found = thinned(at, values)
    assert len(found[0]) <= POINTS + 1 and found[1].max() == 99.0 and found[0][found[1].argmax()] == 54_321


def test_the_verb_tells_every_chapter_and_never_writes_over_a_page(written: Written) -> None:
    assert list(written.document["chapters"]) == [chapter.title for chapter in written.report.chapters]
    assert command_line(["report", str(CRACK), "-o", str(written.target)]) == 2
    assert written.target.read_text(encoding="utf-8") == written.page and NONE in written.page


NOTHING = "t_s,rpm\n0.0,0\n0.5,0\n1.0,0\n1.5,0\n"  # a shaft at rest, and no rig


def test_a_report_that_judges_nothing_exits_with_2_and_says_so_in_one_line(tmp_path: Path, capsys) -> None:
    (tmp_path / "odd.csv").write_text(NOTHING, encoding="utf-8")
    assert command_line(["import", str(tmp_path / "odd.csv"), "-o", str(tmp_path / "odd.h5")]) == 0
    capsys.readouterr()
    assert command_line(["report", str(tmp_path / "odd.h5"), "-o", str(tmp_path / "odd.html")]) == 2
    told = capsys.readouterr()
    (line,) = [line for line in told.err.splitlines() if line.startswith("whirlbench:")]
    assert "odd.h5: no question could be judged" in line and "--rig" in line
    assert (tmp_path / "odd.html").exists()  # what is known is on the page all the same
    two = [str(tmp_path / "odd.h5")] * 2
    assert command_line(["report", *two, "-o", str(tmp_path / "two.html"), "--json"]) == 2
    told = capsys.readouterr()
    assert json.loads(told.out)["page"] and "no question could be judged" in told.err


@pytest.mark.parametrize("title", DESCRIBING)
def test_a_chapter_that_describes_is_no_judgement(report: Report, title: str) -> None:
    described = tuple(replace(one, answer=replace(one.answer, judged=True)) for one in report.chapters)
    assert report.judged
    assert not replace(report, chapters=tuple(one for one in described if one.title in (title, "Conclusions"))).judged


def test_the_steps_of_a_plan_are_told_in_words_and_one_without_a_name_is_not_called_missing(
    recorded: RecordedRun,
) -> None:
    text = '[[step]]\nkind = "multisine"\namplitude_us = 30.0\nlow_hz = 1\nstop_above_margin_pct = 90\n'
    table = plan_answer(replace(recorded, run=replace(recorded.run, plan_text=text)), "").tables[0]
    assert "no plan" not in table.title
    assert table.rows[0][2] == ("multisine: amplitude 30 us, lowest frequency 1 Hz, stops above a margin of 90 %")


def test_every_key_of_a_step_has_a_label_and_a_unit() -> None:
    keys = {key for step in get_args(AnyStep) for key in step.__struct_fields__ if "_" in key}
    assert keys and not keys - set(LABELS)
    assert not keys - set(UNITS)
