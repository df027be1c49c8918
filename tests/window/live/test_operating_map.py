"""The map shows where the stand is, where it came from and what bounds it; a place that nobody knows is not drawn."""

from __future__ import annotations

import math

import numpy as np
import pytest
from PyQt5 import QtGui, QtWidgets

from whirlbench.rig.toml import example_rig_text, parse_rig
from whirlbench.window.drawing import palette
from whirlbench.window.live.operating_map import OperatingMap

RIG = parse_rig(example_rig_text())


@pytest.fixture
def shown(qtbot) -> OperatingMap:
    made = OperatingMap(RIG, permitted_rpm=5800.0)
    qtbot.addWidget(made)
    made.resize(500, 320)
    return made


def colour_at(shown: OperatingMap, rpm: float, pitch_deg: float) -> str:
    scale = shown.scale()
    picture: QtGui.QImage = shown.grab().toImage()
    return picture.pixelColor(round(float(scale.x_px(rpm))), round(float(scale.y_px(pitch_deg)))).name()


def colours_near(shown: OperatingMap, rpm: float, pitch_deg: float) -> set[str]:
    scale = shown.scale()
    picture: QtGui.QImage = shown.grab().toImage()
    x, y = round(float(scale.x_px(rpm))), round(float(scale.y_px(pitch_deg)))
    return {picture.pixelColor(x, y + step).name() for step in (-2, -1, 0, 1, 2)}


def test_the_point_stands_where_the_stand_is(shown: OperatingMap) -> None:
    shown.show_point(4455.0, 1.0)
    assert colour_at(shown, 4455.0, 1.0) == palette.MEASURED
    assert "4455 rpm at 1.0 degrees" in shown.accessibleDescription()
    shown.show_point(math.nan, 1.0)
    assert colour_at(shown, 4455.0, 1.0) == palette.CARD
    assert "not known" in shown.accessibleDescription()


def test_limits_are_drawn_where_they_are(shown: OperatingMap) -> None:
    assert colour_at(shown, RIG.limits.overspeed_rpm, 5.0) == palette.OVER
    assert palette.OVER in colours_near(shown, 600.0, RIG.pitch.table[-1][1])
    assert colour_at(shown, 600.0, 5.0) == palette.CARD


def test_an_earlier_run_lies_behind_and_its_gaps_stay_gaps(shown: OperatingMap) -> None:
    rpm = np.array([500.0, 1500.0, math.nan, 2500.0, 3000.0])
    shown.show_ghost(rpm, np.full(5, 23.0))
    assert palette.FAINT in colours_near(shown, 1000.0, 23.0)
    assert palette.FAINT not in colours_near(shown, 2000.0, 23.0)


def test_a_rig_without_pitch_has_a_map_all_the_same(qtbot) -> None:
    bare = OperatingMap(parse_rig("[limits]\noverspeed_rpm = 5000\n"))
    qtbot.addWidget(bare)
    bare.resize(300, 200)
    bare.show_point(1000.0, 5.0)
    assert not bare.grab().isNull()


class WatchedMap(OperatingMap):
    """Keeps how much of it each drawing covered."""

    def __init__(self) -> None:
        super().__init__(RIG)
        self.painted_px: list[int] = []

    def paintEvent(self, event: QtGui.QPaintEvent) -> None:
        self.painted_px.append(sum(one.width() * one.height() for one in event.region().rects()))
        super().paintEvent(event)


def on_screen(shown: OperatingMap) -> QtGui.QImage:
    QtWidgets.QApplication.processEvents()
    return QtWidgets.QApplication.primaryScreen().grabWindow(shown.winId()).toImage().convertToFormat(RGB)


RGB = QtGui.QImage.Format_RGB32


def test_what_is_drawn_piece_by_piece_is_what_is_drawn_anew(qtbot) -> None:
    """A minute and a half of a spiral with a gap: each frame draws its own places alone, and misses nothing."""
    shown = WatchedMap()
    qtbot.addWidget(shown)
    shown.resize(500, 320)
    shown.show()
    on_screen(shown)
    shown.painted_px.clear()
    way: list[tuple[float, float]] = []
    for at_s in np.arange(0.0, 90.0, 0.7):
        time_s = np.arange(at_s, at_s + 0.69, 0.05)
        rpm = 3000.0 + 20.0 * time_s * np.cos(time_s / 5.0)
        pitch_deg = 10.0 + 0.1 * time_s * np.sin(time_s / 5.0)
        rpm[(time_s > 60.0) & (time_s < 64.0)] = math.nan
        way += zip(rpm.tolist(), pitch_deg.tolist(), strict=True)
        shown.follow(time_s, rpm, pitch_deg)
        shown.show_point(rpm[-1], pitch_deg[-1])
        on_screen(shown)
    assert on_screen(shown) == shown.grab().toImage().convertToFormat(RGB)
    assert max(shown.painted_px[:-1]) < 0.1 * shown.width() * shown.height()
    assert colours_near(shown, *way[-60]) != {palette.CARD}
    shown.follow(np.array([0.0]), np.array([500.0]), np.array([2.0]))  # a device that counts anew: nothing is left
    assert on_screen(shown) == shown.grab().toImage().convertToFormat(RGB)
    assert colours_near(shown, *way[-60]) == {palette.CARD}
