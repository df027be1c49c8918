"""A set-point is sent on Enter or by a held button alone, in bounded steps; nothing else that is done to it counts."""

from __future__ import annotations

import math

import pytest
from PyQt5 import QtCore, QtTest, QtWidgets

from whirlbench.window.live import set_point_box
from whirlbench.window.live.set_point_box import Bounds, HoldButton, SetPointBox

BOUNDS = Bounds(1000.0, 1900.0, 100.0, 10.0, down_free=True)
WITH_IDLE = Bounds(1000.0, 1900.0, 100.0, 10.0, True, 1100.0)
PITCH = Bounds(-4.0, 26.0, 3.0, 0.5)
Key = QtCore.Qt


@pytest.fixture
def page(qtbot):
    """A box at 1300 us beside another field; ``sent`` and ``said`` collect what it does."""
    made = QtWidgets.QWidget()
    qtbot.addWidget(made)
    row = QtWidgets.QHBoxLayout(made)
    made.box, made.other = SetPointBox("throttle (us)", BOUNDS, 0), QtWidgets.QLineEdit()
    made.up = HoldButton(made.box, 1)
    for widget in (made.box, made.up, made.other):
        row.addWidget(widget)
    made.sent, made.said = [], []
    made.box.commanded.connect(made.sent.append)
    made.box.refused.connect(made.said.append)
    made.show()
    made.activateWindow()
    qtbot.waitActive(made)
    made.box.show_present(1300.0, True)
    made.box.setFocus()
    return made


def type_(page, text: str) -> None:
    page.box.selectAll()
    QtTest.QTest.keyClicks(page.box, text)


@pytest.mark.parametrize("key", [Key.Key_Return, Key.Key_Enter])
def test_enter_sends_what_is_typed_once(page, key) -> None:
    type_(page, "1380")
    assert page.sent == []
    QtTest.QTest.keyClick(page.box, key)
    assert page.sent == [1380.0]


@pytest.mark.parametrize("keys", [[Key.Key_Escape], [Key.Key_Tab], [Key.Key_Escape, Key.Key_Return]])
def test_escape_and_leaving_give_it_up(page, keys) -> None:
    type_(page, "1380")
    for key in keys:
        QtTest.QTest.keyClick(QtWidgets.QApplication.focusWidget() or page, key)
    assert page.sent == [] and page.box.value() == 1300.0


def test_a_box_that_loses_the_window_gives_it_up(page) -> None:
    type_(page, "188")
    page.other.setFocus()
    assert page.sent == [] and page.box.value() == 1300.0 and "1300" in page.box.text()


@pytest.mark.parametrize(
    ("key", "prepared"),
    [(Key.Key_Up, 1310.0), (Key.Key_PageUp, 1310.0), (Key.Key_Down, 1290.0), (Key.Key_PageDown, 1290.0)],
)
def test_arrows_and_page_keys_only_prepare_one_step(page, key, prepared) -> None:
    QtTest.QTest.keyClick(page.box, key)
    assert page.sent == [] and page.box.value() == prepared


def test_a_step_that_is_too_large_is_refused_in_words_not_cut_short(page) -> None:
    type_(page, "1880")
    QtTest.QTest.keyClick(page.box, Key.Key_Return)
    assert page.sent == [] and page.box.value() == 1300.0
    assert page.said == ["not sent: from 1300 to 1880 is more than 100 at once"]


@pytest.mark.parametrize(
    ("bounds", "present", "asked", "sent"),
    [
        (BOUNDS, 1300.0, 1400.0, True),
        (BOUNDS, 1300.0, 1400.1, False),
        (BOUNDS, 1800.0, 1000.0, True),  # down in one go
        (BOUNDS, math.nan, 1000.0, True),  # closed whatever is known
        (BOUNDS, math.nan, 1010.0, False),
        (WITH_IDLE, 1000.0, 1200.0, True),  # from where the motor begins to turn
        (WITH_IDLE, 1000.0, 1201.0, False),
        (WITH_IDLE, 1150.0, 1250.0, True),
        (WITH_IDLE, 1150.0, 1251.0, False),
        (PITCH, 8.0, 11.0, True),
        (PITCH, 8.0, 11.5, False),
        (PITCH, 8.0, 4.5, False),
        (PITCH, math.nan, 8.0, False),
    ],
)
def test_bounds_of_one_command(bounds: Bounds, present: float, asked: float, sent: bool) -> None:
    objection = bounds.objection(present, asked)
    assert (objection == "") is sent
    assert ("not known" in objection) is (math.isnan(present) and not sent)


def test_a_disabled_box_sends_nothing(page) -> None:
    page.box.show_present(1300.0, False)
    page.box.ask(1310.0)
    assert page.sent == []


def test_a_value_that_nobody_knows_is_a_dash(page) -> None:
    page.box.clearFocus()
    page.box.show_present(math.nan, False)
    assert page.box.text().endswith("—")


@pytest.fixture
def quick(monkeypatch) -> None:
    monkeypatch.setattr(set_point_box, "HOLD_MS", 40)
    monkeypatch.setattr(set_point_box, "REPEAT_MS", 20)


def test_a_held_button_steps_until_it_is_let_go(page, quick, qtbot) -> None:
    QtTest.QTest.mousePress(page.up, Key.LeftButton)
    qtbot.waitUntil(lambda: len(page.sent) >= 3)
    QtTest.QTest.mouseRelease(page.up, Key.LeftButton)
    sent = list(page.sent)
    assert sent[:3] == [1310.0, 1320.0, 1330.0]
    qtbot.wait(60)
    assert page.sent == sent


def test_a_touch_in_passing_commands_nothing(page, qtbot, monkeypatch) -> None:
    monkeypatch.setattr(set_point_box, "HOLD_MS", 200)
    QtTest.QTest.mousePress(page.up, Key.LeftButton)
    qtbot.wait(50)
    QtTest.QTest.mouseRelease(page.up, Key.LeftButton)
    qtbot.wait(250)
    assert page.sent == []


def test_a_button_that_is_disabled_while_held_steps_no_further(page, quick, qtbot) -> None:
    QtTest.QTest.mousePress(page.up, Key.LeftButton)
    qtbot.waitUntil(lambda: bool(page.sent))
    page.up.setEnabled(False)
    sent = list(page.sent)
    qtbot.wait(60)
    assert page.sent == sent


def test_a_button_held_far_ahead_of_the_stand_is_stopped_by_the_bounds(page, quick, qtbot) -> None:
    QtTest.QTest.mousePress(page.up, Key.LeftButton)
    qtbot.waitUntil(lambda: len(page.said) >= 3, timeout=5000)
    assert max(page.sent) == 1400.0  # the stand never left 1300
    page.sent.clear()
    page.box.show_present(1400.0, True)
    qtbot.waitUntil(lambda: bool(page.sent))
    QtTest.QTest.mouseRelease(page.up, Key.LeftButton)
    assert page.sent[0] == 1410.0  # what was refused meanwhile is not made up for
