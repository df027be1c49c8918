"""Every margin of a live run by nearness: its share, peak and figures, and what the device itself holds."""

from __future__ import annotations

import math
from collections.abc import Sequence

from PyQt5 import QtCore, QtGui

from whirlbench.window import shown_units
from whirlbench.window.drawing import palette
from whirlbench.window.drawing.chart_painter import LEFT, RIGHT, sized
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
        self._rows: list[tuple[str, str, str, float, float]] = []  # what is drawn: words, share and peak
        self._fonts: dict[int, QtGui.QFont] = {}
        self.setAccessibleName("share of each limit in use, the nearest first")

    def show_nearness(self, found: Sequence[Nearness]) -> None:
        """Draws ``found`` from top to bottom in the order given; rows that look as before are left alone."""
        if tuple(found) == self.found:
            return
        rows = [self._row(one) for one in found]
        self.found = tuple(found)
        if len(rows) != len(self._rows):
            self.show_margins([one.margin for one in found])
        for place, (new, old) in enumerate(zip(rows, self._rows, strict=False)):
            if new != old:
                self.update(self.row_place(place))
        self.margins, self._rows = tuple(one.margin for one in found), rows
        self.setAccessibleDescription("; ".join(row[2] for row in rows))

    def _row(self, one: Nearness) -> tuple[str, str, str, float, float]:
        share = percent(one.margin.share) or NO_READING
        return one.margin.label, share, self.words(one), _drawn(one.margin.share), _drawn(one.peak_share)

    @staticmethod
    def words(one: Nearness) -> str:
        """One line on a margin: its reading and limits, peak and trend."""
        parts = (one.margin.text(), one.device_words(), one.peak_words(), one.reach_words())
        return " · ".join(shown_units.text(part) for part in parts if part)

    def changeEvent(self, event: QtCore.QEvent) -> None:
        """Another font or palette: what was made of the old one is given up."""
        super().changeEvent(event)
        self._fonts = {}

    def paint_row(self, painter: QtGui.QPainter, top: int, row: int) -> None:
        """Name and share, the trough, and the figures in small under it."""
        label, share, words, _, _ = self._rows[row]
        one, width, ink = self.found[row], self.width() - 8, QtGui.QColor(palette.INK)
        painter.setPen(ink)
        self._paint_line(painter, QtCore.QRectF(0, top, width, 20), label, SHARE_PX - 3, LEFT)
        self._paint_line(painter, QtCore.QRectF(0, top, width, 20), share, SHARE_PX, RIGHT)
        self._paint_line(painter, QtCore.QRectF(0, top + 34, width, 16), words, DETAIL_PX, LEFT)
        self.paint_trough(painter, QtCore.QRectF(0, top + 22, width, 10), one.margin.share, one.peak_share)

    def _paint_line(self, painter: QtGui.QPainter, box: QtCore.QRectF, text: str, size_px: int, side: int) -> None:
        if size_px not in self._fonts:
            self._fonts[size_px] = sized(self.font(), size_px)
        painter.setFont(self._fonts[size_px])
        if len(text) * size_px > box.width():  # no letter is wider than its font is high
            text = painter.fontMetrics().elidedText(text, QtCore.Qt.TextElideMode.ElideRight, int(box.width()))
        painter.drawText(box, side, text)


def _drawn(share: float) -> float:
    """A share as finely as it is drawn; -1 for none, for what is not known is like nothing, itself included."""
    return -1.0 if math.isnan(share) else round(share, 3)
