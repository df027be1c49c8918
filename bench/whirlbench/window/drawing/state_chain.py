"""The stand's state drawn as a chain of four links: locked, armed, turning, tripped."""

from __future__ import annotations

from PyQt5 import QtCore, QtGui, QtWidgets

from whirlbench.window.drawing import palette

STATES = ("locked", "armed", "turning", "tripped")


class StateChain(QtWidgets.QWidget):
    """Shows which link the stand is in, and beside it the reason of a trip or the step of the plan."""

    def __init__(self) -> None:
        super().__init__()
        self.state = ""
        self.remark = "no stand connected"
        self.setMinimumHeight(46)
        self.setSizePolicy(QtWidgets.QSizePolicy.Expanding, QtWidgets.QSizePolicy.Fixed)

    def show_state(self, state: str, remark: str) -> None:
        """Marks ``state`` (one of STATES, or empty for none) and prints ``remark`` after the chain."""
        if (state, remark) != (self.state, self.remark):
            self.state, self.remark = state, remark
            self.setAccessibleDescription(f"{state}: {remark}")
            self.update()

    def paintEvent(self, event: QtGui.QPaintEvent) -> None:
        """Draws what is shown now."""
        painter = QtGui.QPainter(self)
        painter.setRenderHint(QtGui.QPainter.Antialiasing)
        for place, state in enumerate(STATES):
            self._paint_link(painter, place, state)
        painter.setPen(QtGui.QColor(palette.OVER if self.state == "tripped" else palette.INK))
        rest = QtCore.QRect(4 * 112 + 24, 0, self.width() - 4 * 112 - 30, self.height())
        painter.drawText(rest, QtCore.Qt.AlignmentFlag.AlignVCenter | QtCore.Qt.TextFlag.TextWordWrap, self.remark)

    def _paint_link(self, painter: QtGui.QPainter, place: int, state: str) -> None:
        box = QtCore.QRectF(8 + place * 112, 8, 96, self.height() - 16)
        here = state == self.state
        fill = palette.OVER if state == "tripped" else palette.INK
        painter.setPen(QtGui.QPen(QtGui.QColor(fill if here else palette.FAINT), 1.5))
        painter.setBrush(QtGui.QColor(fill) if here else QtCore.Qt.BrushStyle.NoBrush)
        painter.drawRoundedRect(box, 6, 6)
        if place + 1 < len(STATES):
            painter.drawLine(
                QtCore.QPointF(box.right(), box.center().y()), QtCore.QPointF(box.right() + 16, box.center().y())
            )
        painter.setPen(QtGui.QColor(palette.CARD if here else palette.FAINT))
        painter.drawText(box, QtCore.Qt.AlignmentFlag.AlignCenter, state)
