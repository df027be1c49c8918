"""The pages' panels draw their states, and what is clicked does what it says."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import page_answers
import page_runs
import pytest
from PyQt5 import QtCore, QtWidgets

from whirlbench.results.answer import Answer, PlanOffer
from whirlbench.results.check import StrengthCheck, check_answer
from whirlbench.results.diagnosis import Diagnosis
from whirlbench.rig.toml import example_rig_text, parse_rig
from whirlbench.session.plan import parse_plan
from whirlbench.window.drawing.strips import Replay
from whirlbench.window.main_window import MainWindow
from whirlbench.window.pages.analysis_page import AnalysisPage
from whirlbench.window.pages.check_panel import CheckPanel
from whirlbench.window.pages.diagnosis_panel import DiagnosisPanel
from whirlbench.window.pages.limits_panel import LimitsPanel
from whirlbench.window.pages.page_work import Subject
from whirlbench.window.pages.tune_panel import TunePanel, closed_loop_time_s
from whirlbench.window.replay.replay_panel import ReplayPanel

TEXT = example_rig_text()
LONG_SECTIONS = {"trips and signals", "models and steps", "measured and computed"}  # as long as the run was


@pytest.fixture
def checked() -> StrengthCheck:
    return page_answers.strength()


@pytest.fixture
def tuned() -> Answer:
    return page_answers.tune()


@pytest.fixture
def limited() -> Answer:
    return page_answers.limits()


@pytest.fixture
def diagnosed() -> Diagnosis:
    return page_answers.diagnosed()


@pytest.fixture
def shown(qtbot):
    """Shows a panel and keeps it until the test has ended: Qt may still have something to paint."""
    kept = []

    def show(panel):
        kept.append(panel)
        qtbot.addWidget(panel)
        panel.resize(1100, 800)
        panel.show()
        return panel

    yield show
    kept.clear()


def test_a_click_on_a_set_shows_how_it_fails(qtbot, shown, checked: StrengthCheck) -> None:
    rig = parse_rig(TEXT)
    panel = shown(CheckPanel(check_answer(checked, rig)))
    panel.asked.connect(lambda number: panel.show_state(check_answer(checked, rig, checked.designs[number].name)))
    assert panel.heading.text().startswith("moulded nylon: fit")
    moulded = panel.charts["use"].chart.curves[0].label
    sets = panel.tables["sets"]
    qtbot.mouseClick(sets.viewport(), QtCore.Qt.LeftButton, pos=sets.visualItemRect(sets.item(0, 0)).center())
    assert "NOT FIT" in panel.heading.text()
    assert panel.charts["use"].chart.curves[0].label != moulded  # the chosen set comes first, in full ink
    assert "shear-out across layers" in panel.charts["margins"].chart.boxes[0].label
    assert panel.titles["modes"].text().startswith("printed flat, plain root")
    assert panel.charts["profile"].chart.title.endswith("printed flat, plain root")


def test_the_proof_plan_is_written_where_asked(qtbot, shown, checked: StrengthCheck, tmp_path: Path) -> None:
    panel = shown(CheckPanel(check_answer(checked, parse_rig(TEXT))))
    panel.saver.write(tmp_path / "proof.toml")
    assert len(parse_plan((tmp_path / "proof.toml").read_text(encoding="utf-8")).steps) >= 3
    panel.saver.write(tmp_path / "no such folder" / "proof.toml")
    assert "cannot be written" in panel.saver.line.text()


def test_the_knob_asks_and_follows_the_answer(qtbot, shown, tuned: Answer) -> None:
    panel = shown(TunePanel(tuned))
    assert panel.knob_text.text() == f"{closed_loop_time_s(tuned):.3f} s"
    with qtbot.waitSignal(panel.asked) as asked:
        panel.knob.setValue(panel.knob.maximum())
    assert asked.args[0] == pytest.approx(5.0)
    advice = {**tuned.document["advice"], "closed_loop_time_s": 0.5}
    panel.show_state(replace(tuned, headline="slower", document={**tuned.document, "advice": advice}))
    assert panel.heading.text() == "slower"
    assert panel.knob_text.text() == "0.500 s"
    with qtbot.waitSignal(panel.asked) as asked:
        panel.own_choice.click()
    assert asked.args == [None]


def test_without_advice_there_is_no_knob(qtbot, shown, tuned: Answer) -> None:
    panel = shown(TunePanel(replace(tuned, document={**tuned.document, "advice": None})))
    assert not panel.knob.isVisible()


def test_every_chart_and_remark_of_the_study_is_shown(qtbot, shown, tuned: Answer, tmp_path: Path) -> None:
    panel = shown(TunePanel(tuned))
    assert {key: view.chart for key, view in panel.charts.items()} == {chart.key: chart for chart in tuned.charts}
    assert [key for key in panel.charts if key.startswith("forecast")] == ["forecast request", "forecast pitch"]
    assert list(panel.tables) == [table.key for table in tuned.tables]
    told = [label.text() for label in panel.remarks.labels]
    assert all(any(text.endswith(remark.text) for text in told) for remark in tuned.lines())
    panel.saver.write(tmp_path / "re-test.toml")
    assert parse_plan((tmp_path / "re-test.toml").read_text(encoding="utf-8")).steps


def test_speeds_are_asked_for_and_nonsense_is_not(qtbot, shown, limited: Answer) -> None:
    panel = shown(LimitsPanel(limited))
    panel.speeds.setText("4000, 4500")
    with qtbot.waitSignal(panel.asked) as asked:
        qtbot.keyClick(panel.speeds, QtCore.Qt.Key_Return)
    assert asked.args == [(4000.0, 4500.0)]
    for nonsense in ("nan", "inf", "1e300", "-5", "fast"):
        panel.speeds.setText(nonsense)
        with qtbot.assertNotEmitted(panel.asked):
            qtbot.keyClick(panel.speeds, QtCore.Qt.Key_Return)
    assert "expected speeds above 0" in panel.heading.text()


def test_the_plan_of_the_next_hold_comes_when_it_is_known(qtbot, shown, limited: Answer) -> None:
    panel = shown(LimitsPanel(limited))
    assert not panel.saver.button.isEnabled()
    panel.show_state(replace(limited, plan=PlanOffer("next hold", "next.toml", "name = 'next'\n", "4000 rpm at 9 deg")))
    assert panel.saver.button.isEnabled()
    assert panel.saver.line.text() == "4000 rpm at 9 deg"


def test_a_click_on_a_moment_moves_every_cursor(qtbot, shown, diagnosed: Diagnosis) -> None:
    panel = shown(DiagnosisPanel(diagnosed))
    onset = next(row for row, moment in enumerate(diagnosed.moments) if moment.kind == "onset")
    at_s = diagnosed.moments[onset].at_s
    panel.move_to(1.0)
    with qtbot.waitSignal(panel.moved) as moved:
        panel.marks.itemClicked.emit(panel.marks.item(onset))
    assert moved.args == [at_s] == [diagnosed.begin_s]
    assert {view._cursor for view in panel.followers} == {at_s}
    assert panel.charts["second order map"]._cursor == pytest.approx(diagnosed.second_at(at_s))


def test_the_diagnosis_shows_the_whole_answer(qtbot, shown, diagnosed: Diagnosis) -> None:
    panel = shown(DiagnosisPanel(diagnosed))
    assert panel.heading.text() == diagnosed.answer.headline
    told = [label.text() for label in panel.remarks.labels]
    assert len(told) == len(diagnosed.answer.lines())
    assert any("thrust: not judged" in text for text in told)
    assert set(panel.charts) == {chart.key for chart in diagnosed.answer.charts}
    assert set(panel.tables) == {table.key for table in diagnosed.answer.tables if table.rows}
    assert "signals" in panel.tables


def test_the_dial_turns_with_the_cursor(qtbot, shown, diagnosed: Diagnosis) -> None:
    panel = shown(DiagnosisPanel(diagnosed))
    panel.move_to(10.0)
    early = abs(panel.dial.hands[0].phasor_g)
    panel.move_to(38.0)
    assert abs(panel.dial.hands[0].phasor_g) > 4 * early
    assert [hand.ink for hand in panel.dial.hands] == ["measured", "second"]


def page_names(window: MainWindow) -> list[str]:
    return [window.page_names.item(row).text() for row in range(window.page_names.count())]


def test_pages_are_offered_only_where_there_is_something_to_show(qtbot) -> None:
    for subject, has_rig, names in (
        (Subject(rig_text=TEXT), True, ["check", "log"]),
        (Subject(Path("a.h5")), False, ["diagnosis", "tune", "balance"]),
        (Subject(Path("a.h5")), True, ["check", "diagnosis", "tune", "limits", "balance", "log"]),
    ):
        window = MainWindow()
        qtbot.addWidget(window)
        window.offer_analyses(subject, has_rig)
        assert page_names(window) == names


@pytest.mark.parametrize("size", [(1280, 660), (1000, 420)])
def test_a_page_fits_the_screen_and_shows_one_section_at_a_time(
    qtbot, shown, checked: StrengthCheck, tuned: Answer, diagnosed: Diagnosis, size: tuple[int, int]
) -> None:
    """What a window of 1280 by 800 leaves to a page; a smaller one scrolls inside a section, never the page's head."""
    panels = (CheckPanel(check_answer(checked, parse_rig(TEXT))), TunePanel(tuned), DiagnosisPanel(diagnosed))
    for panel in map(shown, panels):
        panel.resize(*size)
        qtbot.waitUntil(lambda panel=panel: not panel._unrevealed, timeout=10_000)
        qtbot.waitUntil(lambda panel=panel: panel.verticalScrollBar().maximum() == 0, timeout=3000)
        assert panel.sections.count() >= 3 and panel.heading.isVisible()
        for row in range(panel.sections.count()):
            panel.sections.setCurrentRow(row)
            area = panel._stack.widget(row)
            assert area.isVisible()
            if size == (1280, 660) and panel.sections.item(row).text() not in LONG_SECTIONS:
                qtbot.waitUntil(lambda area=area: area.verticalScrollBar().maximum() == 0, timeout=3000)


