"""A chart that stands still: drawn once into a picture, so that a whole page of them delays nothing.

Strip charts must move thirty times a second; these are made and drawn in a few milliseconds each.
"""

from __future__ import annotations

from PyQt5 import QtCore, QtGui, QtWidgets

from whirlbench.results.chart import Chart, Span
from whirlbench.window import shown_units
from whirlbench.window.drawing import palette
from whirlbench.window.drawing.chart_painter import (
    LABEL_BELOW_PX,
    LEFT,
    TEXT_PX,
    WRAPPED,
    ChartPainter,
    caption_box,
    colour,
    key_places,
    sized,
)
from whirlbench.window.drawing.chart_scale import ChartScale

LEFT_PX, TOP_PX, RIGHT_PX, BOTTOM_PX = 58.0, 46.0, 14.0, 40.0  # margins around the drawing area
LEAST_ENLARGED_PX = 6


class ChartView(QtWidgets.QWidget):
    """Shows one Chart. Drag over a stretch to enlarge it, double-click for the whole; the pointer's place is told.

    With a cursor (``show_cursor``) a click or drag moves that instead, and ``picked`` tells where to.
    """

    picked = QtCore.pyqtSignal(float)

    def __init__(self, chart: Chart | None = None, height_px: int = 250) -> None:
        super().__init__()
        self.setMinimumSize(220, height_px)
        self.setSizePolicy(QtWidgets.QSizePolicy.Expanding, QtWidgets.QSizePolicy.Expanding)
        self.setMouseTracking(True)
        self._picture: QtGui.QPixmap | None = None
        self._enlarged: Span | None = None
        self._drag: tuple[float, float] | None = None
        self._pointer: QtCore.QPointF | None = None
        self._cursor: float | None = None
        self._has_cursor = False
        self.chart = Chart("", "", "")
        self.show_chart(chart or self.chart)

    def show_chart(self, chart: Chart) -> None:
        """Draws ``chart`` from now on, in full."""
        self._given, chart = chart, shown_units.chart(chart)
        self.chart, self._enlarged = chart, None
        self.setAccessibleName(chart.title)
        self.setAccessibleDescription(f"{chart.y_label} against {chart.x_label}. {chart.caption}")
        self.setToolTip(chart.caption)
        self._redraw()

    def take_units(self) -> None:
        """Draws the same in the units that are chosen now."""
        self.show_chart(self._given)

    def show_cursor(self, at: float | None) -> None:
        """Places the cursor on the x axis; None hides it until the next place."""
        self._has_cursor, self._cursor = True, at
        self.update()

    def scale(self) -> ChartScale:
        """Drawing area and what its axes cover now."""
        top = self._top_px()
        width, height = self.width() - LEFT_PX - RIGHT_PX, self.height() - top - self._bottom_px()
        x, y = self.chart.spans_on(width, height)
        return ChartScale(LEFT_PX, top, width, height, self._enlarged or x, y, self.chart.logarithmic)

    def _top_px(self) -> float:
        """Room for title and key, which may need several rows."""
        metrics = QtGui.QFontMetrics(sized(self.font(), TEXT_PX))
        places = key_places(self.chart, metrics, self.width())
        return TOP_PX + (places[-1][1] - places[0][1] if places else 0.0)

    def _bottom_px(self) -> float:
        """Room for the figures, the label of the x axis and the caption."""
        box = caption_box(self.chart, QtGui.QFontMetrics(sized(self.font(), TEXT_PX)), self.width())
        return BOTTOM_PX + (box.height() if box.top() else 0.0)

    def _redraw(self) -> None:
        self._picture = None
        self.update()

    def _drawn(self) -> QtGui.QPixmap:
        ratio = self.devicePixelRatioF()
        picture = QtGui.QPixmap(self.size() * ratio)
        picture.setDevicePixelRatio(ratio)
        picture.fill(QtGui.QColor(palette.CARD))
        painter = QtGui.QPainter(picture)
        painter.setFont(self.font())
        ChartPainter(painter, self.chart, self.scale(), self.width(), self.height()).paint()
        painter.end()
        return picture

    def resizeEvent(self, event: QtGui.QResizeEvent) -> None:
        """Another size: what was drawn for the old one is given up."""
        self._picture = None
        super().resizeEvent(event)

    def changeEvent(self, event: QtCore.QEvent) -> None:
        """Another palette: what was drawn in the old one is given up."""
        super().changeEvent(event)
        if event.type() == QtCore.QEvent.Type.StyleChange:
            self._redraw()

    def paintEvent(self, event: QtGui.QPaintEvent) -> None:
        """Draws what is shown now."""
        if self._picture is None:
            self._picture = self._drawn()
        painter = QtGui.QPainter(self)
        painter.drawPixmap(0, 0, self._picture)
        scale = self.scale()
        if self._drag is not None:
            left, right = sorted(self._drag)
            painter.fillRect(QtCore.QRectF(left, scale.top, right - left, scale.height), colour("cursor", 40))
        painter.setPen(colour("cursor"))
        if self._cursor is not None and scale.x[0] <= self._cursor <= scale.x[1]:
            x = float(scale.x_px(self._cursor))
            painter.drawLine(QtCore.QPointF(x, scale.top), QtCore.QPointF(x, scale.bottom))
        self._paint_pointer(painter, scale)
        painter.end()

    def sizeHint(self) -> QtCore.QSize:
        """No more than is needed: charts share what room there is."""
        return self.minimumSize()

    def _paint_pointer(self, painter: QtGui.QPainter, scale: ChartScale) -> None:
        painter.setFont(sized(self.font(), TEXT_PX))
        if self._pointer is None or not scale.holds(self._pointer.x(), self._pointer.y()):
            self._paint_caption(painter, scale)
            return
        place = f"{scale.x_at(self._pointer.x()):.5g}, {scale.y_at(self._pointer.y()):.4g}"
        painter.drawText(QtCore.QRectF(8, scale.bottom + LABEL_BELOW_PX, self.width() - 16, 16), LEFT, place)

    def _paint_caption(self, painter: QtGui.QPainter, scale: ChartScale) -> None:
        """What the chart says, where no pointer wants its place told."""
        box = caption_box(self.chart, painter.fontMetrics(), self.width())
        painter.setPen(colour("faint"))
        painter.drawText(box.translated(0, scale.bottom + LABEL_BELOW_PX), WRAPPED, self.chart.caption)

    def mousePressEvent(self, event: QtGui.QMouseEvent) -> None:
        """Begins a drag, or moves the cursor."""
        if event.button() != QtCore.Qt.MouseButton.LeftButton:
            return
        if self._has_cursor:
            self.picked.emit(self.scale().x_at(event.pos().x()))
        else:
            self._drag = (event.pos().x(), event.pos().x())

    def mouseMoveEvent(self, event: QtGui.QMouseEvent) -> None:
        """Follows the pointer."""
        self._pointer = QtCore.QPointF(event.pos())
        if event.buttons() & QtCore.Qt.MouseButton.LeftButton and self._has_cursor:
            self.picked.emit(self.scale().x_at(event.pos().x()))
        elif self._drag is not None:
            self._drag = (self._drag[0], event.pos().x())
        self.update()

    def mouseReleaseEvent(self, event: QtGui.QMouseEvent) -> None:
        """Ends a drag: enlarges the stretch that it covered."""
        if self._drag is not None and abs(self._drag[1] - self._drag[0]) >= LEAST_ENLARGED_PX:
            low, high = sorted(self.scale().x_at(pixel) for pixel in self._drag)
            self._enlarged = (low, high)
            self._redraw()
        self._drag = None
        self.update()

    def mouseDoubleClickEvent(self, event: QtGui.QMouseEvent) -> None:
        """Shows the whole again."""
        self._enlarged, self._drag = None, None
        self._redraw()

    def leaveEvent(self, event: QtCore.QEvent) -> None:
        """The pointer has gone, and its place with it."""
        self._pointer = None
        self.update()
