"""The operating point on the map of blade angle against speed, with the limits that bound it and where it came from."""

from __future__ import annotations

import math

import numpy as np
from PyQt5 import QtCore, QtGui, QtWidgets

from whirlbench.rig.description import Rig, pitch_ends_deg
from whirlbench.window.drawing import palette
from whirlbench.window.drawing.chart_scale import ChartScale
from whirlbench.window.stand_state.point_trail import PointTrail

EDGE_PX = (52, 10, 10, 34)  # left, top, right, bottom: numbers stand there
PAST_LIMIT, GHOST_POINTS, POINT_PX = 1.08, 2000, 7
STROKE_PX, ROUND_PX = 1.5, 4  # of the trail; what a stroke, its soft edge and its joints may reach beyond its places
TEXT_PX, TICKS = 12, 5
WIDEST_DEG = (-10.0, 40.0)  # where the rig sets no ends


class OperatingMap(QtWidgets.QWidget):
    """Draws modes, ends of the pitch and the overspeed limit once, and over them what moves.

    ``permitted_rpm``: of the fitted set, None where nobody judged it.
    """

    def __init__(self, rig: Rig, permitted_rpm: float | None = None) -> None:
        super().__init__()
        self._rig, self._permitted_rpm = rig, permitted_rpm
        least, greatest = pitch_ends_deg(rig)
        self._pitch_deg = (least, greatest) if math.isfinite(least + greatest) else WIDEST_DEG
        modes = [mode.rpm[1] for mode in rig.modes.values()]
        self._greatest_rpm = PAST_LIMIT * (rig.limits.overspeed_rpm or max(modes, default=6000.0))
        self._ghost, self._trail = np.empty((2, 0)), PointTrail()
        self.point = (math.nan, math.nan)
        self._ground: QtGui.QPixmap | None = None
        self.setMinimumHeight(120)
        self.setAccessibleName("blade angle against speed")

    def show_ghost(self, rpm: np.ndarray, pitch_deg: np.ndarray) -> None:
        """An earlier run of the set, ``(n,)`` each, drawn behind this one; NaN breaks its line."""
        step = max(1, len(rpm) // GHOST_POINTS)
        self._ghost = np.vstack((rpm[::step], pitch_deg[::step]))
        self._ground = None
        self.update()

    def follow(self, time_s: np.ndarray, rpm: np.ndarray, pitch_deg: np.ndarray) -> None:
        """Where the stand was since the last time, ``(n,)`` each; NaN where nobody knows. Draws only what changed."""
        news = self._trail.take(time_s, rpm, pitch_deg)
        for line in (news.came, news.went):
            self._update_about(line)

    def show_point(self, rpm: float, pitch_deg: float) -> None:
        """Where the stand is now; NaN: not known, then no point is drawn."""
        if (rpm, pitch_deg) == self.point:
            return
        self._update_about(np.array([[self.point[0], rpm], [self.point[1], pitch_deg]]), POINT_PX)
        self.point = (rpm, pitch_deg)
        told = "not known" if math.isnan(rpm + pitch_deg) else f"{rpm:.0f} rpm at {pitch_deg:.1f} degrees"
        self.setAccessibleDescription(f"operating point {told}")

    def _update_about(self, line: np.ndarray, reach_px: int = 0) -> None:
        """Has the place of a line ``(2, n)`` drawn again; of places that are not known there is nothing to draw."""
        line = line[:, np.isfinite(line).all(axis=0)]
        if line.shape[1]:
            self.update(_box(self.scale(), line).adjusted(*_around(reach_px + ROUND_PX)).toAlignedRect())

    def resizeEvent(self, event: QtGui.QResizeEvent) -> None:
        """Another size: what was drawn for the old one is given up."""
        super().resizeEvent(event)
        self._ground = None

    def changeEvent(self, event: QtCore.QEvent) -> None:
        """Another palette: the same."""
        super().changeEvent(event)
        self._ground = None

    def scale(self) -> ChartScale:
        """Pixels of speeds and angles."""
        left, top, right, bottom = EDGE_PX
        low, high = self._pitch_deg
        room = 0.08 * (high - low)
        width, height = max(self.width() - left - right, 1), max(self.height() - top - bottom, 1)
        return ChartScale(left, top, width, height, (0.0, self._greatest_rpm), (low - room, high + room))

    def paintEvent(self, event: QtGui.QPaintEvent) -> None:
        """The kept ground, then trail and point."""
        if self._ground is None:
            self._ground = self._painted_ground()
        painter, scale = QtGui.QPainter(self), self.scale()
        painter.drawPixmap(0, 0, self._ground)
        painter.setRenderHint(QtGui.QPainter.Antialiasing)
        painter.setPen(QtGui.QPen(QtGui.QColor(palette.MEASURED), STROKE_PX))
        painter.drawPath(_path(scale, self._trail.places, QtCore.QRectF(event.rect())))
        if not math.isnan(self.point[0] + self.point[1]):
            middle = QtCore.QPointF(float(scale.x_px(self.point[0])), float(scale.y_px(self.point[1])))
            painter.setPen(QtGui.QPen(QtGui.QColor(palette.CARD), 2))
            painter.setBrush(QtGui.QColor(palette.MEASURED))
            painter.drawEllipse(middle, POINT_PX, POINT_PX)
        painter.end()

    def _painted_ground(self) -> QtGui.QPixmap:
        ratio = self.devicePixelRatioF()
        ground = QtGui.QPixmap(self.size() * ratio)
        ground.setDevicePixelRatio(ratio)
        ground.fill(QtGui.QColor(palette.CARD))
        painter, scale = QtGui.QPainter(ground), self.scale()
        font = QtGui.QFont(self.font())
        font.setPixelSize(TEXT_PX)
        painter.setFont(font)
        self._paint_modes(painter, scale)
        self._paint_numbers(painter, scale)
        painter.setPen(QtGui.QPen(QtGui.QColor(palette.FAINT), 1))
        painter.drawPath(_path(scale, self._ghost, QtCore.QRectF(self.rect())))
        self._paint_limits(painter, scale)
        painter.end()
        return ground

    def _paint_modes(self, painter: QtGui.QPainter, scale: ChartScale) -> None:
        """Where each position of the condition lever may be, by name."""
        for name, mode in self._rig.modes.items():
            left, right = (float(scale.x_px(rpm)) for rpm in mode.rpm)
            top, bottom = float(scale.y_px(mode.max_pitch_deg)), float(scale.y_px(mode.min_pitch_deg))
            box = QtCore.QRectF(left, top, right - left, bottom - top)
            painter.setPen(QtGui.QPen(QtGui.QColor(palette.CALM), 1))
            painter.drawRect(box)
            painter.setPen(QtGui.QColor(palette.CALM))
            painter.drawText(box.adjusted(4, 2, -2, -2), int(QtCore.Qt.AlignmentFlag.AlignTop), name.replace("_", " "))

    def _paint_numbers(self, painter: QtGui.QPainter, scale: ChartScale) -> None:
        painter.setPen(QtGui.QColor(palette.INK))
        bottom = self.height() - EDGE_PX[3]
        for rpm in _round_steps(0.0, self._greatest_rpm):
            box = QtCore.QRectF(float(scale.x_px(rpm)) - 30, bottom + 2, 60, 14)
            painter.drawText(box, int(QtCore.Qt.AlignmentFlag.AlignHCenter), f"{rpm:.0f}")
        for angle in _round_steps(*self._pitch_deg):
            box = QtCore.QRectF(0, float(scale.y_px(angle)) - 7, EDGE_PX[0] - 6, 14)
            painter.drawText(box, int(QtCore.Qt.AlignmentFlag.AlignRight), f"{angle:.0f}°")
        low = QtCore.QRectF(EDGE_PX[0], bottom + 17, self.width() - EDGE_PX[0] - EDGE_PX[2], 15)
        painter.drawText(low, int(QtCore.Qt.AlignmentFlag.AlignHCenter), "blade angle (deg) against speed (rpm)")

    def _paint_limits(self, painter: QtGui.QPainter, scale: ChartScale) -> None:
        """What must not be passed: ends of the pitch, the overspeed limit and, dashed, what the set is permitted."""
        left, top, right, bottom = scale.left, scale.top, scale.left + scale.width, scale.top + scale.height
        painter.setPen(QtGui.QPen(QtGui.QColor(palette.OVER), 2))
        for angle in self._pitch_deg:
            y_px = float(scale.y_px(angle))
            painter.drawLine(QtCore.QPointF(left, y_px), QtCore.QPointF(right, y_px))
        for rpm, style in (
            (self._rig.limits.overspeed_rpm, QtCore.Qt.PenStyle.SolidLine),
            (self._permitted_rpm, QtCore.Qt.PenStyle.DashLine),
        ):
            if rpm is not None:
                painter.setPen(QtGui.QPen(QtGui.QColor(palette.OVER), 2, style))
                x_px = float(scale.x_px(rpm))
                painter.drawLine(QtCore.QPointF(x_px, top), QtCore.QPointF(x_px, bottom))
        self._name_limits(painter, scale)

    def _name_limits(self, painter: QtGui.QPainter, scale: ChartScale) -> None:
        """What each line is; two upright ones have their names one below the other."""
        left, right = scale.left + 4, scale.left + scale.width - 4
        align, painted = QtCore.Qt.AlignmentFlag, painter.fontMetrics().height()
        for words, angle, above in zip(("least pitch", "greatest pitch"), self._pitch_deg, (False, True), strict=True):
            y_px = float(scale.y_px(angle))
            box = QtCore.QRectF(left, y_px - painted - 1 if above else y_px + 1, right - left, painted)
            painter.drawText(box, int(align.AlignLeft), words)
        named = ((self._rig.limits.overspeed_rpm, "overspeed"), (self._permitted_rpm, "permitted, dashed"))
        for row, (rpm, words) in enumerate((rpm, words) for rpm, words in named if rpm is not None):
            y_px = float(scale.y_px(self._pitch_deg[0])) - 2 - (row + 1) * painted  # modes have theirs at their top
            box = QtCore.QRectF(left, y_px, float(scale.x_px(rpm)) - 5 - left, painted)
            painter.drawText(box, int(align.AlignRight), f"{words} {rpm:.0f} rpm")


def _round_steps(low: float, high: float) -> list[float]:
    """Round numbers from ``low`` to ``high``, some ``TICKS`` of them."""
    rough = (high - low) / TICKS
    decade = 10.0 ** math.floor(math.log10(rough))
    step = next(factor * decade for factor in (1.0, 2.0, 5.0, 10.0) if factor * decade >= rough)
    return [step * number for number in range(math.ceil(low / step), math.floor(high / step) + 1)]


def _around(reach_px: int) -> tuple[int, int, int, int]:
    return (-reach_px, -reach_px, reach_px, reach_px)


def _box(scale: ChartScale, line: np.ndarray) -> QtCore.QRectF:
    """The least box about the places of a line ``(2, n)``, all of them known."""
    x, y = scale.x_px(line[0]), scale.y_px(line[1])
    return QtCore.QRectF(float(x.min()), float(y.min()), float(np.ptp(x)), float(np.ptp(y)))


def _path(scale: ChartScale, line: np.ndarray, place: QtCore.QRectF) -> QtGui.QPainterPath:
    """A line ``(2, n)`` of speeds and angles, as far as it can be seen in ``place``; it breaks at NaN."""
    x, y = scale.x_px(line[0]), scale.y_px(line[1])
    seen = place.adjusted(*_around(2 * ROUND_PX))
    found = QtGui.QPainterPath()
    drawn = _touches(x, seen.left(), seen.right()) & _touches(y, seen.top(), seen.bottom())
    for number in np.flatnonzero(drawn).tolist():
        if not number or not drawn[number - 1]:
            found.moveTo(x[number], y[number])
        found.lineTo(x[number + 1], y[number + 1])
    return found


def _touches(places: np.ndarray, least: float, greatest: float) -> np.ndarray:
    """Whether each step between two neighbours ``(n,)`` comes between two bounds; never where one is NaN."""
    one, other = places[:-1], places[1:]
    touches: np.ndarray = (np.minimum(one, other) <= greatest) & (np.maximum(one, other) >= least)
    return touches
