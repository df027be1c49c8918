"""Draws a Chart with pen and band: axes in ink, faint dotted levels, title and key above, labels in the margins."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from PyQt5 import QtCore, QtGui

from whirlbench.results.chart import Band, Box, Caption, Chart, Curve, Heatmap, MarkLine, Stretch, ticks
from whirlbench.window.drawing import palette
from whirlbench.window.drawing.chart_scale import ChartScale
from whirlbench.window.drawing.decimation import Outline, outline, outline_between

TICK_PX = 4
DOT_PX = 3.0
PEN_PX = 1.4
LABEL_BELOW_PX = 21  # of the x axis, and the caption beside or below it
BAND_ALPHA, STRETCH_ALPHA = 46, 24
TEXT_PX, TITLE_PX = 12, 13
KEY_LEFT_PX, KEY_TOP_PX, KEY_ROW_PX, SAMPLE_PX = 50.0, 32.0, 16.0, 21
LABEL_ALPHA = 235
LABEL_ROW_PX = 15  # labels of upright rules step down by rows until they cover no other label
LEFT = QtCore.Qt.AlignmentFlag.AlignLeft | QtCore.Qt.AlignmentFlag.AlignVCenter
WRAPPED = int(QtCore.Qt.TextFlag.TextWordWrap) | int(QtCore.Qt.AlignmentFlag.AlignLeft)
RIGHT = QtCore.Qt.AlignmentFlag.AlignRight | QtCore.Qt.AlignmentFlag.AlignVCenter


class ChartPainter:
    """One drawing of ``chart`` on ``scale``; ``width`` and ``height`` are those of the paper in pixels."""

    def __init__(self, painter: QtGui.QPainter, chart: Chart, scale: ChartScale, width: int, height: int) -> None:
        self.painter, self.chart, self.scale = painter, chart, scale
        self.width, self.height = width, height
        self.base = QtGui.QFont(painter.font())

    def paint(self) -> None:
        """Everything, from the axes up."""
        self.painter.setFont(sized(self.base, TEXT_PX))
        self._axes()
        self.painter.save()
        scale = self.scale
        self.painter.setClipRect(QtCore.QRectF(scale.left - 1, scale.top - 1, scale.width + 2, scale.height + 2))
        self._content()
        self.painter.restore()
        self._heading()

    # --- frame --------------------------------------------------------------------------------------------------------

    def _axes(self) -> None:
        scale = self.scale
        for tick in ticks(scale.x, max(int(scale.width // 90), 2), scale.logarithmic):
            self._x_tick(float(scale.x_px(tick.at)), tick.text)
        for tick in ticks(scale.y, max(int(scale.height // 45), 2)) if self.chart.y_figures else ():
            self._y_tick(float(scale.y_px(tick.at)), tick.text)
        self.painter.setPen(colour("ink"))
        self._line(scale.left, scale.bottom, scale.right, scale.bottom)
        self._line(scale.left, scale.top, scale.left, scale.bottom)

    def _x_tick(self, x: float, text: str) -> None:
        bottom = self.scale.bottom
        self.painter.setPen(colour("ink"))
        self._line(x, bottom, x, bottom + TICK_PX)
        box = QtCore.QRectF(x - 45, bottom + TICK_PX, 90, 16)
        self.painter.drawText(box, QtCore.Qt.AlignmentFlag.AlignHCenter | QtCore.Qt.AlignmentFlag.AlignTop, text)

    def _y_tick(self, y: float, text: str) -> None:
        left = self.scale.left
        self.painter.setPen(QtGui.QPen(colour("rule"), 1, QtCore.Qt.PenStyle.DotLine))
        self._line(left, y, self.scale.right, y)
        self.painter.setPen(colour("ink"))
        self._line(left - TICK_PX, y, left, y)
        self.painter.drawText(QtCore.QRectF(0, y - 8, left - TICK_PX - 3, 16), RIGHT, text)

    def _heading(self) -> None:
        """Title, the y axis's label with the key after it, and the x axis's label."""
        painter, chart, width = self.painter, self.chart, self.width
        painter.setPen(colour("ink"))
        painter.drawText(QtCore.QRectF(8, self.scale.bottom + LABEL_BELOW_PX, width - 22, 16), RIGHT, chart.x_label)
        painter.drawText(QtCore.QRectF(8, 24, width - 16, 16), LEFT, chart.y_label)
        for x, y, entry in key_places(chart, painter.fontMetrics(), width):
            self._key(x, y, *entry)
        painter.setFont(sized(self.base, TITLE_PX, bold=True))
        title = painter.fontMetrics().elidedText(chart.title, QtCore.Qt.TextElideMode.ElideRight, width - 16)
        painter.drawText(QtCore.QRectF(8, 4, width - 16, 18), LEFT, title)

    def _key(self, x: float, y: float, label: str, ink: str, mark: str) -> None:
        """One sample of a curve and its label."""
        if mark == "band":
            self.painter.fillRect(QtCore.QRectF(x, y - 5, 16, 10), colour(ink, 2 * BAND_ALPHA))
        elif mark == "dots":
            self._dots([QtCore.QPointF(x + 8, y)], ink)
        else:
            self.painter.setPen(_pen(ink, mark == "dashes"))
            self._line(x, y, x + 16, y)
        self.painter.setPen(colour("ink"))
        self.painter.drawText(QtCore.QPointF(x + SAMPLE_PX, y + 4), label)

    # --- content ------------------------------------------------------------------------------------------------------

    def _content(self) -> None:
        chart = self.chart
        if chart.heatmap is not None:
            self._tint(chart.heatmap)
        for stretch in chart.stretches:
            self._stretch(stretch)
        self.painter.setRenderHint(QtGui.QPainter.Antialiasing)
        for band in chart.bands:
            self._band(band)
        for box in chart.boxes:
            self._box(box)
        for curve in chart.curves:
            self._curve(curve)
        taken = self._rules()
        for word in chart.captions:
            self._caption(word, taken)

    def _caption(self, word: Caption, taken: list[QtCore.QRectF]) -> QtCore.QRectF:
        """Words at a place of the chart, as much above it as the labels of rules want; returns where they stand."""
        width = self.painter.fontMetrics().horizontalAdvance(word.text)
        left = min(float(self.scale.x_px(word.x)) + 5, self.scale.right - width - 4)
        place = QtCore.QRectF(left, float(self.scale.y_px(word.y)) - 16, width, 14)
        while any(place.intersects(other) for other in taken) and place.top() > self.scale.top:
            place.translate(0, -LABEL_ROW_PX)
        self.painter.setPen(colour(word.ink))
        self.painter.drawText(QtCore.QPointF(left, place.top() + 11), word.text)
        return place

    def _tint(self, heatmap: Heatmap) -> None:
        left, right = (float(self.scale.x_px(x)) for x in heatmap.x)
        bottom, top = (float(self.scale.y_px(y)) for y in heatmap.y)
        self.painter.drawImage(QtCore.QRectF(left, top, right - left, bottom - top), _tint_image(heatmap))

    def _stretch(self, stretch: Stretch) -> None:
        scale = self.scale
        left, right = float(scale.x_px(stretch.from_x)), float(scale.x_px(stretch.to_x))
        box = QtCore.QRectF(left, scale.top, max(right - left, 1.0), scale.height)
        self.painter.fillRect(box, colour(stretch.ink, STRETCH_ALPHA))
        self.painter.setPen(colour(stretch.ink))
        place = self._stretch_label(stretch)
        self.painter.drawText(QtCore.QPointF(place.left(), place.bottom() - 2), stretch.label)

    def _band(self, band: Band) -> None:
        self.painter.setPen(QtCore.Qt.PenStyle.NoPen)
        self.painter.setBrush(colour(band.ink, BAND_ALPHA))
        x, low, high = self.scale.x_px(band.x), self.scale.y_px(band.low), self.scale.y_px(band.high)
        for part in whole_parts(x + low + high):
            there, back = points(x[part], high[part]), points(x[part], low[part])
            self.painter.drawPolygon(QtGui.QPolygonF([*there, *reversed(back)]))

    def _box(self, box: Box) -> None:
        left, right = (float(self.scale.x_px(x)) for x in box.x)
        bottom, top = (float(self.scale.y_px(y)) for y in box.y)
        area = QtCore.QRectF(left, top, right - left, bottom - top)
        if box.filled:
            self.painter.fillRect(area, colour(box.ink, BAND_ALPHA))
        self.painter.setPen(
            QtGui.QPen(colour(box.ink), 1, QtCore.Qt.PenStyle.SolidLine if box.filled else QtCore.Qt.PenStyle.DashLine)
        )
        self.painter.setBrush(QtCore.Qt.BrushStyle.NoBrush)
        self.painter.drawRect(area)
        self.painter.setPen(colour("ink" if box.filled else box.ink))
        place = self._label_place(box)
        self.painter.drawText(QtCore.QPointF(place.left(), place.top() + 11), box.label)

    def _curve(self, curve: Curve) -> None:
        if curve.dots:
            good = np.isfinite(curve.y) & np.isfinite(curve.x)
            self._dots(points(self.scale.x_px(curve.x[good]), self.scale.y_px(curve.y[good])), curve.ink)
            return
        self.painter.setPen(_pen(curve.ink, curve.dashed))
        line = _seen(curve, self.scale)
        x, y = self.scale.x_px(line.x), self.scale.y_px(line.y)
        for part in whole_parts(x + y):
            self.painter.drawPolyline(QtGui.QPolygonF(points(x[part], y[part])))

    def _dots(self, points: list[QtCore.QPointF], ink: str) -> None:
        self.painter.setPen(QtCore.Qt.PenStyle.NoPen)
        self.painter.setBrush(colour(ink))
        for point in points:
            self.painter.drawEllipse(point, DOT_PX, DOT_PX)

    def _rules(self) -> list[QtCore.QRectF]:
        """All lines, then their labels over them, a label covers no other; returns where labels stand."""
        taken = [self._label_place(box) for box in self.chart.boxes if box.label]
        taken += [self._stretch_label(stretch) for stretch in self.chart.stretches if stretch.label]
        taken += [self._level_label(rule) for rule in self.chart.lines if rule.label and not rule.upright]
        upright = [rule for rule in self.chart.lines if rule.upright]
        for rule in upright:
            x = float(self.scale.x_px(rule.at))
            self.painter.setPen(_pen(rule.ink, rule.dashed))
            self._line(x, self.scale.top, x, self.scale.bottom)
        for rule in upright:
            taken.append(self._upright_label(rule, taken))
        for rule in self.chart.lines:
            if not rule.upright:
                y = float(self.scale.y_px(rule.at))
                self.painter.setPen(_pen(rule.ink, rule.dashed))
                self._line(self.scale.left, y, self.scale.right, y)
                self.painter.drawText(QtCore.QPointF(self.scale.left + 6, y + (13 if rule.under else -4)), rule.label)
        return taken

    def _label_place(self, box: Box) -> QtCore.QRectF:
        """Where the label of ``box`` stands."""
        return self._kept_inside(box.x[0], float(self.scale.y_px(box.y[1])) + 3, box.label)

    def _stretch_label(self, stretch: Stretch) -> QtCore.QRectF:
        """Where the label of ``stretch`` stands."""
        return self._kept_inside(stretch.from_x, self.scale.bottom - 18, stretch.label)

    def _kept_inside(self, from_x: float, top_px: float, label: str) -> QtCore.QRectF:
        """The place of a label that begins at ``from_x``, or before it where it would leave the chart otherwise."""
        width = self.painter.fontMetrics().horizontalAdvance(label)
        left = min(float(self.scale.x_px(from_x)) + 4, self.scale.right - width - 4)
        return QtCore.QRectF(max(left, self.scale.left + 4), top_px, width, 14)

    def _level_label(self, rule: MarkLine) -> QtCore.QRectF:
        """Where the label of a level ``rule`` stands."""
        y, width = float(self.scale.y_px(rule.at)), self.painter.fontMetrics().horizontalAdvance(rule.label)
        return QtCore.QRectF(self.scale.left + 6, y + (2 if rule.under else -15), width, 14)

    def _upright_label(self, rule: MarkLine, taken: Sequence[QtCore.QRectF]) -> QtCore.QRectF:
        """Draws the rule's label where none of those ``taken`` is covered; returns its place."""
        x = float(self.scale.x_px(rule.at))
        width = self.painter.fontMetrics().horizontalAdvance(rule.label)
        right_of_line = x + 5 + width <= self.scale.right
        left = x + 5 if right_of_line else max(x - 5 - width, self.scale.left + 2)
        place = self._free_place(left, width, taken)
        self.painter.fillRect(place, colour("card", LABEL_ALPHA))
        self.painter.setPen(colour(rule.ink))
        self.painter.drawText(QtCore.QPointF(place.left() + 1, place.top() + 11), rule.label)
        return place

    def _free_place(self, left: float, width: float, taken: Sequence[QtCore.QRectF]) -> QtCore.QRectF:
        """The highest row that covers no label; the first where every row does."""
        rows = range(max(int(self.scale.height // LABEL_ROW_PX), 1))
        places = [QtCore.QRectF(left - 1, self.scale.top + 1 + LABEL_ROW_PX * row, width + 2, 14) for row in rows]
        return next((place for place in places if not any(place.intersects(other) for other in taken)), places[0])

    def _line(self, x1: float, y1: float, x2: float, y2: float) -> None:
        self.painter.drawLine(QtCore.QPointF(x1, y1), QtCore.QPointF(x2, y2))


def key_places(
    chart: Chart, metrics: QtGui.QFontMetrics, width: int
) -> tuple[tuple[float, float, tuple[str, str, str]], ...]:
    """(left, middle, entry) of every entry of the key in pixels: after the y label, in as many rows as they need."""
    start = max(KEY_LEFT_PX, 8.0 + metrics.horizontalAdvance(chart.y_label)) + 16.0
    x, y, places = start, KEY_TOP_PX, []
    for entry in chart.legend():
        taken = SAMPLE_PX + metrics.horizontalAdvance(entry[0])
        if x + taken > width - 8 and x > start:
            x, y = start, y + KEY_ROW_PX
        places.append((x, y, entry))
        x += taken + 14
    return tuple(places)


def caption_box(chart: Chart, metrics: QtGui.QFontMetrics, width: int) -> QtCore.QRectF:
    """Where the caption stands, from the top of the x axis's label: beside that, else in lines of its own below it."""
    whole = metrics.horizontalAdvance(chart.caption)
    beside = width - 22 - 20 - metrics.horizontalAdvance(chart.x_label)
    if whole <= beside:
        return QtCore.QRectF(8, 0, max(beside, 1), metrics.height())
    wrapped = metrics.boundingRect(QtCore.QRect(0, 0, max(width - 22, 1), 1000), WRAPPED, chart.caption)
    return QtCore.QRectF(8, metrics.height(), max(width - 22, 1), wrapped.height())


def sized(base: QtGui.QFont, size_px: int, bold: bool = False) -> QtGui.QFont:
    """``base`` in another size."""
    font = QtGui.QFont(base)
    font.setPixelSize(size_px)
    font.setBold(bold)
    return font


def colour(ink: str, alpha: int = 255) -> QtGui.QColor:
    """The colour of an ink of the palette; ``alpha`` 0 (clear) to 255."""
    found = QtGui.QColor(palette.ink(ink))
    found.setAlpha(alpha)
    return found


def _seen(curve: Curve, scale: ChartScale) -> Outline:
    """What the scale shows of a curve: an enlarged stretch is reduced by itself, down to its single points."""
    columns = max(int(scale.width), 50)
    if len(curve.x) < 4 * columns or not (np.diff(curve.x) >= 0.0).all():
        return Outline(curve.x, curve.y)
    if scale.logarithmic:
        return outline(curve.x, curve.y, columns)
    return outline_between(curve.x, curve.y, *scale.x, columns, gap=np.inf)


def _pen(ink: str, dashed: bool) -> QtGui.QPen:
    return QtGui.QPen(colour(ink), PEN_PX, QtCore.Qt.PenStyle.DashLine if dashed else QtCore.Qt.PenStyle.SolidLine)


def points(x: np.ndarray, y: np.ndarray) -> list[QtCore.QPointF]:
    """Places in pixels, ``(n,)`` each and finite, as Qt takes them."""
    # Qt's rasteriser has limits: what lies far outside is brought near, or the line would wrap around
    return [QtCore.QPointF(*pair) for pair in zip(x.clip(-1e4, 3e4).tolist(), y.clip(-1e4, 3e4).tolist(), strict=True)]


def whole_parts(values: np.ndarray) -> list[slice]:
    """Stretches of finite values with at least two of them."""
    edges = np.flatnonzero(np.diff(np.concatenate(([0], np.isfinite(values).astype(int), [0]))))
    return [slice(first, last) for first, last in zip(edges[::2], edges[1::2], strict=True) if last - first >= 2]


def _tint_image(heatmap: Heatmap) -> QtGui.QImage:
    """The map as an image: from paper to ink, clear where nothing is known."""
    known = np.isfinite(heatmap.share[::-1])
    # Rows of an image start at multiples of four bytes; 0 is "nothing known", 1 to 255 run from paper to ink
    height, width = known.shape
    cells = np.zeros((height, -(-width // 4) * 4), dtype=np.uint8)
    cells[:, :width] = np.where(known, 1 + np.round(254 * np.clip(np.nan_to_num(heatmap.share[::-1]), 0.0, 1.0)), 0)
    image = QtGui.QImage(cells.tobytes(), width, height, cells.shape[1], QtGui.QImage.Format_Indexed8)
    paper, ink = (np.array(colour(name).getRgb()[:3]) for name in ("card", heatmap.ink))
    shades = np.round(paper + np.linspace(0.0, 1.0, 255)[:, None] * (ink - paper)).astype(int).tolist()
    image.setColorTable([QtGui.qRgba(0, 0, 0, 0), *(QtGui.qRgb(*shade) for shade in shades)])
    return image.copy()
