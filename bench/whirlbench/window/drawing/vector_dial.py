"""The 1P vector as a hand on a dial: length is amplitude, direction the angle from the mark, the tail is the past."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from PyQt5 import QtCore, QtGui, QtWidgets

from whirlbench.results.chart import ticks
from whirlbench.window.drawing.chart_painter import TEXT_PX, colour, sized

RING_WISH = 3
NO_VECTOR = "no 1P vector here"


@dataclass(frozen=True)
class Hand:
    """One vector with its past: ``phasor_g`` complex peak g (NaN for none), ``past_g`` the ones before, ``(m,)``."""

    phasor_g: complex
    past_g: np.ndarray
    ink: str
    label: str


class VectorDial(QtWidgets.QWidget):
    """Draws hands to a common round scale.

    Zero degrees, the mark, is up, and angles grow in the direction of rotation.
    """

    def __init__(self) -> None:
        super().__init__()
        self.hands: tuple[Hand, ...] = ()
        self.greatest_g = 1.0
        self.setMinimumSize(220, 220)
        self.setAccessibleName("1P vector")

    def show_hands(self, hands: Sequence[Hand]) -> None:
        """Shows ``hands``; the outer ring is the next round amplitude above them and their past."""
        self.hands = tuple(hands)
        self.greatest_g = round_above(_greatest_g(self.hands))
        self.update()

    def paintEvent(self, event: QtGui.QPaintEvent) -> None:
        """Draws what is shown now."""
        painter = QtGui.QPainter(self)
        painter.setRenderHint(QtGui.QPainter.Antialiasing)
        painter.setFont(sized(self.font(), TEXT_PX))
        self._paint_rings(painter)
        self._labels: list[QtCore.QRectF] = []
        for hand in self.hands:
            self._paint_hand(painter, hand)
        if not any(np.isfinite(hand.phasor_g) for hand in self.hands):
            painter.setPen(colour("faint"))
            painter.drawText(self.rect(), QtCore.Qt.AlignmentFlag.AlignCenter, NO_VECTOR)
        painter.end()

    def _radius_px(self, amplitude_g: float) -> float:
        return (min(self.width(), self.height()) / 2 - 18) * amplitude_g / self.greatest_g

    def _place(self, phasor_g: complex) -> QtCore.QPointF:
        radius, angle = self._radius_px(abs(phasor_g)), math.atan2(phasor_g.imag, phasor_g.real)
        return QtCore.QPointF(self.width() / 2 + radius * math.sin(angle), self.height() / 2 - radius * math.cos(angle))

    def _paint_rings(self, painter: QtGui.QPainter) -> None:
        centre = QtCore.QPointF(self.width() / 2, self.height() / 2)
        painter.setBrush(colour("card"))
        painter.setPen(colour("rule"))
        whole = self._radius_px(self.greatest_g)
        painter.drawEllipse(centre, whole, whole)
        painter.setBrush(QtCore.Qt.BrushStyle.NoBrush)
        for tick in ticks((0.0, self.greatest_g), RING_WISH)[1:]:
            radius = self._radius_px(tick.at)
            painter.setPen(colour("rule"))
            painter.drawEllipse(centre, radius, radius)
            painter.setPen(colour("faint"))
            painter.drawText(QtCore.QPointF(centre.x() + 3, centre.y() + radius - 3), f"{tick.text} g")
        painter.setPen(colour("ink"))
        painter.drawLine(
            QtCore.QPointF(centre.x(), centre.y() - whole - 6), QtCore.QPointF(centre.x(), centre.y() - whole)
        )
        painter.drawText(QtCore.QPointF(centre.x() + 5, centre.y() - whole - 3), "mark")

    def _paint_hand(self, painter: QtGui.QPainter, hand: Hand) -> None:
        past = [self._place(complex(one)) for one in hand.past_g if np.isfinite(one)]
        if len(past) > 1:
            painter.setPen(QtGui.QPen(colour(hand.ink, 90), 1))
            painter.drawPolyline(QtGui.QPolygonF(past))
        if not np.isfinite(hand.phasor_g):
            return
        tip = self._place(hand.phasor_g)
        painter.setPen(QtGui.QPen(colour(hand.ink), 2))
        painter.drawLine(QtCore.QPointF(self.width() / 2, self.height() / 2), tip)
        painter.setBrush(colour(hand.ink))
        painter.drawEllipse(tip, 3, 3)
        painter.drawText(self._label_place(tip, hand.label, painter.fontMetrics()), 0, hand.label)

    def _label_place(self, tip: QtCore.QPointF, label: str, metrics: QtGui.QFontMetrics) -> QtCore.QRectF:
        """Beside the tip, below any other label that would be covered there."""
        place = QtCore.QRectF(tip.x() + 6, tip.y() - 16, metrics.horizontalAdvance(label) + 2, metrics.height())
        while any(place.intersects(other) for other in self._labels):
            place.translate(0, metrics.height())
        self._labels.append(place)
        return place


def _greatest_g(hands: Sequence[Hand]) -> float:
    amplitudes = np.abs(np.concatenate([np.append(hand.past_g, hand.phasor_g) for hand in hands] or [np.zeros(1)]))
    return float(np.nanmax(amplitudes)) if np.isfinite(amplitudes).any() else 0.0


def round_above(amplitude_g: float) -> float:
    """The next of 1, 2, 5 times a power of ten at or above an amplitude in g, 0.01 g at least."""
    least = max(amplitude_g, 0.01)
    decade = 10.0 ** math.floor(math.log10(least))
    return next(step * decade for step in (1.0, 2.0, 5.0, 10.0) if step * decade >= least * (1 - 1e-9))
