"""What is read from two metres beside state and speed: the limit that is nearest, when it comes, how near it was."""

from __future__ import annotations

import math
from collections.abc import Sequence

from PyQt5 import QtCore, QtGui, QtWidgets

from whirlbench.window.drawing import far_text, palette
from whirlbench.window.drawing.margin_panel import margin_ink
from whirlbench.window.stand_state.limit_watch import Nearness, percent

GAP_PX, LINE = 28, 1.4  # between two figures of a row; height of a row in capitals
WIDEST = ("limit in 99 s", "peak 999 %")
NO_LIMIT = "no limit is read"


class FarFigures(QtWidgets.QWidget):
    """Three figures: name and share of the nearest limit; when it is reached; its peak since arming.

    ``labels`` are those of all margins that can come: the rows are laid out for the longest, so that nothing moves.
    A figure that nobody knows is left blank.
    """

    def __init__(self, labels: Sequence[str]) -> None:
        super().__init__()
        longest = max(labels, key=len, default="")
        self._widest = (f"{longest} 999 %", *WIDEST)
        self.figures: tuple[str, ...] = (NO_LIMIT, "", "")
        self._ink = palette.INK
        self.setAccessibleName("nearest limit")
        policy = QtWidgets.QSizePolicy(QtWidgets.QSizePolicy.Expanding, QtWidgets.QSizePolicy.Fixed)
        policy.setHeightForWidth(True)
        self.setSizePolicy(policy)

    def show_nearest(self, nearest: Nearness | None) -> None:
        """Shows the nearest limit; None, or one without a reading: no limit is read."""
        figures, ink = (NO_LIMIT, "", ""), palette.INK
        if nearest is not None and not math.isnan(nearest.margin.share):
            name = f"{nearest.margin.label} {percent(nearest.margin.share)}"
            figures = (name, nearest.reach_words(), nearest.peak_words())
            ink = margin_ink(nearest.margin.share)
        if (figures, ink) != (self.figures, self._ink):
            self.figures, self._ink = figures, ink
            self.setAccessibleDescription(", ".join(filter(None, figures)))
            self.update()

    def rows(self, width_px: int) -> list[list[int]]:
        """Places of the figures in rows that are no wider than ``width_px``, by the widest texts that can come."""
        font, rows, used = far_text.far_font(self), [[0]], 0.0
        for place, text in enumerate(self._widest):
            needed = far_text.width_px(font, text)
            if place and used + GAP_PX + needed > width_px:
                rows.append([place])
                used = needed
            elif place:
                rows[-1].append(place)
                used += GAP_PX + needed
            else:
                used = needed
        return rows

    def _row_px(self) -> int:
        return math.ceil(LINE * QtGui.QFontMetricsF(far_text.far_font(self)).capHeight())

    def hasHeightForWidth(self) -> bool:
        """The rows depend on the width."""
        return True

    def heightForWidth(self, width: int) -> int:
        """Height of as many rows as ``width`` needs."""
        return self._row_px() * len(self.rows(width))

    def sizeHint(self) -> QtCore.QSize:
        """One row for the present width."""
        return QtCore.QSize(400, self.heightForWidth(self.width()))

    def resizeEvent(self, event: QtGui.QResizeEvent) -> None:
        """Another width may need another number of rows."""
        super().resizeEvent(event)
        self.setFixedHeight(self.heightForWidth(event.size().width()))

    def paintEvent(self, event: QtGui.QPaintEvent) -> None:
        """Draws what is shown now."""
        painter, font, height = QtGui.QPainter(self), far_text.far_font(self), self._row_px()
        for row, places in enumerate(self.rows(self.width())):
            left = 0.0
            for place in places:
                needed = far_text.width_px(font, self._widest[place])
                box = QtCore.QRectF(left, row * height, min(needed, self.width() - left), height)
                painter.setPen(QtGui.QColor(self._ink))
                far_text.paint(painter, box, font, self.figures[place])
                left += needed + GAP_PX
        painter.end()