def test_every_chart_says_what_it_shows_and_in_which_unit(
    checked: StrengthCheck, tuned: Answer, limited: Answer, diagnosed: Diagnosis
) -> None:
    for answer in (check_answer(checked, parse_rig(TEXT)), tuned, limited, diagnosed.answer):
        for chart in answer.charts:
            assert chart.title and chart.x_label and chart.caption.endswith("."), chart.title


def test_a_table_is_copied_whole(qtbot, shown, checked: StrengthCheck) -> None:
    table = shown(CheckPanel(check_answer(checked, parse_rig(TEXT)))).tables["sets"]
    qtbot.keyClick(table, QtCore.Qt.Key_C, QtCore.Qt.ControlModifier)
    rows = QtWidgets.QApplication.clipboard().text().splitlines()
    assert len(rows) == 1 + table.rowCount() and rows[0].startswith("set\tverdict\tblade, g")
    assert all(row.count("\t") == table.columnCount() - 1 for row in rows)


def test_replay_and_diagnosis_share_one_place_in_time(qtbot, diagnosed: Diagnosis) -> None:
    window = MainWindow()
    qtbot.addWidget(window)
    window.show_recording(Replay(page_runs.shaking_run(grows=True), parse_rig(TEXT), 0.0))
    panel = DiagnosisPanel(diagnosed)
    qtbot.addWidget(panel)
    window._link_cursors(panel)
    replay = window.pages.widget(0)
    assert isinstance(replay, ReplayPanel)
    panel._picked(12.0)
    assert replay.replay.cursor_s == pytest.approx(12.0)
    replay.move_to(20.0)
    assert panel.charts["speed"]._cursor == pytest.approx(20.0)


