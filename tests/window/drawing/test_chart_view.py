"""Sheets on paper: ink where the data is, enlarged by a drag, a cursor where there is one."""

from __future__ import annotations

import numpy as np
import pytest
from PyQt5 import QtCore, QtGui

from whirlbench.results.chart import Band, Box, Caption, Chart, Curve, Heatmap, MarkLine, Stretch
from whirlbench.window.drawing import palette
from whirlbench.window.drawing.chart_painter import ChartPainter
from whirlbench.window.drawing.chart_scale import ChartScale
from whirlbench.window.drawing.chart_view import ChartView
from whirlbench.window.drawing.vector_dial import Hand, VectorDial, round_above

X = np.linspace(0.0, 10.0, 11)


def view_of(qtbot, chart: Chart) -> ChartView:
    view = ChartView(chart)
    qtbot.addWidget(view)
    view.resize(600, 300)
    view.show()
    return view


def ink_at(view, x: float, y: float) -> QtGui.QColor:
    scale = view.scale()
    return view.grab().toImage().pixelColor(round(float(scale.x_px(x))), round(float(scale.y_px(y))))


def distance(colour: QtGui.QColor, name: str) -> int:
    wanted = QtGui.QColor(name)
    return max(
        abs(colour.red() - wanted.red()), abs(colour.green() - wanted.green()), abs(colour.blue() - wanted.blue())
    )


def test_a_curve_is_inked_where_its_values_are(qtbot) -> None:
    view = view_of(qtbot, Chart("t", "x", "y", (Curve(X, np.full(11, 5.0), ink="measured"),), y_span=(0.0, 10.0)))
    assert distance(ink_at(view, 4.5, 5.0), palette.MEASURED) < 70  # the pen's edge is blended with the paper
    assert distance(ink_at(view, 4.5, 3.1), palette.CARD) == 0


@pytest.mark.parametrize(
    "part",
    [
        {"stretches": (Stretch(9.5, 10.0, "over", "no pitch is permitted"),)},
        {"boxes": (Box((9.5, 10.0), (0.0, 10.0), "no pitch is permitted", "over"),)},
    ],
)
def test_a_label_at_the_right_edge_begins_before_its_part_so_that_it_is_read_whole(qtbot, part) -> None:
    view = view_of(qtbot, Chart("t", "x", "y", **part, x_span=(0.0, 10.0), y_span=(0.0, 10.0)))
    scale, drawn = view.scale(), view.grab().toImage()
    before = range(round(scale.right) - 120, round(float(scale.x_px(9.5))) - 4)
    heights = range(round(scale.top) + 2, round(scale.bottom) - 2)
    assert any(distance(drawn.pixelColor(x, y), palette.CARD) > 80 for x in before for y in heights)


def test_a_gap_stays_blank(qtbot) -> None:
    values = np.full(11, 5.0)
    values[4:7] = np.nan
    view = view_of(qtbot, Chart("t", "x", "y", (Curve(X, values, ink="measured"),), y_span=(0.0, 10.0)))
    assert distance(ink_at(view, 2.5, 5.0), palette.MEASURED) < 70
    assert distance(ink_at(view, 5.0, 4.9), palette.MEASURED) > 100


def test_a_map_goes_from_paper_to_ink(qtbot) -> None:
    share = np.array([[0.0, 1.0], [np.nan, 0.5]])
    view = view_of(qtbot, Chart("t", "x", "y", heatmap=Heatmap((0.0, 2.0), (0.0, 2.0), share), y_span=(0.0, 2.0)))
    assert distance(ink_at(view, 0.5, 0.6), palette.CARD) < 3
    assert distance(ink_at(view, 1.5, 0.6), palette.INK) < 3  # rows run from bottom to top
    assert distance(ink_at(view, 1.5, 1.6), palette.INK) > 80


def test_everything_that_a_sheet_can_hold_is_drawn_without_a_word_from_qt(qtbot) -> None:
    chart = Chart(
        "a title", "x", "y", (Curve(X, X, "line"), Curve(X, X, "dots", dots=True)),
        (Band(X, X - 1, X + 1, label="w"),),
        (MarkLine(3.0, "upright"), MarkLine(4.0, "level", upright=False)), (Stretch(1.0, 2.0, label="part"),), (),
        (Caption(9.9, 9.0, "a word too long for what is left of the paper"),),
    )  # fmt: skip
    blank = view_of(qtbot, Chart("a title", "x", "y", x_span=(0.0, 10.0), y_span=(-1.0, 11.0))).grab().toImage()
    assert view_of(qtbot, chart).grab().toImage() != blank


