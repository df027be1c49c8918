"""The strips as a widget: what is drawn where, and what wheel, mouse and keys do."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from PyQt5 import QtCore, QtGui

from whirlbench.results.onset import Moment
from whirlbench.rig.toml import example_rig_text, parse_rig
from whirlbench.samples import SLOW_CHANNELS, Event, Run, SlowSamples
from whirlbench.window.drawing import palette
from whirlbench.window.replay.run_marks import recorded_marks, with_moments
from whirlbench.window.replay.strip_board import StripBoard
from whirlbench.window.replay.strip_painter import beside_ink, channel_colour, reading
from whirlbench.window.replay.strip_view import StripView, limit_place
from whirlbench.window.replay.time_span import TimeSpan
from whirlbench.window.replay.traces import traces

RIG = parse_rig(example_rig_text())
TIME_S = np.arange(0.0, 60.0, 0.01)
EVENTS = (Event(20.0, "trip", "overspeed", "6250 rpm"), Event(5.0, "note", "note", "gust"))


def run() -> Run:
    rpm = np.full(len(TIME_S), 3000.0)
    rpm[: len(TIME_S) // 10] = 100.0  # the first tenth lies low: what is left out of the beginning would be seen
    return Run(SlowSamples(TIME_S, rpm=rpm, current_a=np.full(len(TIME_S), 8.0)), events=EVENTS)


@pytest.mark.parametrize("name", palette.PALETTES)
def test_a_second_run_is_inked_unlike_the_strip_that_it_lies_over(name: str) -> None:
    palette.choose(name)
    try:
        filled = Run(SlowSamples(TIME_S, **{channel.name: TIME_S for channel in SLOW_CHANNELS}), events=EVENTS)
        for trace in traces(filled, RIG):
            inks = [channel_colour(trace), QtGui.QColor(palette.ink(beside_ink(trace)))]
            hues = [ink.hue() for ink in inks]
            apart = min((hues[0] - hues[1]) % 360, (hues[1] - hues[0]) % 360)
            assert apart > 30 or inks[0].saturation() < 60, (trace.name, hues)
    finally:
        palette.choose(palette.LIGHT)


@pytest.fixture
def board(qtbot) -> StripBoard:
    held = run()
    made = StripBoard(StripView.of_run(traces(held, RIG), TimeSpan.of_all(0.0, 59.99), 30.0, recorded_marks(EVENTS)))
    qtbot.addWidget(made)
    made.resize(1013, 413)
    made.show()
    return made


def inked(board: StripBoard, name: str, at_s: float, value: float, ink: str) -> bool:
    """Whether the strip of a channel has some of an ink within two pixels of a place."""
    strip = next(one for one in board.drawing().strips if one.trace.channel.name == name)
    x, y = round(float(strip.scale.x_px(at_s))), round(float(strip.scale.y_px(value)))
    image, wanted = board.grab().toImage(), QtGui.QColor(ink)
    near = [(x + right, y + down) for right in range(-2, 3) for down in range(-2, 3)]
    return any(_alike(image.pixelColor(*place), wanted) for place in near)


def _alike(one: QtGui.QColor, other: QtGui.QColor) -> bool:
    return max(abs(a - b) for a, b in zip(one.getRgb()[:3], other.getRgb()[:3], strict=True)) < 50


def turn_wheel(board: StripBoard, x: float, y: float, notches: int, held=QtCore.Qt.NoModifier) -> None:
    place = QtCore.QPointF(x, y)
    turned = QtCore.QPoint(0, 120 * notches)
    board.wheelEvent(
        QtGui.QWheelEvent(
            place, place, QtCore.QPoint(), turned, QtCore.Qt.NoButton, held, QtCore.Qt.NoScrollPhase, False
        )
    )


def test_the_first_samples_are_drawn(board: StripBoard) -> None:
    ink = palette.channel_ink("rpm")
    assert inked(board, "rpm", 0.0, 100.0, ink) and inked(board, "rpm", 1.0, 100.0, ink)
    assert inked(board, "rpm", 59.9, 3000.0, ink) and not inked(board, "rpm", 1.0, 3000.0, ink)


def test_the_wheel_comes_closer_about_the_pointer_until_single_samples_are_seen(board: StripBoard) -> None:
    scale = board.drawing().time_scale()
    x, y = round(float(scale.x_px(12.0))), scale.top + 20.0
    about_s = scale.x_at(x)
    turn_wheel(board, x, y, 1)
    assert board.view.span.length_s == pytest.approx(0.8 * 59.99)
    assert board.drawing().time_scale().x_at(x) == pytest.approx(about_s, abs=1e-6)
    turn_wheel(board, x, y, 34)
    shown = board.view.shown[0].seen(board.view.span.from_s, board.view.span.to_s, int(scale.width))
    assert 2 <= len(shown.x) <= 8 and np.isin(shown.x, TIME_S).all()
    before = board.view.span
    turn_wheel(board, x, y, -1, QtCore.Qt.ShiftModifier)
    assert board.view.span.from_s == pytest.approx(before.from_s + 0.1 * before.length_s)
    turn_wheel(board, x, y, -60)
    assert board.view.span.is_whole


def test_ctrl_and_the_wheel_scale_the_strip_under_the_pointer_alone(board: StripBoard, qtbot) -> None:
    first, second = board.drawing().strips
    turn_wheel(board, 600.0, first.scale.top + 30.0, 3, QtCore.Qt.ControlModifier)
    after = board.drawing().strips
    assert after[0].scale.y[1] - after[0].scale.y[0] < 0.6 * (first.scale.y[1] - first.scale.y[0])
    assert after[1].scale.y == second.scale.y
    qtbot.mouseDClick(board, QtCore.Qt.LeftButton, pos=QtCore.QPoint(20, int(first.scale.top + 10)))
    assert board.drawing().strips[0].scale.y == first.scale.y


def drag(board: StripBoard, qtbot, from_s: float, to_s: float) -> None:
    scale = board.drawing().time_scale()
    x1, x2, y = round(float(scale.x_px(from_s))), round(float(scale.x_px(to_s))), int(scale.top + 30)
    qtbot.mousePress(board, QtCore.Qt.LeftButton, pos=QtCore.QPoint(x1, y))
    moved = QtGui.QMouseEvent(
        QtCore.QEvent.MouseMove, QtCore.QPointF(x2, y), QtCore.Qt.NoButton, QtCore.Qt.LeftButton, QtCore.Qt.NoModifier
    )
    board.mouseMoveEvent(moved)
    qtbot.mouseRelease(board, QtCore.Qt.LeftButton, pos=QtCore.QPoint(x2, y))


def test_a_drag_selects_and_enter_shows_just_that(board: StripBoard, qtbot) -> None:
    drag(board, qtbot, 30.0, 20.0)
    assert board.view.selected == pytest.approx((20.0, 30.0), abs=0.1)
    qtbot.keyClick(board, QtCore.Qt.Key_Return)
    assert (board.view.span.from_s, board.view.span.to_s) == board.view.selected
    qtbot.keyClick(board, QtCore.Qt.Key_Escape)
    assert board.view.selected is None
    qtbot.keyClick(board, QtCore.Qt.Key_A)
    assert board.view.span.is_whole


def test_a_click_places_the_cursor_and_keys_go_sample_by_sample(board: StripBoard, qtbot) -> None:
    scale = board.drawing().time_scale()
    place = QtCore.QPoint(round(float(scale.x_px(40.0))), int(scale.top + 30))
    with qtbot.waitSignal(board.cursor_moved) as moved:
        qtbot.mouseClick(board, QtCore.Qt.LeftButton, pos=place)
    assert moved.args[0] == pytest.approx(40.0, abs=0.1)
    board.move_cursor(40.003)
    qtbot.keyClick(board, QtCore.Qt.Key_Right, QtCore.Qt.ShiftModifier)
    assert board.view.cursor_s == pytest.approx(40.01)
    qtbot.keyClick(board, QtCore.Qt.Key_Left, QtCore.Qt.ShiftModifier)
    assert board.view.cursor_s == pytest.approx(40.0)
    qtbot.keyClick(board, QtCore.Qt.Key_BracketLeft)
    qtbot.keyClick(board, QtCore.Qt.Key_End)
    qtbot.keyClick(board, QtCore.Qt.Key_BracketRight)
    assert board.view.selected == pytest.approx((40.0, 59.99))
    qtbot.keyClick(board, QtCore.Qt.Key_B)
    assert board.view.cursor_s == 20.0
    assert "speed 3000 rpm" in board.accessibleDescription() and "current 8 A" in board.accessibleDescription()


def test_marks_are_on_every_strip(board: StripBoard) -> None:
    found = with_moments(board.view.marks, [Moment(38.0, "onset", "growth: 1P moved first"), Moment(20.0, "trip", "x")])
    assert [(mark.at_s, mark.kind, mark.found) for mark in found] == [
        (5.0, "note", False), (20.0, "trip", False), (38.0, "onset", True),
    ]  # fmt: skip
    assert found[0].text == "gust"  # the operator's own word
    board.show_view(replace(board.view, marks=found, cursor_s=0.0))
    for strip in board.drawing().strips:
        name, (low, high) = strip.trace.channel.name, strip.scale.y
        heights = [low + (high - low) * share for share in (0.2, 0.4, 0.6, 0.8)]
        for mark in found:
            ink = palette.ink(mark.look[0])
            assert any(inked(board, name, mark.at_s, value, ink) for value in heights), (name, mark)


def test_a_limit_outside_the_scale_is_told_at_the_edge(board: StripBoard) -> None:
    places = {
        strip.trace.channel.name: limit_place(strip.trace.limit, strip.scale.y) for strip in board.drawing().strips
    }
    assert places == {"rpm": "above", "current_a": "above"}
    strip = board.drawing().strips[1]
    corner = board.grab().toImage().copy(int(strip.scale.right) - 90, int(strip.scale.top), 90, 16)
    over = QtGui.QColor(palette.ink("over"))
    assert any(_alike(corner.pixelColor(x, y), over) for x in range(corner.width()) for y in range(corner.height()))
    assert limit_place(None, (0.0, 1.0)) == "" and limit_place(0.5, (0.0, 1.0)) == "seen"
    assert limit_place(-1.0, (0.0, 1.0)) == "below"


def test_a_limit_that_is_near_is_within_the_scale() -> None:
    rpm = np.linspace(0.0, 5900.0, len(TIME_S))
    held = traces(Run(SlowSamples(TIME_S, rpm=rpm)), RIG)
    view = StripView.of_run(held, TimeSpan.of_all(0.0, 60.0), 0.0, ())
    assert limit_place(held[0].limit, view.scale_of(held[0])) == "seen"


def test_strips_are_hidden_but_never_the_last(board: StripBoard) -> None:
    without = board.view.toggled("current_a", shown=False)
    assert [trace.channel.name for trace in without.shown] == ["rpm"]
    assert without.toggled("rpm", shown=False) == without


def test_nothing_known_is_a_dash() -> None:
    assert reading(float("nan"), "N") == "–" and reading(12345.6, "rpm") == "12346 rpm"


def test_moving_the_cursor_draws_no_curve_anew(board: StripBoard) -> None:
    board.grab()
    picture = board._picture
    board.move_cursor(31.0)
    assert board._picture is picture
    board.zoom(0.5)
    assert board._picture is None
