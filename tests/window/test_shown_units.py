"""Units of the screen: whatever is shown in N, W or C comes in the unit chosen, whole tables or none of a column."""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np
import page_answers
import pytest
from PyQt5 import QtWidgets

from whirlbench.results.chart import Chart, Curve, MarkLine
from whirlbench.samples import SLOW_CHANNELS
from whirlbench.window import shown_units
from whirlbench.window.drawing.text_table import TextTable
from whirlbench.window.main_window import MainWindow
from whirlbench.window.menus import show_unit
from whirlbench.window.pages.limits_panel import LimitsPanel
from whirlbench.window.settings import Settings


@pytest.fixture(autouse=True)
def units_of_files() -> Iterator[None]:
    yield
    for kind, units in shown_units.KINDS.items():
        shown_units.choose(kind, units[0].name)


@pytest.fixture
def foreign() -> None:
    for kind, name in (("force", "kgf"), ("power", "hp"), ("temperature", "F")):
        shown_units.choose(kind, name)


def test_the_factors_are_those_of_their_definitions() -> None:
    """NIST SP 811, B.8 (from memory): 1 lbf = 4.448 222 N, 1 kgf = 9.806 65 N, 1 hp (550 ft lbf/s) = 745.6999 W."""
    known = {unit.name: unit for units in shown_units.KINDS.values() for unit in units}
    assert 1.0 / known["lbf"].factor == pytest.approx(4.448222, rel=1e-7)
    assert 1.0 / known["kgf"].factor == 9.80665
    assert 1.0 / known["hp"].factor == pytest.approx(745.6999, rel=1e-7)
    assert known["F"].of(np.array([-40.0, 0.0, 100.0])).tolist() == pytest.approx([-40.0, 32.0, 212.0])


@pytest.mark.parametrize(
    ("given", "shown"),
    [
        ("thrust 71.3 N at 4455 rpm", "thrust 7.27 kgf at 4455 rpm"),
        ("71.3 ± 0.4 / 135 N", "7.27 ± 0.04 / 13.8 kgf"),
        ("12, 40 and 100 N, 3 N m, 4 N/mm2, 5 N mm", "1.2, 4.1 and 10.2 kgf, 3 N m, 4 N/mm2, 5 N mm"),
        ("power 3600 to 3700.5 W", "power 4.828 to 4.9625 hp"),
        ("the air has 18.5 ± 0.5 C, not −3 C", "the air has 65.3 ± 0.9 F, not 27 F"),
        ("set limits.thrust_n to 80 N", "set limits.thrust_n to 80 N"),  # that is what will be typed
        ("1.2e+03 N", "122.4 kgf"),
        ("4P at 12 Hz, X5 N", "4P at 12 Hz, X5 N"),
    ],
)
def test_figures_in_a_sentence_come_in_the_units_chosen(foreign: None, given: str, shown: str) -> None:
    assert shown_units.text(given) == shown


def test_units_of_the_files_change_nothing() -> None:
    for given in ("71.3 ± 0.4 / 135 N", "18.50 C", "1.2e+03 W"):
        assert shown_units.text(given) == given
    chart = page_answers.limits().chart("CT")
    assert shown_units.chart(chart) == chart


def test_a_column_is_converted_whole_or_not_at_all(foreign: None) -> None:
    headings, rows = shown_units.table(
        ("speed, rpm", "thrust, N", "pull, N"), (("4000", "71.3 ± 0.4", "12 (3 bolts)"), ("4500", "—", "14"))
    )
    assert headings == ("speed, rpm", "thrust, kgf", "pull, N")
    assert rows == (("4000", "7.27 ± 0.04", "12 (3 bolts)"), ("4500", "—", "14"))


def test_a_chart_is_converted_with_all_that_is_on_it(foreign: None) -> None:
    given = Chart(
        "at 100 N", "force (N)", "power, W", (Curve(np.array([0.0, 98.0665]), np.array([745.699871582, np.nan])),),
        lines=(MarkLine(49.03325, "limit 49.0 N"), MarkLine(7456.99871582, upright=False)), y_span=(0.0, 7456.99871582),
        caption="Ends at 98.07 N.",
    )  # fmt: skip
    shown = shown_units.chart(given)
    assert (shown.x_label, shown.y_label, shown.title) == ("force (kgf)", "power, hp", "at 10.2 kgf")
    assert shown.curves[0].x.tolist() == pytest.approx([0.0, 10.0]) and shown.curves[0].y[0] == pytest.approx(1.0)
    assert [line.at for line in shown.lines] == pytest.approx([5.0, 10.0]) and shown.lines[0].label == "limit 5.00 kgf"
    assert shown.y_span == pytest.approx((0.0, 10.0)) and shown.caption == "Ends at 10.000 kgf."


def test_no_figure_of_a_page_keeps_the_files_unit(foreign: None, qtbot) -> None:
    """Columns and axes of every page with data, and the channels."""
    answers = (page_answers.check(), page_answers.tune(), page_answers.limits(), page_answers.diagnosed().answer)
    for answer in answers:
        for table in (*answer.tables, *answer.appendix):
            headings, _ = shown_units.table(table.headings, table.rows)
            assert not [heading for heading in headings if heading.endswith((", N", ", W", ", C"))], table.title
        for chart in map(shown_units.chart, answer.charts):
            assert not chart.x_label.endswith(("(N)", "(W)")) and not chart.y_label.endswith(("(N)", "(W)"))
    assert {shown_units.channel(one).unit for one in SLOW_CHANNELS} == {"rpm", "A", "V", "kgf", "us", "deg"}


def test_a_choice_changes_what_is_open_and_is_kept(qtbot, tmp_path) -> None:
    window = MainWindow(Settings(tmp_path / "window.ini"))
    qtbot.addWidget(window)
    panel = LimitsPanel(page_answers.limits())
    window.add_page("limits", panel, "run")
    before = [panel.tables["holds"].horizontalHeaderItem(column).text() for column in range(4)]
    force = next(action for action in window.menus.units["force"].actions() if action.text() == "lbf")
    force.trigger()
    table = panel.tables["holds"]
    after = [table.horizontalHeaderItem(column).text() for column in range(table.columnCount())]
    assert "thrust, lbf" in after and after[:1] == before[:1]
    assert Settings(tmp_path / "window.ini").unit("force") == "lbf"
    show_unit(window, "force", "N")
    assert "thrust, N" in [table.horizontalHeaderItem(column).text() for column in range(table.columnCount())]
    window.close()


def test_units_do_not_change_in_mid_run(qtbot, tmp_path) -> None:
    window = MainWindow(Settings(tmp_path / "window.ini"))
    qtbot.addWidget(window)
    window._session_lives = lambda: True
    menu = window.menus.units["force"]
    next(action for action in menu.actions() if action.text() == "kgf").trigger()
    assert shown_units.chosen("force") == "N" and "a session is running" in window.statusBar().currentMessage()
    assert [action.text() for action in menu.actions() if action.isChecked()] == ["N"]


def test_a_setting_that_is_none_counts_as_never_set(tmp_path) -> None:
    settings = Settings(tmp_path / "window.ini")
    settings.keep_unit("force", "stone")
    assert settings.unit("force") == "N"


def test_a_table_is_copied_as_it_is_seen(qtbot, foreign: None) -> None:
    table = TextTable(("thrust, N",), (("98.07",),))
    qtbot.addWidget(table)
    table.copy()
    assert QtWidgets.QApplication.clipboard().text() == "thrust, kgf\n10.000"
