"""The strips on the screen: what was brought up to date piece by piece is what is painted at once."""

from __future__ import annotations

import os
import subprocess
import sys
from collections.abc import Iterator
from pathlib import Path

import numpy as np
import pytest
from PyQt5 import QtGui, QtWidgets

from whirlbench.samples import Event
from whirlbench.window.drawing import palette
from whirlbench.window.drawing.live_strips import AXIS_PX, LEFT_PX, RIGHT_PX, LiveStrips, scale_ticks
from whirlbench.window.drawing.strips import BY_NAME, VIBRATION
from whirlbench.window.stand_state.column_trail import ColumnTrail, Stream

SHOWN_S = 60.0
CHANNELS = [(BY_NAME["rpm"], BY_NAME["speed_request_rpm"]), (BY_NAME["thrust_n"], None), (VIBRATION, None)]
ROWS = ("rpm", "speed_request_rpm", "thrust_n", "vibration_g")
COLOUR = QtGui.QColor


class Feed:
    """Samples as a run brings them, and the minute in as many columns as asked for."""

    def __init__(self) -> None:
        self.rng = np.random.default_rng(7)
        self.time_s, self.values = np.empty(0), np.empty((len(ROWS), 0))
        self._show(100)

    def _show(self, columns: int) -> None:
        self.trail, self.stream = ColumnTrail(len(ROWS), columns, SHOWN_S / columns), Stream(slice(0, len(ROWS)))
        self.trail.take(self.stream, self.time_s, self.values)

    def __call__(self, columns: int) -> ColumnTrail:
        if columns != self.trail.columns:
            self._show(columns)
        return self.trail

    def bring(self, seconds: float, rpm: float = 4000.0, lost_s: float = 0.0) -> None:
        """More samples, after a gap."""
        begin_s = (self.time_s[-1] if len(self.time_s) else 0.0) + lost_s
        time_s = begin_s + 0.02 * np.arange(1, 1 + round(seconds / 0.02))
        values = np.array([[rpm], [4100.0], [60.0], [1.0]]) * (1 + 0.01 * self.rng.standard_normal((4, len(time_s))))
        self.time_s, self.values = np.append(self.time_s, time_s), np.append(self.values, values, axis=1)
        self.trail.take(self.stream, time_s, values)


@pytest.fixture
def shown(qtbot) -> Iterator[tuple[LiveStrips, Feed]]:
    feed = Feed()
    feed.bring(70.0)
    strips = LiveStrips(CHANNELS, ROWS, feed, "seconds ago")
    strips.show_limits({"rpm": 4050.0, "thrust_n": 500.0})
    qtbot.addWidget(strips)
    strips.resize(500, 300)
    strips.show()
    QtWidgets.QApplication.processEvents()
    yield strips, feed


def on_screen(strips: LiveStrips) -> QtGui.QImage:
    """What the screen shows now, as it was brought up to date so far."""
    strips.advance()
    QtWidgets.QApplication.processEvents()
    return QtWidgets.QApplication.primaryScreen().grabWindow(strips.winId()).toImage().convertToFormat(RGB)


def at_once(strips: LiveStrips) -> QtGui.QImage:
    """The same, everything drawn anew."""
    strips._picture = None
    return strips.grab().toImage().convertToFormat(RGB)


RGB = QtGui.QImage.Format_RGB32


def check_all(strips: LiveStrips, feed: Feed) -> None:
    """Through scrolls, a gap, marks, a scale that grows, another size and another palette."""
    for turn in range(24):
        feed.bring(0.04 + 0.03 * (turn % 3), rpm=4000.0 + 40.0 * turn, lost_s=2.5 if turn == 8 else 0.0)
        if turn == 12:
            strips.take_events([Event(float(feed.time_s[-1]), "note", "note", "words")])
        if turn == 16:
            strips.resize(613, 347)
            QtWidgets.QApplication.processEvents()
        seen = on_screen(strips)
        if turn % 4 != 3:
            continue  # no full drawing in between: faults would heal
        assert seen == at_once(strips), f"turn {turn}"
    palette.choose("dark")
    strips.setStyleSheet("* { color: white; }")
    try:
        feed.bring(0.5)
        assert on_screen(strips) == at_once(strips)
        assert at_once(strips).pixelColor(2, 2).name() == palette.PAPER
    finally:
        palette.choose(palette.LIGHT)


def test_the_kept_picture_is_the_picture_drawn_at_once(shown) -> None:
    check_all(*shown)


def test_on_a_screen_at_150_per_cent_too() -> None:
    """In a process of its own, for Qt takes the scale once: equal pixels, and each of a column of one colour."""
    words = (Path(__file__).resolve(), "--check")
    environment = {**os.environ, "QT_SCALE_FACTOR": "1.5", "PYTHONPATH": os.pathsep.join(filter(None, sys.path))}
    told = subprocess.run([sys.executable, *words], env=environment, capture_output=True, text=True, timeout=120)
    assert told.returncode == 0, told.stderr


