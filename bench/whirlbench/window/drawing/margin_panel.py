"""Margins: how much of each limit is in use, drawn as filling troughs with the limit at their end."""

from __future__ import annotations

from collections.abc import Sequence

from PyQt5 import QtCore, QtGui, QtWidgets

from whirlbench.safety.margins import Margin
from whirlbench.window.drawing import palette

ROW_HEIGHT_PX = 46
SHOWN_TO = 1.2  # troughs run a little past the limit, so that an excess can be seen


class MarginPanel(QtWidgets.QWidget):
    """One trough a limit; limits the rig does not set are not listed."""

    def __init__(self) -> None:
        super().__init__()
        self.margins: tuple[Margin, ...] = ()
        self.setMinimumWidth(210)

    def show_margins(self, margins: Sequence[Margin]) -> None:
        """Draws ``margins`` from top to bottom in the order given."""
        self.margins = tuple(margins)
        self.setMinimumHeight(ROW_HEIGHT_PX * max(len(self.margins), 1))
        self.update()

    def paintEvent(self, event: QtGui.QPaintEvent) -> None:
        """Draws what is shown now."""
        painter = QtGui.QPainter(self)
        if not self.margins:
            painter.setPen(QtGui.QColor(palette.FAINT))
            painter.drawText(self.rect(), QtCore.Qt.AlignmentFlag.AlignTop, "no limits in force")
        for row, margin in enumerate(self.margins):
            self._paint(painter, row * ROW_HEIGHT_PX, margin)

    def _paint(self, painter: QtGui.QPainter, top: int, margin: Margin) -> None:
        width = self.width() - 8
        painter.setPen(QtGui.QColor(palette.INK))
        painter.drawText(QtCore.QRect(0, top, width, 20), QtCore.Qt.AlignmentFlag.AlignLeft, margin.label)
        painter.drawText(QtCore.QRect(0, top, width, 20), QtCore.Qt.AlignmentFlag.AlignRight, margin.text())
        trough = QtCore.QRectF(0, top + 22, width, 12)
        painter.fillRect(trough, QtGui.QColor(palette.RULE))
        share = min(max(margin.share, 0.0), SHOWN_TO) if margin.share == margin.share else 0.0
        filled = QtCore.QRectF(trough.left(), trough.top(), width * share / SHOWN_TO, trough.height())
        painter.fillRect(filled, QtGui.QColor(margin_ink(margin.share)))
        limit_x = width / SHOWN_TO
        painter.setPen(QtGui.QPen(QtGui.QColor(palette.OVER), 2))
        painter.drawLine(QtCore.QPointF(limit_x, trough.top() - 2), QtCore.QPointF(limit_x, trough.bottom() + 2))


def margin_ink(share: float) -> str:
    """Colour of a margin of which ``share`` (0 to 1 and beyond) is in use; NaN, no reading, is faint.

    The steps at 0.8 and 1 are ours: common practice, no source.
    """
    if share != share:
        return palette.FAINT
    if share >= 1.0:
        return palette.OVER
    return palette.CLOSE if share >= 0.8 else palette.CALM
