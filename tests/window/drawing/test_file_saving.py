"""Where something is saved: the ending follows the kind chosen, and a table goes to CSV as it is seen."""

from __future__ import annotations

from pathlib import Path

from PyQt5 import QtCore, QtTest, QtWidgets

from whirlbench.window.drawing.text_table import TextTable
from whirlbench.window.file_saving import ask_path
from whirlbench.window.replay.picture import FILTERS


def dialog_of(widget: QtWidgets.QWidget) -> QtWidgets.QFileDialog:
    found = widget.findChild(QtWidgets.QFileDialog)
    assert found is not None and found.isVisible() and not found.isModal()
    return found


def test_the_ending_follows_the_kind_whether_chosen_before_or_after_the_name(qtbot, tmp_path: Path) -> None:
    parent, taken = QtWidgets.QWidget(), []
    qtbot.addWidget(parent)
    parent.show()
    for kind in FILTERS:
        ask_path(parent, "save", str(tmp_path / "run.png"), FILTERS, taken.append)
        dialog = dialog_of(parent)
        dialog.selectNameFilter(kind)
        dialog.filterSelected.emit(kind)  # as a choice in its box does
        dialog.accept()
        QtWidgets.QApplication.sendPostedEvents(None, QtCore.QEvent.DeferredDelete)
    ask_path(parent, "save", str(tmp_path), FILTERS, taken.append)
    dialog = dialog_of(parent)
    dialog.filterSelected.emit(FILTERS[1])
    line = dialog.findChild(QtWidgets.QLineEdit)
    line.setText("another")
    dialog.accept()
    assert [path.name for path in taken] == ["run.png", "run.svg", "run.csv", "another.svg"]


def test_a_table_is_saved_as_it_is_seen(qtbot, tmp_path: Path) -> None:
    window = QtWidgets.QMainWindow()
    window.statusBar()
    qtbot.addWidget(window)
    table = TextTable(("what", "thrust, N"), (("root; hub", "71.3"), ('a "quoted", one', "—")))
    window.setCentralWidget(table)
    window.show()
    table.setFocus()
    QtTest.QTest.keyClick(table, QtCore.Qt.Key_S, QtCore.Qt.ControlModifier)
    dialog = dialog_of(table)
    dialog.findChild(QtWidgets.QLineEdit).setText(str(tmp_path / "table"))
    dialog.accept()
    written = tmp_path / "table.csv"
    assert written.read_text() == 'what,"thrust, N"\nroot; hub,71.3\n"a ""quoted"", one",—\n'
    assert window.statusBar().currentMessage() == f"written: {written}"
    table.save(tmp_path / "nowhere" / "table.csv")
    assert "cannot be written" in window.statusBar().currentMessage()
