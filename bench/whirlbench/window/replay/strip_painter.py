"""Draws the strips of a replay on any paper: the screen, a picture, a file of lines."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np
from PyQt5 import QtCore, QtGui

from whirlbench.results.answer import NONE
from whirlbench.results.chart import ticks
from whirlbench.window.drawing import palette
from whirlbench.window.drawing.chart_painter import LEFT, RIGHT, TEXT_PX, colour, points, sized, whole_parts
from whirlbench.window.drawing.chart_scale import ChartScale
from whirlbench.window.replay.run_marks import WEIGHT, Mark
from whirlbench.window.replay.strip_view import StripView, limit_place
from whirlbench.window.replay.traces import Trace

GUTTER_PX, RIGHT_PX, BOTTOM_PX, APART_PX = 190.0, 14.0, 38.0, 7.0
TICK_ROOM_PX = 62.0  # of the gutter, for the figures of an axis
ROW_PX, ROWS = 15.0, 2  # of the words of marks above the strips
TOP_PX = ROW_PX * ROWS + 16.0
SAMPLE_DOTS_PX = 7.0  # samples that lie so far apart are drawn each by itself
VALUE_PX, NAME_PX = 15, 13
LEAST_STRIP_PX = 26.0
AT_LIMIT_PX = 6.0
LIKE_SECOND = ("second", "calm")  # parts of the palette that are taken for a second run's
INKED_AS = {name: "vibration_g" for name in ("vibration_g_rms", "ax_g", "ay_g", "az_g")}


@dataclass(frozen=True)
class Strip:
    """A trace and where it is drawn."""

    trace: Trace
    scale: ChartScale


class StripPainter:
    """One drawing of ``view`` on a paper of ``width`` by ``height`` pixels."""

    def __init__(self, view: StripView, width: int, height: int, font: QtGui.QFont) -> None:
        self.view, self.width, self.height, self.base = view, width, height, font
        self.strips = tuple(self._strips())

    def _strips(self) -> Iterator[Strip]:
        shown, span = self.view.shown, self.view.span
        each = (self.height - TOP_PX - BOTTOM_PX) / max(len(shown), 1)
        width = max(self.width - GUTTER_PX - RIGHT_PX, 1.0)
        for row, trace in enumerate(shown):
            height = max(each - APART_PX, LEAST_STRIP_PX)
            area = (GUTTER_PX, TOP_PX + row * each, width, height)
            yield Strip(trace, ChartScale(*area, (span.from_s, span.to_s), self.view.scale_of(trace)))

    def strip_at(self, y: float) -> Strip | None:
        """The strip at a height in pixels; None between them."""
        return next((strip for strip in self.strips if strip.scale.top <= y <= strip.scale.bottom), None)

    def time_scale(self) -> ChartScale:
        """The common time axis; its height is that of all strips."""
        height = self.height - TOP_PX - BOTTOM_PX
        span = (self.view.span.from_s, self.view.span.to_s)
        return ChartScale(GUTTER_PX, TOP_PX, max(self.width - GUTTER_PX - RIGHT_PX, 1.0), height, span, (0.0, 1.0))

    def paint(self, painter: QtGui.QPainter) -> None:
        """Everything that stays while a pointer moves: paper, axes, marks, limits and curves."""
        painter.fillRect(QtCore.QRectF(0, 0, self.width, self.height), colour("paper"))
        for strip in self.strips:
            self._strip(painter, strip)
        self._time_axis(painter)
        self._mark_words(painter)

    # --- one strip --------------------------------------------------------------------------------------------------

    def _strip(self, painter: QtGui.QPainter, strip: Strip) -> None:
        scale = strip.scale
        area = QtCore.QRectF(scale.left, scale.top, scale.width, scale.height)
        painter.fillRect(area, colour("card"))
        self._selection(painter, area)
        self._levels(painter, scale)
        painter.save()
        painter.setClipRect(area)
        self._mark_lines(painter, scale)
        beside = self.view.beside.get(strip.trace.channel.name)
        second = colour(beside_ink(strip.trace))
        for trace, ink in ((strip.trace.behind, colour("faint")), (beside, second), (strip.trace, None)):
            if trace is not None:
                self._curve(painter, trace, scale, ink or channel_colour(trace))
        painter.restore()
        self._limit(painter, strip)

    def _selection(self, painter: QtGui.QPainter, area: QtCore.QRectF) -> None:
        if self.view.selected is not None:
            left, right = (float(self.time_scale().x_px(at_s)) for at_s in self.view.selected)
            held = QtCore.QRectF(left, area.top(), right - left, area.height())
            painter.fillRect(held.intersected(area), colour("cursor", 40))

    def _levels(self, painter: QtGui.QPainter, scale: ChartScale) -> None:
        """Figures beside the axis, each inside the height of its own strip."""
        painter.setFont(sized(self.base, TEXT_PX - 1))
        for tick in ticks(scale.y, max(int(scale.height // 34), 2)):
            y = float(scale.y_px(tick.at))
            painter.setPen(QtGui.QPen(colour("rule"), 1, QtCore.Qt.PenStyle.DotLine))
            painter.drawLine(QtCore.QPointF(scale.left, y), QtCore.QPointF(scale.right, y))
            painter.setPen(colour("ink"))
            top = min(max(y - 7, scale.top - 3), scale.bottom - 11)
            painter.drawText(QtCore.QRectF(scale.left - TICK_ROOM_PX, top, TICK_ROOM_PX - 6, 14), RIGHT, tick.text)
        painter.setPen(colour("ink"))
        painter.drawLine(QtCore.QPointF(scale.left, scale.top), QtCore.QPointF(scale.left, scale.bottom))

    def _mark_lines(self, painter: QtGui.QPainter, scale: ChartScale) -> None:
        for mark in self.view.marks:
            if scale.x[0] <= mark.at_s <= scale.x[1]:
                style = QtCore.Qt.PenStyle.DashLine if mark.found else QtCore.Qt.PenStyle.SolidLine
                painter.setPen(QtGui.QPen(colour(mark.look[0]), 1, style))
                x = float(scale.x_px(mark.at_s))
                painter.drawLine(QtCore.QPointF(x, scale.top), QtCore.QPointF(x, scale.bottom))

    def _curve(self, painter: QtGui.QPainter, trace: Trace, scale: ChartScale, ink: QtGui.QColor) -> None:
        """The line, broken where samples were lost; each sample by itself where they lie far apart."""
        line = trace.seen(scale.x[0], scale.x[1], max(int(scale.width), 1))
        x, y = scale.x_px(line.x), scale.y_px(line.y)
        painter.setPen(QtGui.QPen(ink, 1))
        for part in whole_parts(x + y):
            painter.drawPolyline(QtGui.QPolygonF(points(x[part], y[part])))
        good = np.isfinite(x + y)
        if good.sum() * SAMPLE_DOTS_PX <= scale.width:
            painter.setBrush(ink)
            for place in points(x[good], y[good]):
                painter.drawEllipse(place, 2.0, 2.0)
            painter.setBrush(QtCore.Qt.BrushStyle.NoBrush)

    def _limit(self, painter: QtGui.QPainter, strip: Strip) -> None:
        """A dashed line, or at the edge an arrow towards a limit that lies outside."""
        place, scale = limit_place(strip.trace.limit, strip.scale.y), strip.scale
        if not place or strip.trace.limit is None:
            return
        words = f"limit {strip.trace.limit:.4g}"
        painter.setFont(sized(self.base, TEXT_PX - 1))
        width = painter.fontMetrics().horizontalAdvance(words)
        level = {"seen": float(scale.y_px(strip.trace.limit)), "above": scale.top, "below": scale.bottom}[place]
        painter.setPen(QtGui.QPen(colour("over"), 1, QtCore.Qt.PenStyle.DashLine))
        if place == "seen":
            painter.drawLine(QtCore.QPointF(scale.left, level), QtCore.QPointF(scale.right, level))
        top = min(max(level + 1, scale.top), scale.bottom - 14)
        box = QtCore.QRectF(scale.right - width - 20, top, width + 18, 14)
        painter.fillRect(box, colour("card", 210))
        painter.setPen(colour("over"))
        painter.drawText(box.adjusted(14, 0, 0, 0), LEFT, words)
        if place != "seen":
            self._arrow(painter, box.left() + 6, box.center().y(), up=place == "above")

    def _arrow(self, painter: QtGui.QPainter, x: float, y: float, up: bool) -> None:
        way = -AT_LIMIT_PX if up else AT_LIMIT_PX
        painter.setBrush(colour("over"))
        tip = [(x - 4, y - way / 2), (x + 4, y - way / 2), (x, y + way / 2)]
        painter.drawPolygon(QtGui.QPolygonF([QtCore.QPointF(*corner) for corner in tip]))
        painter.setBrush(QtCore.Qt.BrushStyle.NoBrush)

    # --- what all strips share --------------------------------------------------------------------------------------

    def _time_axis(self, painter: QtGui.QPainter) -> None:
        scale = self.time_scale()
        painter.setFont(sized(self.base, TEXT_PX))
        painter.setPen(colour("ink"))
        y = self.height - BOTTOM_PX
        painter.drawLine(QtCore.QPointF(scale.left, y), QtCore.QPointF(scale.right, y))
        for tick in ticks(scale.x, max(int(scale.width // 100), 2)):
            x = float(scale.x_px(tick.at))
            painter.drawLine(QtCore.QPointF(x, y), QtCore.QPointF(x, y + 4))
            half = painter.fontMetrics().horizontalAdvance(tick.text) / 2
            left = min(max(x - half, 0.0), self.width - 2 * half)
            painter.drawText(QtCore.QPointF(left, y + 16), tick.text)
        painter.drawText(QtCore.QRectF(0, y + 20, scale.right, 16), RIGHT, "time in the run (s)")

    def _mark_words(self, painter: QtGui.QPainter) -> None:
        """Shapes above the strips, and words beside those for which there is room, the weightiest first."""
        painter.setFont(sized(self.base, TEXT_PX))
        scale = self.time_scale()
        taken: list[QtCore.QRectF] = []
        seen = [mark for mark in self.view.marks if scale.x[0] <= mark.at_s <= scale.x[1]]
        for mark in seen:
            draw_shape(painter, mark, float(scale.x_px(mark.at_s)), TOP_PX - 8)
        for mark in sorted(seen, key=_weight):
            place = self._free_place(painter, mark, float(scale.x_px(mark.at_s)), taken)
            if place is not None:
                taken.append(place)
                painter.setPen(colour("ink" if mark.look[0] == "faint" else mark.look[0]))
                painter.drawText(place, LEFT, _short(mark))

    def _free_place(
        self, painter: QtGui.QPainter, mark: Mark, x: float, taken: list[QtCore.QRectF]
    ) -> QtCore.QRectF | None:
        width = painter.fontMetrics().horizontalAdvance(_short(mark)) + 6.0
        left = min(x - 4, self.width - width - 2)
        for row in range(ROWS):
            place = QtCore.QRectF(left, 1 + row * ROW_PX, width, ROW_PX)
            if not any(place.intersects(other) for other in taken):
                return place
        return None

    # --- what follows a pointer -------------------------------------------------------------------------------------

    def paint_readings(self, painter: QtGui.QPainter, at_s: float) -> None:
        """Name, reading and unit of every strip in its gutter, and the second run's reading below."""
        values = self.view.values_at(at_s)
        for strip in self.strips:
            name = strip.trace.channel.name
            beside = self.view.beside.get(name)
            self._reading(painter, strip, values[name], None if beside is None else beside.at(at_s))

    def _reading(self, painter: QtGui.QPainter, strip: Strip, value: float, other: float | None) -> None:
        top, width = strip.scale.top, GUTTER_PX - TICK_ROOM_PX - 8
        rows = [(NAME_PX, strip.trace.name, "ink"), (VALUE_PX, reading(value, strip.trace.unit), "")]
        if doubt := strip.trace.doubt(value):
            rows.append((NAME_PX, doubt, "ink"))
        if other is not None:
            rows.append((NAME_PX, f"beside {reading(other, strip.trace.unit)}", beside_ink(strip.trace)))
        for size_px, words, ink in rows:
            if top + size_px > strip.scale.bottom + APART_PX:
                return
            painter.setFont(sized(self.base, size_px, bold=not ink))
            painter.setPen(colour(ink) if ink else channel_colour(strip.trace))
            words = painter.fontMetrics().elidedText(words, QtCore.Qt.TextElideMode.ElideRight, int(width))
            painter.drawText(QtCore.QRectF(8, top, width, size_px + 4), LEFT, words)
            top += size_px + 5

    def paint_line(self, painter: QtGui.QPainter, at_s: float, ink: str, words: str) -> None:
        """An upright line through all strips at a moment, with its time below."""
        scale = self.time_scale()
        if not scale.x[0] <= at_s <= scale.x[1]:
            return
        x, y = float(scale.x_px(at_s)), self.height - BOTTOM_PX
        painter.setPen(colour(ink))
        painter.drawLine(QtCore.QPointF(x, TOP_PX - 4), QtCore.QPointF(x, y))
        painter.setFont(sized(self.base, TEXT_PX, bold=True))
        width = painter.fontMetrics().horizontalAdvance(words) + 8
        left = min(max(x - width / 2, 0.0), self.width - width)
        box = QtCore.QRectF(left, y + 5, width, 16)
        painter.fillRect(box, colour(ink))
        painter.setPen(colour("card"))
        painter.drawText(box, QtCore.Qt.AlignmentFlag.AlignCenter, words)


