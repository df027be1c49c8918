"""The stand's state across the whole width: in words that are read from two metres, in colour, and as a shape."""

from __future__ import annotations

import math
from collections.abc import Callable

from PyQt5 import QtCore, QtGui, QtWidgets

from whirlbench.window import shown_units
from whirlbench.window.drawing import far_text, palette
from whirlbench.window.stand_state.live_state import STATES, UNKNOWN

# (ground, words): the names of palette parts
PARTS = {
    "locked": ("card", "ink"),
    "armed": ("close", "card"),
    "turning": ("ink", "card"),
    "tripped": ("over", "card"),
    UNKNOWN: ("paper", "over"),
}
NOT_KNOWN, WIDEST_SPEED = "— rpm", "99999 rpm"
REMARK_PX, REMARK_LINES, EDGE_PX, GAP_PX, LINK_PX = 15, 2, 6, 14, 76
LIMB = 0.42  # of the shape's box: from its middle to its edge


class StateBand(QtWidgets.QWidget):
    """One of STATES with its remark; before anything is shown the state is unknown, as it then is."""

    def __init__(self) -> None:
        super().__init__()
        self.state, self.headline, self.remark = UNKNOWN, "unknown: open the isolator", "no stand connected"
        self.speed = NOT_KNOWN
        self.setAccessibleName("state of the stand")
        self.setSizePolicy(QtWidgets.QSizePolicy.Expanding, QtWidgets.QSizePolicy.Fixed)
        self.setMinimumHeight(math.ceil(self._headline_px() + REMARK_LINES * self._line_px() + 2 * EDGE_PX))

    def show_state(self, state: str, headline: str, remark: str, rpm: float) -> None:
        """Shows ``state`` (one of STATES) in the words of ``headline``, with the speed, and ``remark`` under them.

        A speed that nobody knows (``rpm`` NaN) is a dash, never a zero.
        """
        remark = shown_units.text(remark)
        speed = NOT_KNOWN if math.isnan(rpm) else f"{rpm:.0f} rpm"
        if (state, headline, remark, speed) != (self.state, self.headline, self.remark, self.speed):
            self.state, self.headline, self.remark, self.speed = state, headline, remark, speed
            self.setAccessibleDescription(f"{headline}, {speed}: {remark}")
            self.setToolTip(remark)
            self.update()

    def _headline_px(self) -> float:
        return QtGui.QFontMetricsF(far_text.far_font(self)).capHeight() * 1.45

    def _remark_font(self) -> QtGui.QFont:
        font = QtGui.QFont(self.font())
        font.setPixelSize(REMARK_PX)
        return font

    def _line_px(self) -> float:
        return QtGui.QFontMetricsF(self._remark_font()).lineSpacing()

    def paintEvent(self, event: QtGui.QPaintEvent) -> None:
        """Draws what is shown now."""
        painter = QtGui.QPainter(self)
        painter.setRenderHint(QtGui.QPainter.Antialiasing)
        ground, words = (QtGui.QColor(palette.ink(part)) for part in PARTS[self.state])
        painter.fillRect(self.rect(), ground)
        if self.state in (UNKNOWN, "locked"):
            self._paint_frame(painter, words)
        box = QtCore.QRectF(EDGE_PX + GAP_PX, EDGE_PX, self._headline_px(), self._headline_px())
        painter.setPen(QtGui.QPen(words, 4))
        painter.setBrush(words)
        SHAPES[self.state](painter, box, ground)
        painter.setPen(words)
        self._paint_words(painter, box.right() + GAP_PX)
        self._paint_remark(painter)
        painter.end()

    def _paint_frame(self, painter: QtGui.QPainter, words: QtGui.QColor) -> None:
        """Heavy, and hatched at both ends, where nothing is known; a line where the stand is locked."""
        if self.state == UNKNOWN:
            for left in (0, self.width() - GAP_PX):
                end = QtCore.QRectF(left, 0, GAP_PX, self.height())
                painter.fillRect(end, QtGui.QBrush(words, QtCore.Qt.BrushStyle.BDiagPattern))
        painter.setPen(QtGui.QPen(words, 4 if self.state == UNKNOWN else 1))
        painter.setBrush(QtCore.Qt.BrushStyle.NoBrush)
        painter.drawRect(self.rect().adjusted(1, 1, -2, -2))

    def _paint_words(self, painter: QtGui.QPainter, left: float) -> None:
        font, right = far_text.far_font(self), self.width() - EDGE_PX - GAP_PX
        chain_px, row_px = (len(STATES) - 1) * LINK_PX, self._headline_px()
        room = right - left - far_text.width_px(font, self.headline) - 2 * GAP_PX
        speed_px = far_text.width_px(font, WIDEST_SPEED)
        if room > speed_px and self.state != UNKNOWN:
            box = QtCore.QRectF(right - speed_px, EDGE_PX, speed_px, row_px)
            far_text.paint(painter, box, font, self.speed, right=True)
            if room > speed_px + chain_px + GAP_PX:
                self._paint_chain(painter, right - speed_px - GAP_PX - chain_px)
        far_text.paint(painter, QtCore.QRectF(left, EDGE_PX, right - left, row_px), font, self.headline)

    def _paint_chain(self, painter: QtGui.QPainter, left: float) -> None:
        """The four states that the device knows, as links: the one that it is in is filled."""
        words, ground = painter.pen().color(), QtGui.QColor(palette.ink(PARTS[self.state][0]))
        painter.setFont(self._remark_font())
        middle = EDGE_PX + self._headline_px() / 2
        for place, state in enumerate(STATES[:-1]):
            link = QtCore.QRectF(left + place * LINK_PX, middle - 13, LINK_PX - 10, 26)
            here = state == self.state
            painter.setPen(QtGui.QPen(words, 1.5))
            painter.setBrush(words if here else QtCore.Qt.BrushStyle.NoBrush)
            painter.drawRoundedRect(link, 6, 6)
            if place:
                painter.drawLine(QtCore.QPointF(link.left() - 10, middle), QtCore.QPointF(link.left(), middle))
            painter.setPen(ground if here else words)
            painter.drawText(link, int(QtCore.Qt.AlignmentFlag.AlignCenter), state)
        painter.setPen(words)

    def _paint_remark(self, painter: QtGui.QPainter) -> None:
        """Two lines; what does not fit ends in dots and stands in the tool tip, and in the list of events."""
        painter.setFont(self._remark_font())
        left, top = EDGE_PX + GAP_PX, EDGE_PX + self._headline_px()
        box = QtCore.QRectF(left, top, self.width() - 2 * left, REMARK_LINES * self._line_px())
        wrap = int(QtCore.Qt.TextFlag.TextWordWrap)
        metrics, text = QtGui.QFontMetricsF(painter.font()), self.remark
        while text and metrics.boundingRect(box, wrap, text).height() > box.height() + 1:
            text = text.removesuffix("...")[:-8] + "..."
        painter.drawText(box, wrap, text)


