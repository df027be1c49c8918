"""The gate in the window: arming stays out of reach of an uncleared set, the reason is on the page, words are kept."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import pytest
from cleared_set import fitted
from held_session import HeldSession
from PyQt5 import QtCore, QtTest

from whirlbench.log import EntryKind, SetLog
from whirlbench.rig.toml import example_rig_text, parse_rig
from whirlbench.session.engine import Command, CommandKind, Ending, Outcome
from whirlbench.window.live.spin_panel import SpinPanel
from whirlbench.window.main_window import MainWindow

RIG = parse_rig(example_rig_text())


@pytest.fixture
def session():
    return HeldSession("ready", "locked")


@pytest.fixture
def window(qtbot, session):
    made = MainWindow()
    qtbot.addWidget(made)
    yield made
    session.ended = session.ended or Outcome(Ending.DONE)
    made.close()


@pytest.fixture
def make_panel(qtbot, window, session, tmp_path):
    """The page of a set that is permitted so much; every line ticked, the operator named."""

    def make(permitted_rpm=RIG.limits.overspeed_rpm, on_hub=True) -> SpinPanel:
        found = replace(fitted(RIG, tmp_path), permitted_rpm=permitted_rpm, not_judged="no material")
        window.show_session(session, RIG, tmp_path / "run.h5", found if on_hub else None)
        window.show()
        qtbot.waitActive(window)
        panel = window.bridge.panel
        panel.check_list.operator.setText("A. Tester")
        for box in panel.check_list.boxes:
            box.click()
        panel.advance()
        return panel

    return make


def entries(folder: Path):
    """What stands in the log beside the calibrations in force."""
    with SetLog(folder / "blade_sets.sqlite", simulated=True) as log:
        return tuple(entry for entry in log.entries() if entry.kind is not EntryKind.CALIBRATION)


def arm(panel):
    button = panel.buttons[CommandKind.ARM]
    QtTest.QTest.mouseClick(button, QtCore.Qt.LeftButton)
    return button.isEnabled()


def test_a_cleared_set_is_named_and_may_be_armed(make_panel, session, tmp_path):
    panel = make_panel()

    assert "blade set moulded: permitted 6000 rpm" in panel.gate.sentence.text()
    assert not panel.gate.against.isVisible() and not panel.gate.fields.isVisible()
    assert arm(panel) and session.commands == [(CommandKind.ARM, 0.0)]
    assert [entry.kind for entry in entries(tmp_path)] == [EntryKind.BEGUN]
    assert entries(tmp_path)[0].operator == "A. Tester"
    assert [word.kind for word in session.said] == [CommandKind.CONFIRM] * len(panel.check_list.boxes)


@pytest.mark.parametrize(
    ("permitted_rpm", "words"), [(4900.0, "above the permitted 4900 rpm"), (None, "not judged: no material")]
)
def test_an_uncleared_set_cannot_be_armed_and_the_page_says_why(make_panel, session, permitted_rpm, words):
    panel = make_panel(permitted_rpm)

    assert not arm(panel) and session.commands == []
    assert words in panel.gate.against.text() and panel.gate.against.isVisible()
    assert "whirlbench check" in panel.gate.against.text()  # what to do, in the words of the terminal


def test_a_session_without_a_judged_set_cannot_be_armed(make_panel, session):
    panel = make_panel(on_hub=False)

    assert not arm(panel) and "nobody has judged" in panel.gate.against.text()
    assert not panel.gate.fields.isVisible()


def override(panel, name, reason):
    panel.gate.typed_name.setText(name)
    QtTest.QTest.keyClicks(panel.gate.reason, reason)
    panel.gate.button.click()


@pytest.mark.parametrize(("name", "reason"), [("printed", "proof"), ("moulded", ""), ("", "proof")])
def test_an_override_that_is_not_meant_arms_nothing(make_panel, session, name, reason, tmp_path):
    panel = make_panel(4900.0)
    override(panel, name, reason)

    assert not arm(panel) and session.said == [] and entries(tmp_path) == ()


def test_an_override_by_name_and_reason_is_in_the_log_told_and_shown(make_panel, session, tmp_path):
    panel = make_panel(4900.0)
    override(panel, "moulded", "proof_of_the_root")

    assert session.said == [Command(CommandKind.OVERRIDE, 0.0, "proof of the root", "A. Tester", "moulded")]
    assert entries(tmp_path)[0].kind is EntryKind.OVERRIDE
    assert panel.gate.override.text() == "gate overridden by A. Tester: proof of the root"
    assert panel.gate.override.isVisible() and arm(panel)


def test_nothing_is_armed_that_the_log_does_not_take(make_panel, session, tmp_path):
    panel = make_panel()
    (tmp_path / "blade_sets.sqlite").write_bytes(b"words, not a database" * 100)

    arm(panel)
    assert session.commands == []
    panel.advance()
    assert "the log cannot be used" in panel.gate.against.text()


def test_without_a_name_nothing_is_armed(make_panel):
    panel = make_panel()
    panel.check_list.operator.clear()

    assert not arm(panel)


def test_after_a_trip_the_check_list_is_asked_again(make_panel, session):
    panel = make_panel()
    for phase, state in (("running", "turning"), ("tripped", "tripped"), ("ready", "locked")):
        session.progress = replace(session.progress, phase=phase, state=state)
        panel.advance()

    assert panel.check_list.isVisible() and not panel.check_list.complete() and not arm(panel)


def test_a_note_is_one_key_and_its_words(make_panel, session):
    panel = make_panel()
    QtTest.QTest.keyClick(panel, QtCore.Qt.Key_F2)
    QtTest.QTest.keyClicks(panel.note, "smell_of_resin")
    QtTest.QTest.keyClick(panel.note, QtCore.Qt.Key_Return)

    assert session.said == [Command(CommandKind.NOTE, 0.0, "smell of resin", "A. Tester")]
    assert panel.note.text() == ""


def test_the_run_is_entered_when_the_session_has_ended(make_panel, window, session, tmp_path):
    assert arm(make_panel())
    session.ended = Outcome(Ending.REFUSED, "the self-test failed")
    window.bridge._frame()

    assert [entry.kind for entry in entries(tmp_path)] == [EntryKind.BEGUN, EntryKind.NOT_ARMED]
    assert "not armed of moulded" in window.statusBar().currentMessage()
    panel = window.bridge.panel
    panel.advance()
    QtTest.QTest.keyClicks(panel.note, "every root looked at")
    QtTest.QTest.keyClick(panel.note, QtCore.Qt.Key_Return)
    last = entries(tmp_path)[-1]
    assert (last.kind, last.text, last.operator) == (EntryKind.INSPECTION, "every root looked at", "A. Tester")