def reading(value: float, unit: str) -> str:
    """A value with its unit; a dash where there is none."""
    figures = f"{value:.4g}" if abs(value) < 1e4 else f"{value:.0f}"
    return NONE if value != value else f"{figures} {unit}"


def channel_colour(trace: Trace) -> QtGui.QColor:
    """The ink of a channel."""
    return QtGui.QColor(palette.channel_ink(INKED_AS.get(trace.channel.name, trace.channel.name)))


def beside_ink(trace: Trace) -> str:
    """The ink of the second run over ``trace``: another one where that strip's own is alike."""
    own = palette.CHANNEL_PARTS.get(INKED_AS.get(trace.channel.name, trace.channel.name))
    return "measured" if own in LIKE_SECOND else "second"


def draw_shape(painter: QtGui.QPainter, mark: Mark, x: float, y: float) -> None:
    """The shape of a mark's kind, hollow for what was found later, about a place in pixels."""
    ink, shape = colour(mark.look[0]), mark.look[1]
    painter.save()
    painter.setRenderHint(QtGui.QPainter.Antialiasing)
    painter.setPen(QtGui.QPen(ink, 1.4))
    painter.setBrush(QtCore.Qt.BrushStyle.NoBrush if mark.found else ink)
    corners = {
        "diamond": [(0, -5), (5, 0), (0, 5), (-5, 0)],
        "triangle": [(0, -5), (5, 4), (-5, 4)],
        "square": [(-4, -4), (4, -4), (4, 4), (-4, 4)],
        "bar": [(-1, -5), (1, -5), (1, 5), (-1, 5)],
    }.get(shape)
    if corners is not None:
        painter.drawPolygon(QtGui.QPolygonF([QtCore.QPointF(x + right, y + down) for right, down in corners]))
    elif shape == "disc":
        painter.drawEllipse(QtCore.QPointF(x, y), 4, 4)
    else:
        painter.drawLine(QtCore.QPointF(x - 4, y - 4), QtCore.QPointF(x + 4, y + 4))
        painter.drawLine(QtCore.QPointF(x - 4, y + 4), QtCore.QPointF(x + 4, y - 4))
    painter.restore()


def _weight(mark: Mark) -> int:
    return WEIGHT.index(mark.kind) if mark.kind in WEIGHT else len(WEIGHT)


def _short(mark: Mark) -> str:
    """The first words of a mark, with its kind where that is not plain from them."""
    first = mark.text.split(":")[0].split(" (")[0].split(",")[0] if mark.kind != "plan" else mark.text
    words = first if mark.kind in ("state", "plan", "note") else f"{mark.kind}: {first}"
    return words if len(words) <= 34 else f"{words[:32]} …"
