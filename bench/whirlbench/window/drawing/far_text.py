"""Text that is read from two metres: its size on this screen, and drawing it no wider than its place."""

from __future__ import annotations

import math

from PyQt5 import QtCore, QtGui, QtWidgets

# 20 minutes of arc at 2 m: NUREG-0700 rev. 2, 1.3.1-4 (preferred 20 to 22); ISO 9241-303 has the same range.
ARC_MINUTES, DISTANCE_MM = 20.0, 2000.0
CAPITAL_MM = DISTANCE_MM * math.radians(ARC_MINUTES / 60.0)
LEAST_DPI, GREATEST_DPI = 96.0, 220.0  # a screen that tells less or more of itself is not believed


def capital_px(dots_per_inch: float) -> float:
    """Height of capitals in px for two metres, on a screen of so many dots per inch; a doubtful figure is bounded."""
    believed = dots_per_inch if math.isfinite(dots_per_inch) else LEAST_DPI
    return CAPITAL_MM * min(max(believed, LEAST_DPI), GREATEST_DPI) / 25.4


def far_font(widget: QtWidgets.QWidget) -> QtGui.QFont:
    """The widget's font in the size for two metres on its screen."""
    screen = QtWidgets.QApplication.primaryScreen()
    needed_px = capital_px(screen.physicalDotsPerInch() if screen is not None else LEAST_DPI)
    font = QtGui.QFont(widget.font())
    font.setPixelSize(math.ceil(needed_px))
    font.setPixelSize(math.ceil(needed_px * needed_px / max(QtGui.QFontMetricsF(font).capHeight(), 1.0)))
    while QtGui.QFontMetricsF(font).capHeight() < needed_px:
        font.setPixelSize(font.pixelSize() + 1)
    return font


def width_px(font: QtGui.QFont, text: str) -> float:
    """Width of ``text`` in ``font``."""
    return QtGui.QFontMetricsF(font).horizontalAdvance(text)


def fitted(font: QtGui.QFont, text: str, most_px: float) -> QtGui.QFont:
    """``font``, or a smaller one in which ``text`` is no wider than ``most_px``: rather small than cut off."""
    needed_px = width_px(font, text)
    if needed_px <= most_px:
        return font
    smaller = QtGui.QFont(font)
    smaller.setPixelSize(max(1, math.floor(font.pixelSize() * max(most_px, 1.0) / needed_px)))
    return smaller


def paint(painter: QtGui.QPainter, box: QtCore.QRectF, font: QtGui.QFont, text: str, right: bool = False) -> None:
    """Draws one line in ``box``, in the middle of its height, in ``font`` or as small as it needs to be."""
    painter.setFont(fitted(font, text, box.width()))
    metrics = QtGui.QFontMetricsF(painter.font())
    below = metrics.tightBoundingRect("g").bottom()
    base = box.top() + (box.height() + metrics.capHeight() - below) / 2
    left = box.right() - metrics.horizontalAdvance(text) if right else box.left()
    painter.drawText(QtCore.QPointF(left, base), text)
