"""The window's panel of an answer: each danger and caution word for word, and no number that must not be used."""

from __future__ import annotations

from dataclasses import replace

import pytest
from probe_answer import DANGER_ROW, FORBIDDEN_RPM, PROBE, lost, slipped
from PyQt5 import QtCore, QtWidgets

from whirlbench.window.drawing import palette
from whirlbench.window.drawing.text_table import TextTable
from whirlbench.window.pages.answer_panel import REMARKS_PX, AnswerPanel


@pytest.fixture
def panel(qtbot):
    made = AnswerPanel(PROBE)
    qtbot.addWidget(made)
    made.resize(900, 1400)
    made.show()
    qtbot.waitUntil(lambda: not made._unrevealed)
    return made


def row_of(table: TextTable, number: int) -> tuple[str, ...]:
    return tuple(table.item(number, column).text() for column in range(table.columnCount()))


def words_of(panel: AnswerPanel) -> str:
    """What is to be read on the panel: visible labels, then the cells of visible tables."""
    labels = [label.text() for label in panel.findChildren(QtWidgets.QLabel) if label.isVisible()]
    tables = [table for table in panel.findChildren(TextTable) if table.isVisible()]
    cells = [cell for table in tables for number in range(table.rowCount()) for cell in row_of(table, number)]
    return "\n".join([*labels, *cells])


def test_every_danger_and_caution_stands_word_for_word_and_no_forbidden_number(panel) -> None:
    assert lost(words_of(panel)) == []
    assert not slipped(words_of(panel))
    assert all(label.textFormat() == QtCore.Qt.PlainText for label in panel.remarks.labels)


def test_a_row_that_must_not_be_acted_on_is_red(panel) -> None:
    table = panel.tables["limits"]
    assert row_of(table, 1) == DANGER_ROW
    inks = [table.item(number, 0).foreground().color().name() for number in range(3)]
    assert inks[1] == palette.OVER and palette.OVER not in (inks[0], inks[2])


def test_another_palette_prints_that_row_in_its_own_red(panel, qapp) -> None:
    cell, kept = panel.tables["limits"].item(1, 0), qapp.styleSheet()
    try:
        palette.choose("dark")
        qapp.setStyleSheet(palette.style_sheet())
        assert cell.foreground().color().name() == palette.OVER
    finally:
        palette.choose(palette.LIGHT)
        qapp.setStyleSheet(kept)


def test_a_table_without_rows_is_not_there_until_it_has_some(panel, qtbot) -> None:
    empty = tuple(replace(table, rows=(), danger=()) for table in PROBE.tables)
    fresh = AnswerPanel(replace(PROBE, tables=empty))
    qtbot.addWidget(fresh)
    fresh.show()
    qtbot.waitUntil(lambda: not fresh._unrevealed)
    assert all(table.isHidden() for table in fresh.tables.values())
    fresh.show_state(PROBE)
    assert not any(table.isHidden() for table in fresh.tables.values())


def test_remarks_end_with_a_whole_line_however_small_the_window_is(panel) -> None:
    area = panel.remarks.parent().parent()
    line = area.fontMetrics().height() + 2
    for height in (500, 600, 768, 1400):
        panel.resize(900, height)
        assert area.verticalScrollBar().maximum() == 0 or (area.sizeHint().height() + 2) % line == 0, height
    assert REMARKS_PX >= area.sizeHint().height() > 2 * line


def test_a_drawn_curve_is_broken_where_it_must_not_be_read(panel) -> None:
    view = panel.charts["limits"]
    image, scale = view.grab().toImage(), view.scale()

    def drawn(rpm: float) -> bool:
        column = round(float(scale.x_px(rpm)))
        rows = range(round(scale.top), round(scale.bottom))
        colours = [image.pixelColor(column, row) for row in rows]
        return any(colour.blue() > colour.red() + 50 for colour in colours)  # the curve alone is blue

    assert drawn(3250.0) and drawn(4750.0) and not drawn(FORBIDDEN_RPM)


def test_nothing_stays_of_an_earlier_answer(panel) -> None:
    panel.show_state(replace(PROBE, remarks=PROBE.remarks[:1], charts=(), not_judged=()))
    assert len(lost(words_of(panel))) == 5
    assert panel.charts["limits"].chart.curves == ()
