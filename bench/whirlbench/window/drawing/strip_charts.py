"""Strip charts: one quantity each, stacked over one common time axis.

The axis says "seconds ago" and does not scroll: the curve moves, the ticks stay, and a frame costs a tenth of what
a scrolling axis costs. Pens are one pixel wide for the same reason.
"""

from __future__ import annotations

from collections.abc import Collection, Mapping

import numpy as np
import pyqtgraph as pg
from PyQt5 import QtCore, QtWidgets

from whirlbench.samples import Channel
from whirlbench.window.drawing import palette
from whirlbench.window.drawing.decimation import outline

LABEL_WIDTH_PX = 46
TICK_PX = 10
LEAST_HEIGHT_PX = 40


def set_look() -> None:
    """Global drawing options; call once before the first chart."""
    pg.setConfigOptions(background=palette.CARD, foreground=palette.INK, antialias=False)


class StripChart(pg.PlotWidget):
    """One quantity against time, with an optional limit line and a time cursor."""

    cursor_moved = QtCore.pyqtSignal(float)

    def __init__(self, channel: Channel, companion: Channel | None = None) -> None:
        super().__init__()
        self.channel = channel
        self.companion = companion
        self._companion_curve = self._curve(companion) if companion else None
        self._main_curve = self._curve(channel)
        self._limit = pg.InfiniteLine(angle=0, pen=pg.mkPen(palette.OVER, width=1, style=QtCore.Qt.PenStyle.DashLine))
        self._cursor = pg.InfiniteLine(angle=90, movable=True, pen=pg.mkPen(palette.CURSOR, width=1))
        self._cursor.sigDragged.connect(lambda line: self.cursor_moved.emit(float(line.value())))
        self._prepare_axes()

    def _curve(self, channel: Channel) -> pg.PlotDataItem:
        return self.plot(pen=pg.mkPen(palette.channel_ink(channel.name), width=1))

    def _prepare_axes(self) -> None:
        self.setMinimumHeight(LEAST_HEIGHT_PX)
        item = self.getPlotItem()
        item.setMenuEnabled(False)
        item.hideButtons()
        item.getAxis("left").setWidth(LABEL_WIDTH_PX)
        item.getAxis("left").enableAutoSIPrefix(False)  # else 0.3 g would be drawn as 300 with no word of "milli"
        font = self.font()
        font.setPixelSize(TICK_PX)
        for axis in (item.getAxis("left"), item.getAxis("bottom")):
            axis.setTickFont(font)
        item.getAxis("left").setStyle(hideOverlappingLabels=True)  # rather none than half of one
        self.heading = QtWidgets.QLabel(self._heading_words(), self)
        self.heading.setAttribute(QtCore.Qt.WidgetAttribute.WA_TransparentForMouseEvents)
        self.heading.setStyleSheet("background: transparent; font-size: 11px;")
        self.heading.move(LABEL_WIDTH_PX + 6, 1)
        item.setMouseEnabled(x=False, y=False)
        item.getViewBox().setDefaultPadding(0.04)
        self.setToolTip(self.channel.description)

    def _heading_words(self) -> str:
        name = self.channel.name.rsplit("_", 1)[0].replace("_", " ")
        return name if name == self.channel.unit else f"{name} ({self.channel.unit})"

    def show_time_axis(self, shown: bool, label: str = "") -> None:
        """Ticks and label under the lowest chart of a stack, nothing under the others."""
        axis = self.getPlotItem().getAxis("bottom")
        axis.setStyle(showValues=shown)
        axis.setLabel(label if shown else None)
        axis.setHeight(None if shown else 4)

    def changeEvent(self, event: QtCore.QEvent) -> None:
        """Another palette: everything is drawn in it from now on."""
        super().changeEvent(event)
        if event.type() == QtCore.QEvent.Type.StyleChange and hasattr(self, "_cursor"):
            self._take_colours()

    def _take_colours(self) -> None:
        self.setBackground(palette.CARD)
        for name in ("left", "bottom"):
            self.getPlotItem().getAxis(name).setPen(palette.INK)
            self.getPlotItem().getAxis(name).setTextPen(palette.INK)
        self._main_curve.setPen(pg.mkPen(palette.channel_ink(self.channel.name), width=1))
        if self.companion is not None and self._companion_curve is not None:
            self._companion_curve.setPen(pg.mkPen(palette.channel_ink(self.companion.name), width=1))
        self._limit.setPen(pg.mkPen(palette.OVER, width=1, style=QtCore.Qt.PenStyle.DashLine))
        self._cursor.setPen(pg.mkPen(palette.CURSOR, width=1))

    def show_limit(self, value: float | None) -> None:
        """Draws the limit, or removes it when ``value`` is None."""
        if value is None:
            self.removeItem(self._limit)
        else:
            self._limit.setValue(value)
            self.addItem(self._limit, ignoreBounds=True)

    def show_cursor(self, time_s: float | None) -> None:
        """Places the time cursor, or removes it when ``time_s`` is None."""
        if time_s is None:
            self.removeItem(self._cursor)
            return
        if self._cursor not in self.getPlotItem().items:
            self.addItem(self._cursor, ignoreBounds=True)
        self._cursor.setValue(time_s)

    def draw(self, time_s: np.ndarray, values: np.ndarray, companion: np.ndarray | None = None) -> None:
        """Shows ``values`` against ``time_s``, reduced to the chart's width; NaN breaks the line."""
        self._set(self._main_curve, time_s, values)
        if self._companion_curve is not None and companion is not None:
            self._set(self._companion_curve, time_s, companion)

    def _set(self, curve: pg.PlotDataItem, time_s: np.ndarray, values: np.ndarray) -> None:
        line = outline(time_s, values, max(self.width() - LABEL_WIDTH_PX, 50))
        curve.setData(line.x, line.y, connect="finite", skipFiniteCheck=False)


