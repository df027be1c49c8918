"""The space bar cuts the power wherever the keyboard is, and a wheel turned over a dial commands nothing."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from pathlib import Path

import page_runs
import pytest
from cleared_set import fitted
from held_session import HeldSession
from PyQt5 import QtCore, QtGui, QtTest, QtWidgets

from whirlbench.rig.toml import example_rig_text, parse_rig
from whirlbench.session.engine import CommandKind, Ending, Outcome
from whirlbench.window.drawing.strips import Replay
from whirlbench.window.live.spin_panel import SpinPanel
from whirlbench.window.main_window import MainWindow

RIG = parse_rig(example_rig_text())
CUT = (CommandKind.ABORT, 0.0)


@pytest.fixture
def session() -> Iterator[HeldSession]:
    held = HeldSession("running", "turning")
    yield held
    if held.ended is None:
        held.close()


@pytest.fixture
def window(qtbot, session: HeldSession, tmp_path: Path) -> Iterator[MainWindow]:
    made = MainWindow()
    qtbot.addWidget(made)
    made.show_session(session, RIG, tmp_path / "run.h5", fitted(RIG, tmp_path))
    made.show_recording(Replay(page_runs.shaking_run(grows=False), RIG, 0.0))
    made.show()
    made.activateWindow()
    qtbot.waitActive(made)
    yield made
    session.ended = session.ended or Outcome(Ending.DONE)
    made.close()


def add(page: QtWidgets.QWidget, window: MainWindow) -> QtWidgets.QWidget:
    window.add_page("more", page)
    window.page_names.setCurrentRow(window.pages.count() - 1)
    return page


def panel_of(window: MainWindow) -> SpinPanel:
    assert window.bridge is not None
    return window.bridge.panel


def replay_part(window: MainWindow, kind: type) -> QtWidgets.QWidget:
    window.page_names.setCurrentRow(1)
    found = window.pages.widget(1).findChild(kind)
    assert found is not None
    return found


PLACES: dict[str, Callable[[MainWindow], QtWidgets.QWidget]] = {
    "window": lambda window: window,
    "throttle": lambda window: panel_of(window).throttle,
    "pitch": lambda window: panel_of(window).pitch,
    "events": lambda window: panel_of(window).events,
    "moments of a replay": lambda window: replay_part(window, QtWidgets.QListWidget),
    "slider of a replay": lambda window: replay_part(window, QtWidgets.QSlider),
    "pace of a replay": lambda window: replay_part(window, QtWidgets.QComboBox),
    "line of text": lambda window: add(QtWidgets.QLineEdit(), window),
    "text": lambda window: add(QtWidgets.QPlainTextEdit(), window),
    "table": lambda window: add(QtWidgets.QTableWidget(2, 2), window),
    "button": lambda window: add(QtWidgets.QPushButton("a button"), window),
    "box to tick": lambda window: add(QtWidgets.QCheckBox("a box"), window),
    "integer box": lambda window: add(QtWidgets.QSpinBox(), window),
}


@pytest.mark.parametrize("through_window", [False, True], ids=["to the widget", "as the system sends it"])
@pytest.mark.parametrize("place", PLACES)
def test_the_space_bar_cuts_the_power(
    window: MainWindow, session: HeldSession, place: str, through_window: bool
) -> None:
    widget = PLACES[place](window)
    widget.setFocus()
    QtWidgets.QApplication.processEvents()
    session.commands.clear()
    target = QtWidgets.QApplication.focusWidget() or window
    QtTest.QTest.keyClick(window.windowHandle() if through_window else target, QtCore.Qt.Key_Space)
    assert session.commands == [CUT]


def test_a_held_key_cuts_once_and_a_second_press_again(window: MainWindow, session: HeldSession) -> None:
    panel_of(window).throttle.setFocus()
    for repeats in (False, True, True):
        press = QtGui.QKeyEvent(QtCore.QEvent.KeyPress, QtCore.Qt.Key_Space, QtCore.Qt.NoModifier, " ", repeats)
        QtWidgets.QApplication.sendEvent(panel_of(window).throttle, press)
    assert session.commands == [CUT]
    QtTest.QTest.keyClick(panel_of(window).throttle, QtCore.Qt.Key_Space)
    assert session.commands == [CUT, CUT]


def test_other_keys_are_typed(window: MainWindow, session: HeldSession) -> None:
    line = add(QtWidgets.QLineEdit(), window)
    line.setFocus()
    QtTest.QTest.keyClicks(line, "4000,4500")
    assert line.text() == "4000,4500"
    assert session.commands == []


def test_after_the_session_the_space_bar_types_blanks(window: MainWindow, session: HeldSession, qtbot) -> None:
    session.ended = Outcome(Ending.DONE)
    qtbot.waitUntil(lambda: not window.abort_bar.isEnabled())
    line = add(QtWidgets.QLineEdit(), window)
    QtTest.QTest.keyClicks(line, "a b")
    assert line.text() == "a b"
    assert CUT not in session.commands


def test_a_closed_window_leaves_the_keyboard_alone(window: MainWindow, session: HeldSession, qtbot) -> None:
    session.ended = Outcome(Ending.DONE)
    window.close()
    window.abort_bar.setEnabled(True)
    other = QtWidgets.QLineEdit()
    qtbot.addWidget(other)
    QtTest.QTest.keyClicks(other, "a b")
    assert other.text() == "a b"
    assert CUT not in session.commands


@pytest.mark.parametrize("dial", ["throttle", "pitch"])
def test_the_wheel_orders_nothing(window: MainWindow, session: HeldSession, dial: str) -> None:
    box = getattr(panel_of(window), dial)
    box.setEnabled(True)
    box.setFocus()
    middle = QtCore.QPointF(box.rect().center())
    turn = QtGui.QWheelEvent(
        middle, box.mapToGlobal(middle.toPoint()), QtCore.QPoint(), QtCore.QPoint(0, 120), QtCore.Qt.NoButton,
        QtCore.Qt.NoModifier, QtCore.Qt.NoScrollPhase, False,
    )  # fmt: skip
    before = box.value()
    QtWidgets.QApplication.sendEvent(box, turn)
    assert box.value() == before
    assert session.commands == []