def test_a_gap_is_empty_and_the_newest_is_at_the_right(shown) -> None:
    strips, feed = shown
    feed.bring(5.0, lost_s=6.0)
    picture = on_screen(strips)
    width = 500 - LEFT_PX - RIGHT_PX
    column_px = width / SHOWN_S
    top = 30  # within the first strip
    ages_s = {age_s: LEFT_PX + width - round(age_s * column_px) - 1 for age_s in (1.0, 4.0, 6.0, 8.0, 10.0, 13.0)}
    drawn = {
        age_s: {picture.pixel(x, y) for y in range(top, 80)} & {COLOUR(palette.channel_ink("rpm")).rgb()}
        for age_s, x in ages_s.items()
    }
    assert [bool(found) for found in drawn.values()] == [True, True, False, False, False, True]


def test_headings_name_units_limits_and_where_a_limit_lies(shown) -> None:
    strips, _ = shown
    assert [strip.limit_words() for strip in strips.strips] == ["limit 4050", "limit 500 ↑", ""]
    strips.show_limits({"rpm": 4050.0, "thrust_n": 2.0})
    assert strips.strips[1].limit_words() == "limit 2 ↓"
    strips.show_limits({})
    assert not any(strip.limit_words() for strip in strips.strips)


@pytest.mark.parametrize("height_px", [14, 30, 44, 70, 200])
@pytest.mark.parametrize("span", [(0.0, 80.0), (-1000.0, 5000.0), (36.0, 37.0)])
def test_a_scale_has_two_figures_at_least(span: tuple[float, float], height_px: float) -> None:
    found = scale_ticks(span, height_px)
    assert len(found) >= 2 and all(span[0] <= tick.at <= span[1] for tick in found)


def test_only_the_strips_that_are_asked_for_are_shown(shown) -> None:
    strips, _ = shown
    strips.show_only({"rpm", "vibration_g"})
    assert [strip.channel.name for strip in strips.shown] == ["rpm", "vibration_g"]
    assert on_screen(strips) == at_once(strips)


def test_an_earlier_run_lies_behind_from_the_moment_when_both_began_to_turn(shown) -> None:
    strips, feed = shown
    before = at_once(strips)
    ghost = ColumnTrail(len(ROWS), 400, feed.trail.column_s)
    time_s = np.arange(0.0, 20.0, 0.02)
    ghost.take(Stream(slice(0, 4)), time_s, np.tile([[3800.0], [3800.0], [55.0], [0.8]], len(time_s)))
    strips.show_ghost(lambda column_s: ghost)
    strips.take_events([Event(float(feed.time_s[-1]) - 30.0, "state", "turning")])
    with_ghost = at_once(strips)
    low, _ = strips._ghost_at(range(feed.trail.newest - 400, feed.trail.newest + 1))
    behind = np.flatnonzero(np.isfinite(low[0])) * feed.trail.column_s
    ago_s = 401 * feed.trail.column_s - behind
    assert (ago_s[0], ago_s[-1]) == pytest.approx((30.0, 10.0), abs=0.3)
    assert with_ghost != before
    feed.bring(1.0)
    assert on_screen(strips) == at_once(strips)


def test_nothing_is_drawn_while_nobody_looks(shown) -> None:
    strips, feed = shown
    strips.hide()
    feed.bring(3.0)
    strips.advance()
    strips.show()
    QtWidgets.QApplication.processEvents()
    assert on_screen(strips) == at_once(strips)
    assert strips.height() > AXIS_PX


def test_an_empty_trail_can_be_shown(qtbot) -> None:
    strips = LiveStrips(CHANNELS, ROWS, Feed(), "seconds ago")
    qtbot.addWidget(strips)
    strips.show()
    QtWidgets.QApplication.processEvents()
    assert on_screen(strips) == at_once(strips)


def _check_here() -> None:
    app = QtWidgets.QApplication([])
    feed = Feed()
    feed.bring(70.0)
    host = QtWidgets.QWidget()
    strips = LiveStrips(CHANNELS, ROWS, feed, "seconds ago")
    strips.setParent(host)
    strips.setGeometry(7, 5, 501, 301)  # begins at half a pixel of the screen
    host.resize(800, 600)  # in units: the picture of a window that is taken here has as many pixels, from the corner on
    host.show()
    app.processEvents()
    assert strips.devicePixelRatioF() == 1.5
    for turn in range(12):
        feed.bring(0.05, rpm=4000.0 + 60.0 * turn)
        strips.advance()
        app.processEvents()
    screen = app.primaryScreen().grabWindow(host.winId()).toImage().convertToFormat(RGB)
    strips._picture = None
    anew = host.grab().toImage().convertToFormat(RGB).copy(screen.rect())
    anew.setDevicePixelRatio(screen.devicePixelRatio())
    assert screen == anew
    inks = {COLOUR(ink).rgb() for ink in (palette.CARD, palette.OVER, palette.FAINT)}
    inks |= {COLOUR(palette.channel_ink(channel.name)).rgb() for channel, _ in CHANNELS}
    left, right = round((7 + LEFT_PX) * 1.5) + 1, round((7 + 501 - RIGHT_PX) * 1.5) - 2
    found = {screen.pixel(x, y) for x in range(left, right) for y in range(40, 130)}  # within the first strip
    assert found <= inks, "a pixel between two colours: the picture was blurred"
    host.close()


if __name__ == "__main__":
    _check_here()