class StripStack(QtWidgets.QWidget):
    """Strip charts one above the other with one time axis and one cursor."""

    cursor_moved = QtCore.pyqtSignal(float)

    def __init__(self, channels: list[tuple[Channel, Channel | None]], time_label: str) -> None:
        super().__init__()
        layout = QtWidgets.QVBoxLayout(self)
        layout.setContentsMargins(0, 0, 0, 0)
        layout.setSpacing(2)
        self.charts: dict[str, StripChart] = {}
        self._time_label, self._shown = time_label, [channel.name for channel, _ in channels]
        for channel, companion in channels:
            chart = StripChart(channel, companion)
            chart.cursor_moved.connect(self.cursor_moved)
            self.charts[channel.name] = chart
            # The lowest chart carries the time axis: it gets the height of that on top of its share.
            layout.addWidget(chart, stretch=10)
        layout.setStretchFactor(self._lowest(), 14)
        for chart in self.charts.values():
            chart.show_time_axis(chart is self._lowest(), time_label)

    def _lowest(self) -> StripChart:
        return next(reversed(self.charts.values()))

    def show_only(self, names: Collection[str]) -> None:
        """Shows the charts of ``names`` and hides the others; the lowest one shown has the time axis."""
        shown = [name for name in self.charts if name in names]
        if shown == self._shown:
            return
        self._shown = shown
        for name, chart in self.charts.items():
            chart.setVisible(name in shown)
            chart.show_time_axis(bool(shown) and name == shown[-1], self._time_label)
            self.layout().setStretchFactor(chart, 14 if shown and name == shown[-1] else 10)

    def show_span(self, from_s: float, to_s: float) -> None:
        """Common time span of all charts."""
        for chart in self.charts.values():
            chart.setXRange(from_s, to_s, padding=0)

    def show_limits(self, limits: Mapping[str, float | None]) -> None:
        """Limit lines by channel name; channels that are not named lose theirs."""
        for name, chart in self.charts.items():
            chart.show_limit(limits.get(name))

    def show_cursor(self, time_s: float | None) -> None:
        """The time cursor on every chart."""
        for chart in self.charts.values():
            chart.show_cursor(time_s)