def _around(box: QtCore.QRectF, corners: int, turned_deg: float) -> QtGui.QPolygonF:
    """A regular polygon about the middle of ``box``."""
    angles = (math.radians(turned_deg + 360.0 * corner / corners) for corner in range(corners))
    radius, middle = LIMB * box.width(), box.center()
    places = ((middle.x() + radius * math.cos(angle), middle.y() + radius * math.sin(angle)) for angle in angles)
    return QtGui.QPolygonF([QtCore.QPointF(x, y) for x, y in places])


def _locked(painter: QtGui.QPainter, box: QtCore.QRectF, ground: QtGui.QColor) -> None:
    """A square, closed."""
    painter.drawPolygon(_around(box, 4, 45.0))


def _armed(painter: QtGui.QPainter, box: QtCore.QRectF, ground: QtGui.QColor) -> None:
    """A triangle that stands on its side: ready to go."""
    painter.drawPolygon(_around(box, 3, 0.0))


def _turning(painter: QtGui.QPainter, box: QtCore.QRectF, ground: QtGui.QColor) -> None:
    """The disc that the blades sweep, with four of them."""
    painter.drawEllipse(box.center(), LIMB * box.width(), LIMB * box.width())
    painter.setPen(QtGui.QPen(ground, 5))
    for corner in _around(box, 4, 30.0):
        painter.drawLine(box.center(), corner)


def _tripped(painter: QtGui.QPainter, box: QtCore.QRectF, ground: QtGui.QColor) -> None:
    """An octagon with a bar: no way on."""
    painter.drawPolygon(_around(box, 8, 22.5))
    bar = 0.55 * LIMB * box.width()
    painter.setPen(QtGui.QPen(ground, 7))
    painter.drawLine(box.center() - QtCore.QPointF(bar, 0), box.center() + QtCore.QPointF(bar, 0))


def _unknown(painter: QtGui.QPainter, box: QtCore.QRectF, ground: QtGui.QColor) -> None:
    """An empty diamond with a question mark."""
    painter.setBrush(QtCore.Qt.BrushStyle.NoBrush)
    painter.drawPolygon(_around(box, 4, 0.0))
    font = QtGui.QFont(painter.font())
    font.setPixelSize(round(0.5 * box.height()))
    font.setBold(True)
    painter.setFont(font)
    painter.drawText(box, int(QtCore.Qt.AlignmentFlag.AlignCenter), "?")


SHAPES: dict[str, Callable[[QtGui.QPainter, QtCore.QRectF, QtGui.QColor], None]] = {
    "locked": _locked,
    "armed": _armed,
    "turning": _turning,
    "tripped": _tripped,
    UNKNOWN: _unknown,
}
