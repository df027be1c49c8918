"""Nothing is armed from the window before every line of the check-list is ticked; the power cut stays in reach."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path

import pytest
from cleared_set import fitted
from held_session import HeldSession
from PyQt5 import QtCore, QtTest, QtWidgets

from whirlbench.rig.toml import example_rig_text, parse_rig
from whirlbench.session.engine import CommandKind, Ending, Outcome, check_list
from whirlbench.window.live.check_list_card import LineText
from whirlbench.window.live.spin_panel import SpinPanel
from whirlbench.window.main_window import MainWindow

RIG = parse_rig(example_rig_text())


@pytest.fixture
def session() -> HeldSession:
    return HeldSession("ready", "locked")


@pytest.fixture
def window(qtbot, session: HeldSession, tmp_path: Path) -> Iterator[MainWindow]:
    made = MainWindow()
    qtbot.addWidget(made)
    made.show_session(session, RIG, tmp_path / "run.h5", fitted(RIG, tmp_path))
    made.show()
    qtbot.waitActive(made)
    yield made
    session.ended = Outcome(Ending.DONE)
    made.close()


@pytest.fixture
def panel(window: MainWindow) -> SpinPanel:
    assert window.bridge is not None
    found = window.bridge.panel
    found.check_list.operator.setText("A. Tester")
    return found


def press_arm(panel: SpinPanel) -> None:
    QtTest.QTest.mouseClick(panel.buttons[CommandKind.ARM], QtCore.Qt.LeftButton)


def go_to(session: HeldSession, panel: SpinPanel, phase: str, state: str) -> None:
    session.progress = replace(session.progress, phase=phase, state=state)
    panel.advance()


def test_every_line_of_the_check_list_is_asked(panel: SpinPanel) -> None:
    assert [box.accessibleName() for box in panel.check_list.boxes] == list(check_list(RIG))
    assert panel.check_list.isVisible()
    assert not any(box.isChecked() for box in panel.check_list.boxes)


def test_arm_waits_for_the_last_tick(panel: SpinPanel, session: HeldSession) -> None:
    for box in panel.check_list.boxes:
        press_arm(panel)
        assert not panel.buttons[CommandKind.ARM].isEnabled()
        QtTest.QTest.mouseClick(box, QtCore.Qt.LeftButton, pos=QtCore.QPoint(8, box.height() // 2))
    assert session.commands == []
    press_arm(panel)
    assert session.commands == [(CommandKind.ARM, 0.0)]


def test_the_words_of_a_line_tick_its_box_too(panel: SpinPanel) -> None:
    for text in panel.check_list.findChildren(LineText):
        QtTest.QTest.mouseClick(text, QtCore.Qt.LeftButton, pos=QtCore.QPoint(20, 8))
        QtTest.QTest.mousePress(text, QtCore.Qt.LeftButton)
        QtTest.QTest.mouseRelease(text, QtCore.Qt.LeftButton, pos=QtCore.QPoint(-40, 8))  # thought better of it
        QtTest.QTest.mouseClick(text, QtCore.Qt.RightButton)
    assert all(box.isChecked() for box in panel.check_list.boxes)


def test_what_arm_waits_for_stands_beside_it(panel: SpinPanel, session: HeldSession) -> None:
    told, arm = panel.controls.awaited, panel.buttons[CommandKind.ARM]
    assert told.text() == arm.toolTip() == "arm waits: check-list 0 of 9"
    panel.check_list.operator.clear()
    for box in panel.check_list.boxes:
        box.click()
    assert told.text() == "arm waits: your name"
    panel.check_list.operator.setText("A. Tester")
    assert told.text() == "" and arm.isEnabled()
    session.progress = replace(session.progress, counters={"good": 1})
    panel.advance()
    assert told.text() == "arm waits: no heartbeat leaves" and not arm.isEnabled()
    session.progress = replace(session.progress, counters={"good": 1, "heartbeats": 1})
    go_to(session, panel, "agreeing", "locked")
    assert told.text() == "arm waits: session agreeing" and not arm.isEnabled()
    go_to(session, panel, "running", "armed")
    assert told.text() == ""


def test_a_tick_taken_back_takes_arming_back(panel: SpinPanel, session: HeldSession) -> None:
    for box in panel.check_list.boxes:
        box.click()
    panel.check_list.boxes[2].click()
    press_arm(panel)
    assert session.commands == []
    assert panel.check_list.count.text().startswith("8 of 9 ticked; ")


def test_the_power_cut_works_beside_the_open_check_list(
    window: MainWindow, panel: SpinPanel, session: HeldSession
) -> None:
    assert QtWidgets.QApplication.activeModalWidget() is None
    panel.check_list.boxes[0].setFocus()
    QtTest.QTest.keyClick(panel.check_list.boxes[0], QtCore.Qt.Key_Space)
    assert not panel.check_list.boxes[0].isChecked()
    QtTest.QTest.mouseClick(window.abort_bar, QtCore.Qt.LeftButton)
    assert session.commands == [(CommandKind.ABORT, 0.0)] * 2


def test_once_armed_the_check_list_leaves_and_is_not_asked_again(panel: SpinPanel, session: HeldSession) -> None:
    for box in panel.check_list.boxes:
        box.click()
    go_to(session, panel, "running", "armed")
    assert not panel.check_list.isVisible()
    go_to(session, panel, "ready", "locked")
    assert not panel.check_list.isVisible()
    assert panel.buttons[CommandKind.ARM].isEnabled()


def test_a_tick_offers_nothing_that_the_session_does_not(panel: SpinPanel, session: HeldSession) -> None:
    go_to(session, panel, "connecting", "")
    for box in panel.check_list.boxes:
        box.click()
    assert not panel.buttons[CommandKind.ARM].isEnabled()