def test_closing_the_window_ends_the_work(qtbot) -> None:
    window = MainWindow()
    qtbot.addWidget(window)
    page = AnalysisPage(lambda state: window, page_runs.endless)
    window.add_page("endless", page)
    window.show()
    assert page.working
    window.close()
    assert page._worker is None


def test_a_page_appears_piece_by_piece(qtbot, diagnosed: Diagnosis) -> None:
    """Between the pieces Qt's loop turns: the sign of life of a session comes from there."""
    panel = DiagnosisPanel(diagnosed)
    qtbot.addWidget(panel)
    panel.resize(1100, 800)
    turns: list[int] = []
    pulse = QtCore.QTimer(panel)
    pulse.timeout.connect(lambda: turns.append(sum(view.isVisible() for view in panel.followers)))
    pulse.start(0)
    panel.show()
    *first, evidence = panel.followers
    assert not any(view.isVisible() for view in panel.followers)
    qtbot.waitUntil(lambda: all(view.isVisible() for view in first), timeout=5000)
    pulse.stop()
    assert set(turns) >= {0, 1, 2}
    qtbot.waitUntil(lambda: not panel._revealing.isActive(), timeout=5000)
    assert not evidence.isVisible()  # a section of its own: three charts one below the other are too low to be read
    panel.sections.setCurrentRow(1)
    assert evidence.isVisible()
