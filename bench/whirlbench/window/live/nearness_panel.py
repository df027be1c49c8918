"""Every margin of a live run by nearness: its share, peak and figures, and what the device itself holds."""

from __future__ import annotations

from collections.abc import Sequence

from PyQt5 import QtCore, QtGui

from whirlbench.window import shown_units
from whirlbench.window.drawing import palette
from whirlbench.window.drawing.margin_panel import MarginPanel
from whirlbench.window.stand_state.limit_watch import Nearness, percent

ROW_PX, SHARE_PX, DETAIL_PX = 54, 17, 12
NO_READING = "no reading"


class NearnessPanel(MarginPanel):
    """Troughs as in a replay, each with its share in per cent, a mark at its peak, and the device's own limit."""

    row_px = ROW_PX

    def __init__(self) -> None:
        super().__init__()
        self.found: tuple[Nearness, ...] = ()
        self.setAccessibleName("share of each limit in use, the nearest first")

    def show_nearness(self, found: Sequence[Nearness]) -> None:
        """Draws ``found`` from top to bottom in the order given."""
        if tuple(found) != self.found:
            self.found = tuple(found)
            self.show_margins([one.margin for one in found])
            self.setAccessibleDescription("; ".join(map(self.words, found)))

    @staticmethod
    def words(one: Nearness) -> str:
        """One line on a margin: its reading and limits, peak and trend."""
        parts = (one.margin.text(), one.device_words(), one.peak_words(), one.reach_words())
        return " · ".join(shown_units.text(part) for part in parts if part)

    def paint_row(self, painter: QtGui.QPainter, top: int, row: int) -> None:
        """Name and share, the trough, and the figures in small under it."""
        one, width = self.found[row], self.width() - 8
        painter.setPen(QtGui.QColor(palette.INK))
        self._paint_line(painter, QtCore.QRectF(0, top, width, 20), one.margin.label, SHARE_PX - 3, False)
        share = percent(one.margin.share) or NO_READING
        self._paint_line(painter, QtCore.QRectF(0, top, width, 20), share, SHARE_PX, True)
        self.paint_trough(painter, QtCore.QRectF(0, top + 22, width, 10), one.margin.share, one.peak_share)
        painter.setPen(QtGui.QColor(palette.INK))
        self._paint_line(painter, QtCore.QRectF(0, top + 34, width, 16), self.words(one), DETAIL_PX, False)

    def _paint_line(self, painter: QtGui.QPainter, box: QtCore.QRectF, text: str, size_px: int, right: bool) -> None:
        font = QtGui.QFont(self.font())
        font.setPixelSize(size_px)
        painter.setFont(font)
        side = QtCore.Qt.AlignmentFlag.AlignRight if right else QtCore.Qt.AlignmentFlag.AlignLeft
        shown = QtGui.QFontMetricsF(font).elidedText(text, QtCore.Qt.TextElideMode.ElideRight, box.width())
        painter.drawText(box, int(side | QtCore.Qt.AlignmentFlag.AlignVCenter), shown)