def drag(qtbot, view: ChartView, from_x: float, to_x: float) -> None:
    scale = view.scale()
    places = [QtCore.QPoint(round(float(scale.x_px(x))), 150) for x in (from_x, to_x)]
    qtbot.mousePress(view, QtCore.Qt.LeftButton, pos=places[0])
    qtbot.mouseMove(view, places[1])
    event = QtGui.QMouseEvent(
        QtCore.QEvent.MouseMove,
        QtCore.QPointF(places[1]),
        QtCore.Qt.NoButton,
        QtCore.Qt.LeftButton,
        QtCore.Qt.NoModifier,
    )
    view.mouseMoveEvent(event)
    qtbot.mouseRelease(view, QtCore.Qt.LeftButton, pos=places[1])


def test_a_drag_enlarges_and_a_double_click_shows_all(qtbot) -> None:
    view = view_of(qtbot, Chart("t", "x", "y", (Curve(X, X),)))
    drag(qtbot, view, 2.0, 4.0)
    assert view.scale().x == pytest.approx((2.0, 4.0), abs=0.05)
    qtbot.mouseDClick(view, QtCore.Qt.LeftButton, pos=QtCore.QPoint(200, 150))
    assert view.scale().x == (0.0, 10.0)


def test_with_a_cursor_a_click_moves_it(qtbot) -> None:
    view = view_of(qtbot, Chart("t", "x", "y", (Curve(X, X),)))
    view.show_cursor(1.0)
    place = QtCore.QPoint(round(float(view.scale().x_px(7.0))), 150)
    with qtbot.waitSignal(view.picked) as picked:
        qtbot.mouseClick(view, QtCore.Qt.LeftButton, pos=place)
    assert picked.args[0] == pytest.approx(7.0, abs=0.05)
    assert view.scale().x == (0.0, 10.0)


def test_the_key_takes_the_rows_it_needs(qtbot) -> None:
    names = [f"curve number {number} of a long key" for number in range(5)]
    view = view_of(qtbot, Chart("t", "x", "y", tuple(Curve(X, X, name) for name in names)))
    wide = view.scale().top
    view.resize(300, 300)
    assert view.scale().top > wide + 30


def test_labels_of_upright_lines_cover_no_other_label(qtbot) -> None:
    image = QtGui.QImage(600, 200, QtGui.QImage.Format_RGB32)
    lines = (MarkLine(5.0, "judged at five"), MarkLine(5.2, "tripped at five and a bit"))
    bar = Box((0.0, 4.0), (0.0, 1.0), "a bar with a label much longer than it is itself, far beyond", filled=True)
    levels = (MarkLine(0.9, "a level with a label, too, that reaches far", upright=False),)
    onset = Stretch(5.1, 6.0, "over", "from here on")
    chart = Chart("Bars", "rpm", "", boxes=(bar,), lines=(*lines, *levels), stretches=(onset,))
    painter = QtGui.QPainter(image)
    try:
        taken = ChartPainter(painter, chart, ChartScale(40, 40, 520, 130, (0.0, 10.0), (0.0, 1.0)), 600, 200)._rules()
    finally:
        painter.end()
    assert len(taken) == 5
    for place in taken[3:]:  # of the upright lines; the others stand where they are
        assert not any(place.intersects(other) for other in taken if other is not place)


def test_a_caption_stands_clear_of_the_labels_of_lines(qtbot) -> None:
    image = QtGui.QImage(600, 200, QtGui.QImage.Format_RGB32)
    level = MarkLine(0.5, "a level with a label", upright=False)
    chart = Chart("Bars", "rpm", "", lines=(level,), captions=(Caption(0.1, 0.5, "words"),))
    painter = QtGui.QPainter(image)
    try:
        drawn = ChartPainter(painter, chart, ChartScale(40, 40, 520, 130, (0.0, 10.0), (0.0, 1.0)), 600, 200)
        taken = drawn._rules()
        place = drawn._caption(chart.captions[0], taken)
    finally:
        painter.end()
    assert place.intersected(taken[0]).isEmpty() and place.top() > 40


@pytest.mark.parametrize(("amplitude_g", "ring_g"), [(0.0, 0.01), (0.2, 0.2), (0.21, 0.5), (7.0, 10.0)])
def test_the_dials_ring_is_round(amplitude_g: float, ring_g: float) -> None:
    assert round_above(amplitude_g) == pytest.approx(ring_g)


@pytest.mark.parametrize(("phasor_g", "dx", "dy"), [(0.5 + 0j, 0, -1), (0.5j, 1, 0), (-0.5 + 0j, 0, 1)])
def test_a_hand_points_along_its_angle_from_the_mark(qtbot, phasor_g: complex, dx: int, dy: int) -> None:
    dial = VectorDial()
    qtbot.addWidget(dial)
    dial.resize(300, 300)
    dial.show_hands([Hand(phasor_g, np.array([phasor_g]), "measured", "")])
    image = dial.grab().toImage()
    assert distance(image.pixelColor(150 + 60 * dx, 150 + 60 * dy), palette.MEASURED) < 80
    assert distance(image.pixelColor(150 - 60 * dx + 7, 150 - 60 * dy + 7), palette.CARD) < 60
