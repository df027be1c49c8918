"""Levels of the shaft's orders as troughs on one scale, each with the band in which it stood in the last minute."""

from __future__ import annotations

import math
from collections.abc import Sequence

import numpy as np
from PyQt5 import QtCore, QtGui, QtWidgets

from whirlbench.results.vibration import OrderLevel
from whirlbench.window.drawing import palette
from whirlbench.window.drawing.vector_dial import round_above

ROW_PX, BAND_PX = 46, 2
NO_LEVEL = "no vibration is heard"


class OrdersPanel(QtWidgets.QWidget):
    """A row an order; the common scale is the next round amplitude above the greatest."""

    def __init__(self) -> None:
        super().__init__()
        self.levels: tuple[OrderLevel, ...] = ()
        self.setAccessibleName("levels of the orders of the shaft")
        self.setAccessibleDescription(NO_LEVEL)

    def show_levels(self, levels: Sequence[OrderLevel]) -> None:
        """Draws ``levels`` from top to bottom; none: nothing is heard."""
        if tuple(levels) != self.levels:
            self.levels = tuple(levels)
            self.setMinimumHeight(ROW_PX * len(levels))
            self.setAccessibleDescription("; ".join(f"{one.name}: {one.words()}" for one in levels) or NO_LEVEL)
            self.update()

    def greatest_g(self) -> float:
        """What the whole width stands for."""
        known = [one.greatest_g for one in self.levels if not math.isnan(one.greatest_g)]
        return round_above(float(np.max(known)) if known else 0.0)

    def paintEvent(self, event: QtGui.QPaintEvent) -> None:
        """Draws what is shown now."""
        painter, width = QtGui.QPainter(self), self.width() - 8
        if not self.levels:
            painter.setPen(QtGui.QColor(palette.INK))
            painter.drawText(self.rect(), int(QtCore.Qt.AlignmentFlag.AlignTop), NO_LEVEL)
        scale_px = width / self.greatest_g()
        for row, one in enumerate(self.levels):
            line = QtCore.QRectF(0, row * ROW_PX, width, 20)
            painter.setPen(QtGui.QColor(palette.INK))
            painter.drawText(line, int(QtCore.Qt.AlignmentFlag.AlignLeft), one.name)
            painter.drawText(line, int(QtCore.Qt.AlignmentFlag.AlignRight), one.words())
            self._paint_trough(painter, QtCore.QRectF(0, row * ROW_PX + 22, width, 12), one, scale_px)
        painter.end()

    def _paint_trough(self, painter: QtGui.QPainter, trough: QtCore.QRectF, one: OrderLevel, scale_px: float) -> None:
        painter.fillRect(trough, QtGui.QColor(palette.RULE))
        if math.isnan(one.level_g):
            painter.fillRect(trough, QtGui.QBrush(QtGui.QColor(palette.INK), QtCore.Qt.BrushStyle.BDiagPattern))
            return
        filled = QtCore.QRectF(trough)
        filled.setWidth(scale_px * one.level_g)
        painter.fillRect(filled, QtGui.QColor(palette.MEASURED))
        for edge_g in (one.least_g, one.greatest_g):
            edge = QtCore.QRectF(scale_px * edge_g - BAND_PX / 2, trough.top() - 3, BAND_PX, trough.height() + 6)
            painter.fillRect(edge, QtGui.QColor(palette.INK))
