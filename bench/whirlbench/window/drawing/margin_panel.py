"""Margins: how much of each limit is in use, drawn as filling troughs with the limit at their end."""

from __future__ import annotations

import math
from collections.abc import Sequence

from PyQt5 import QtCore, QtGui, QtWidgets

from whirlbench.safety.margins import Margin
from whirlbench.window import shown_units
from whirlbench.window.drawing import palette

SHOWN_TO = 1.2  # troughs run a little past the limit, so that an excess can be seen
MARK_PX = 2


class MarginPanel(QtWidgets.QWidget):
    """One trough a limit; limits the rig does not set are not listed."""

    row_px = 46

    def __init__(self) -> None:
        super().__init__()
        self.margins: tuple[Margin, ...] = ()
        self.setMinimumWidth(210)

    def sizeHint(self) -> QtCore.QSize:
        """All rows: where there is less room, the panel is scrolled."""
        return QtCore.QSize(self.minimumWidth(), self.row_px * max(len(self.margins), 1))

    def show_margins(self, margins: Sequence[Margin]) -> None:
        """Draws ``margins`` from top to bottom in the order given."""
        self.margins = tuple(margins)
        self.setMinimumHeight(self.row_px * max(len(self.margins), 1))
        self.update()

    def paintEvent(self, event: QtGui.QPaintEvent) -> None:
        """Draws what is shown now."""
        painter = QtGui.QPainter(self)
        if not self.margins:
            painter.setPen(QtGui.QColor(palette.FAINT))
            painter.drawText(self.rect(), QtCore.Qt.AlignmentFlag.AlignTop, "no limits in force")
        for row in range(len(self.margins)):
            if event.region().intersects(self.row_place(row)):
                self.paint_row(painter, row * self.row_px, row)
        painter.end()

    def row_place(self, row: int) -> QtCore.QRect:
        """Where a row is drawn."""
        return QtCore.QRect(0, row * self.row_px, self.width(), self.row_px)

    def paint_row(self, painter: QtGui.QPainter, top: int, row: int) -> None:
        """Name and figures in one line, the trough under it."""
        margin, width = self.margins[row], self.width() - 8
        painter.setPen(QtGui.QColor(palette.INK))
        painter.drawText(QtCore.QRect(0, top, width, 20), QtCore.Qt.AlignmentFlag.AlignLeft, margin.label)
        painter.drawText(
            QtCore.QRect(0, top, width, 20), QtCore.Qt.AlignmentFlag.AlignRight, shown_units.text(margin.text())
        )
        self.paint_trough(painter, QtCore.QRectF(0, top + 22, width, 12), margin.share)

    def paint_trough(
        self, painter: QtGui.QPainter, trough: QtCore.QRectF, share: float, peak: float = math.nan
    ) -> None:
        """A trough filled to ``share``; hatched where that is NaN: an empty one would read as calm.

        The limit is a mark in ink across the whole trough, the ``peak`` a shorter one.
        """
        painter.fillRect(trough, QtGui.QColor(palette.RULE))
        if math.isnan(share):
            painter.fillRect(trough, QtGui.QBrush(QtGui.QColor(palette.INK), QtCore.Qt.BrushStyle.BDiagPattern))
            return
        filled = QtCore.QRectF(trough)
        filled.setWidth(_place_px(trough, share))
        painter.fillRect(filled, QtGui.QColor(margin_ink(share)))
        ink = QtGui.QColor(palette.INK)
        limit = QtCore.QRectF(_place_px(trough, 1.0), trough.top() - 3, MARK_PX, trough.height() + 6)
        painter.fillRect(limit, ink)
        if not math.isnan(peak):
            painter.fillRect(QtCore.QRectF(_place_px(trough, peak), trough.top() - 3, MARK_PX, 6), ink)


def _place_px(trough: QtCore.QRectF, share: float) -> float:
    return trough.width() * min(max(share, 0.0), SHOWN_TO) / SHOWN_TO


def margin_ink(share: float) -> str:
    """Colour of a margin of which ``share`` (0 to 1 and beyond) is in use; NaN, no reading, is faint.

    The steps at 0.8 and 1 are ours: common practice, no source.
    """
    if share != share:
        return palette.FAINT
    if share >= 1.0:
        return palette.OVER
    return palette.CLOSE if share >= 0.8 else palette.CALM
