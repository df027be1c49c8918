"""The strips of a live run as one widget over a kept picture: a frame draws the columns that changed, nothing else.

The axis says "seconds ago" and stands; the picture moves under it by whole pixels of the screen. Headings, figures and
axes are a second kept picture, made anew when a scale, the size, the palette or the limits change.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Collection, Iterable, Mapping, Sequence
from dataclasses import dataclass

import numpy as np
from PyQt5 import QtCore, QtGui, QtWidgets, sip

from whirlbench.results.chart import Span, Tick, ticks
from whirlbench.samples import Channel, Event
from whirlbench.window.drawing import palette
from whirlbench.window.drawing.chart_painter import LEFT, RIGHT
from whirlbench.window.drawing.strip_picture import Band, Columns, Inks, StripPicture, settled_span
from whirlbench.window.shown_units import Unit, unit

LEFT_PX, RIGHT_PX, HEADING_PX, AXIS_PX = 46, 8, 15, 32
HEADING_FONT_PX, TICK_FONT_PX = 11, 10
TICK_ROOM_PX, TIME_TICK_ROOM_PX = 22, 70
LEAST_PX = 80
# Least height of a scale by its unit, lest noise at rest fill the strip (common practice, no source)
LEAST_SPAN = {"rpm": 100.0, "N": 5.0, "A": 5.0, "V": 1.0, "us": 50.0, "deg": 1.0, "g": 0.2}
MARK_INKS = {"trip": "over", "abort": "over", "caution": "caution", "note": "measured"}
GHOST_WORDS = "last run (dotted)"


@dataclass
class Strip:
    """A quantity with the scale that it has now; ``curve`` and ``behind`` are its rows among the columns.

    Scale and limit are in the units of the columns; ``unit`` is what their figures are shown in.
    """

    channel: Channel
    companion: Channel | None
    curve: int
    behind: int
    unit: Unit
    span: Span | None = None
    limit: float = math.nan

    def settle(self, low: np.ndarray, high: np.ndarray) -> bool:
        """Lets the scale follow the extents ``(rows,)`` of all curves; whether it changed."""
        rows = [self.curve] if self.behind < 0 else [self.curve, self.behind]
        least = LEAST_SPAN.get(self.channel.unit, 1.0)
        span = settled_span(self.span, float(np.fmin.reduce(low[rows])), float(np.fmax.reduce(high[rows])), least)
        changed, self.span = span != self.span, span
        return changed

    def limit_words(self) -> str:
        """The limit, and where it lies when the scale does not reach it; empty without one."""
        if math.isnan(self.limit) or self.span is None:
            return ""
        place = " ↑" if self.limit > self.span[1] else " ↓" if self.limit < self.span[0] else ""
        return f"limit {self.unit.of(np.array(self.limit)):.4g}{place}"

    def shown_span(self) -> Span:
        """Ends of the scale in the unit shown."""
        low, high = self.unit.of(np.array(self.span or (0.0, 1.0))).tolist()
        return low, high


@dataclass(frozen=True)
class Plot:
    """Where the picture lies, in pixels of the screen: its left edge and width, and (top, height) of each strip."""

    left: int
    columns: int
    places: tuple[tuple[int, int], ...]

    @staticmethod
    def of(size: QtCore.QSize, ratio: float, strips: int) -> Plot:
        """For so many ``strips`` in a widget of ``size``, at ``ratio`` pixels of the screen a unit."""
        slot_px = (size.height() - AXIS_PX) / max(strips, 1)
        tops = [round((place * slot_px + HEADING_PX) * ratio) for place in range(strips)]
        ends = [round((place + 1) * slot_px * ratio) - 1 for place in range(strips)]
        places = tuple((top, max(end - top, 2)) for top, end in zip(tops, ends, strict=True))
        return Plot(round(LEFT_PX * ratio), max(round((size.width() - LEFT_PX - RIGHT_PX) * ratio), 1), places)


def heading(channel: Channel) -> str:
    """Name and unit."""
    name = channel.name.rsplit("_", 1)[0].replace("_", " ")
    return name if name == channel.unit else f"{name} ({channel.unit})"


def scale_ticks(span: Span, height_px: float) -> tuple[Tick, ...]:
    """Round figures of a scale, or its ends where there is no room for more than one between."""
    found = ticks(span, max(1, int(height_px / TICK_ROOM_PX)))
    return found if len(found) > 1 else tuple(Tick(end, f"{end:.4g}") for end in span)


class LiveStrips(QtWidgets.QWidget):
    """Strips one above the other over one axis of time.

    ``source`` gives the minute in as many columns as asked for, ``rows`` are the names of its rows; ``channels`` are
    the quantities, each with a companion behind it.
    """

    def __init__(
        self,
        channels: Sequence[tuple[Channel, Channel | None]],
        rows: Sequence[str],
        source: Callable[[int], Columns],
        time_label: str,
    ) -> None:
        super().__init__()
        self._source, self._time_label = source, time_label
        place = {name: row for row, name in enumerate(rows)} | {None: -1}
        self.strips = [  # a session keeps the units it began with: figures that change in mid-run are misread
            Strip(channel, behind, place[channel.name], place[behind and behind.name], unit(channel.unit))
            for channel, behind in channels
        ]
        self.shown = list(self.strips)
        self._marks: list[tuple[float, str]] = []
        self._earlier: Callable[[float], Columns | None] | None = None
        self._ghost: Columns | None = None
        self._began_s = math.nan
        self._ratio, self._plot, self._columns = 0.0, Plot(0, 1, ()), source(1)
        self._newest = -1  # of the columns drawn
        self._picture: StripPicture | None = None
        self._ground: QtGui.QPixmap | None = None
        self.setMinimumHeight(LEAST_PX)
        self.setAttribute(QtCore.Qt.WidgetAttribute.WA_OpaquePaintEvent)
        self.setAccessibleName("strips of the last minute: " + ", ".join(_heading(one) for one in self.strips))

    # --- what is shown ------------------------------------------------------------------------------------------------

    def show_only(self, names: Collection[str]) -> None:
        """Shows the strips of ``names``, in their order, and leaves the others out."""
        shown = [strip for strip in self.strips if strip.channel.name in names]
        if shown != self.shown:
            self.shown = shown
            self._begin_anew()

    def show_limits(self, limits: Mapping[str, float | None]) -> None:
        """Limit lines by channel name; channels that are not named lose theirs."""
        for strip in self.strips:
            limit = limits.get(strip.channel.name)
            strip.limit = math.nan if limit is None else limit
        self._begin_anew()

    def show_ghost(self, earlier: Callable[[float], Columns | None]) -> None:
        """An earlier run behind this one: its columns of a given length, from where it began to turn on."""
        self._earlier, self._ghost = earlier, None
        self._begin_anew()

    def take_events(self, events: Iterable[Event]) -> None:
        """Marks for trips, cautions and notes; where this run begins to turn, an earlier one is laid beside it."""
        for event in events:
            if event.kind in MARK_INKS:
                self._marks.append((event.time_s, MARK_INKS[event.kind]))
                self._begin_anew()
            if (event.kind, event.name) == ("state", "turning"):
                self._began_s = event.time_s
                self._begin_anew()

    def _begin_anew(self) -> None:
        """Everything is drawn anew with the next frame."""
        self._picture = self._ground = None
        self.update()

    # --- a frame ------------------------------------------------------------------------------------------------------

    def advance(self) -> None:
        """Draws the columns that changed, and has the screen brought up to date where they lie."""
        if not self.isVisible():
            return
        if self._picture is None or self._ratio != self.devicePixelRatioF():
            self._begin_anew()
            return
        columns = self._source(self._plot.columns)
        if columns is not self._columns:
            self._begin_anew()
        elif changed := columns.changed():
            if self._settle():
                self._begin_anew()
                return
            self._draw(changed)
            self.update(self._moved() if columns.newest != self._newest else self._region(changed))
            self._newest = columns.newest

    def _settle(self) -> bool:
        """Lets the scales follow the curves; whether one changed."""
        low, high = np.fmin.reduce(self._columns.low, axis=1), np.fmax.reduce(self._columns.high, axis=1)
        return any([strip.settle(low, high) for strip in self.shown])

    def _draw(self, columns: range) -> None:
        assert self._picture is not None
        marks = {
            int(at_s // self._columns.column_s): _rgb(palette.ink(part))
            for at_s, part in self._marks
            if at_s >= columns.start * self._columns.column_s
        }
        self._picture.draw(columns, self._columns.low, self._columns.high, marks, self._ghost_at(columns))

    def _ghost_at(self, columns: range) -> tuple[np.ndarray, np.ndarray] | None:
        """The columns of the earlier run that lie behind ``columns``; None without one."""
        if self._ghost is None:
            return None
        places = np.arange(columns.start, columns.stop) - int(self._began_s // self._ghost.column_s)
        known = (places >= 0) & (places <= self._ghost.newest)
        places = np.where(known, places, 0)
        low, high = (np.where(known, extents[:, places], np.nan) for extents in (self._ghost.low, self._ghost.high))
        return low, high

    def _prepare(self) -> StripPicture:
        """Draws everything anew."""
        self._ratio = self.devicePixelRatioF()
        self._plot = Plot.of(self.size(), self._ratio, len(self.shown))
        self._columns = self._source(self._plot.columns)
        self._columns.changed()
        self._settle()
        self._marks = [one for one in self._marks if one[0] >= self._first_s()]
        self._lay_ghost()
        bands = [
            Band(height, strip.span or (0.0, 1.0), strip.curve, strip.behind, strip.limit)
            for strip, (_, height) in zip(self.shown, self._plot.places, strict=True)
        ]
        curves = tuple(_rgb(palette.channel_ink(strip.channel.name)) for strip in self.shown)
        inks = Inks(_rgb(palette.CARD), _rgb(palette.OVER), _rgb(palette.FAINT), curves)
        self._picture = StripPicture(self._plot.columns, bands, inks, max(1, round(self._ratio)))
        newest = self._newest = self._columns.newest
        self._draw(range(max(newest + 1 - self._columns.columns, 0), newest + 1))
        self._ground = self._painted_ground()
        return self._picture

    def _lay_ghost(self) -> None:
        """The earlier run in columns of the present length, once this one has begun to turn."""
        laid = self._ghost is not None and self._ghost.column_s == self._columns.column_s
        if self._earlier is not None and not laid and not math.isnan(self._began_s):
            self._ghost = self._earlier(self._columns.column_s)

    def _first_s(self) -> float:
        return (self._columns.newest + 1 - self._columns.columns) * self._columns.column_s

    # --- on the screen ------------------------------------------------------------------------------------------------

    def resizeEvent(self, event: QtGui.QResizeEvent) -> None:
        """Another size: everything is drawn for it."""
        super().resizeEvent(event)
        self._begin_anew()

    def showEvent(self, event: QtGui.QShowEvent) -> None:
        """Nothing was drawn while nobody looked; a session that has ended brings no next frame."""
        super().showEvent(event)
        self._begin_anew()

    def changeEvent(self, event: QtCore.QEvent) -> None:
        """Another palette or font: the same."""
        super().changeEvent(event)
        if hasattr(self, "_ground"):
            self._begin_anew()

    def event(self, event: QtCore.QEvent) -> bool:
        """What a strip shows, where the pointer rests on it."""
        if isinstance(event, QtGui.QHelpEvent) and self.shown:
            slot = event.pos().y() * len(self.shown) // max(self.height() - AXIS_PX, 1)
            told = self.shown[min(slot, len(self.shown) - 1)].channel.description
            QtWidgets.QToolTip.showText(event.globalPos(), told, self)
            return True
        return super().event(event)

    def paintEvent(self, event: QtGui.QPaintEvent) -> None:
        """Copies the kept pictures to whole pixels of the screen: whatever its scale, nothing is blurred."""
        picture = self._picture or self._prepare()
        painter = QtGui.QPainter(self)
        found = painter.deviceTransform()
        moved = QtGui.QTransform.fromTranslate(round(found.dx()), round(found.dy()))
        painter.setWorldTransform(moved * found.inverted()[0])
        if self._ground is not None and not event.region().subtracted(self._whole_bands()).isEmpty():
            painter.drawPixmap(0, 0, self._ground)
        height, width = picture.pixels.shape
        image = QtGui.QImage(
            sip.voidptr(picture.pixels.ctypes.data), width, height, 4 * width, QtGui.QImage.Format_RGB32
        )
        oldest = (self._columns.newest + 1) % width
        for top, (screen_top, rows) in zip(picture.tops, self._plot.places, strict=True):
            for first, count, x in ((oldest, width - oldest, 0), (0, oldest, width - oldest)):
                if count:
                    at = QtCore.QPoint(self._plot.left + x, screen_top)
                    painter.drawImage(at, image, QtCore.QRect(first, top, count, rows))
        painter.end()

    def _moved(self) -> QtGui.QRegion:
        """All strips, without what stands."""
        return self._region(range(self._columns.newest + 1 - self._plot.columns, self._columns.newest + 1))

    def _region(self, columns: range) -> QtGui.QRegion:
        """Where columns lie in the widget, rather a pixel more than one less."""
        right = self._plot.left + self._plot.columns - (self._columns.newest + 1 - columns.stop)
        left = max(right - len(columns), self._plot.left)
        found = QtGui.QRegion()
        for top, height in self._plot.places:
            found += self._outer(left, top, right, top + height)
        return found

    def _outer(self, left: int, top: int, right: int, bottom: int) -> QtCore.QRect:
        """Units that cover pixels of the screen; where the two do not fall together, one more on each side."""
        more = 0 if self._ratio == round(self._ratio) else 1
        corner = math.floor(left / self._ratio) - more, math.floor(top / self._ratio) - more
        end = math.ceil(right / self._ratio) + more, math.ceil(bottom / self._ratio) + more
        return QtCore.QRect(QtCore.QPoint(*corner), QtCore.QPoint(end[0] - 1, end[1] - 1))

    def _whole_bands(self) -> QtGui.QRegion:
        """What the picture covers; nothing where its edges are no whole units: what lies there is painted first."""
        return self._moved() if self._ratio == round(self._ratio) else QtGui.QRegion()

    # --- what stands --------------------------------------------------------------------------------------------------

    def _painted_ground(self) -> QtGui.QPixmap:
        ground = QtGui.QPixmap(self.size() * self._ratio + QtCore.QSize(1, 1))
        ground.fill(QtGui.QColor(palette.PAPER))
        ground.setDevicePixelRatio(self._ratio)
        painter = QtGui.QPainter(ground)
        for strip, (top, height) in zip(self.shown, self._plot.places, strict=True):
            self._paint_scale(painter, strip, top / self._ratio, height / self._ratio)
        self._paint_time_axis(painter)
        painter.end()
        ground.setDevicePixelRatio(1.0)
        return ground

    def _paint_scale(self, painter: QtGui.QPainter, strip: Strip, top: float, height: float) -> None:
        """Heading, limit and figures of a strip."""
        painter.setFont(self._sized(HEADING_FONT_PX))
        box = QtCore.QRectF(LEFT_PX, top - HEADING_PX, self.width() - LEFT_PX - RIGHT_PX, HEADING_PX)
        self._paint_heading(painter, strip, box)
        painter.setFont(self._sized(TICK_FONT_PX))
        span = strip.shown_span()
        painter.setPen(QtGui.QColor(palette.INK))
        for tick in scale_ticks(span, height):
            y = top + height * (span[1] - tick.at) / (span[1] - span[0])
            painter.drawLine(QtCore.QPointF(LEFT_PX - 4, y), QtCore.QPointF(LEFT_PX - 1, y))
            label = QtCore.QRectF(0, y - 7, LEFT_PX - 6, 14)
            painter.drawText(label, RIGHT, tick.text)
        painter.drawLine(QtCore.QPointF(LEFT_PX - 1, top), QtCore.QPointF(LEFT_PX - 1, top + height))

    def _paint_heading(self, painter: QtGui.QPainter, strip: Strip, box: QtCore.QRectF) -> None:
        words = [("ink", _heading(strip))]
        if strip.companion is not None:
            words.append(("faint", heading(strip.companion)))
        if self._earlier is not None:
            words.append(("faint", GHOST_WORDS))
        used = 0.0
        for ink, text in words:
            painter.setPen(QtGui.QColor(palette.ink(ink)))
            painter.drawText(box.adjusted(used, 0, 0, 0), LEFT, text)
            used += painter.fontMetrics().horizontalAdvance(text) + 14
        painter.setPen(QtGui.QColor(palette.OVER))
        painter.drawText(box, RIGHT, strip.limit_words())

    def _paint_time_axis(self, painter: QtGui.QPainter) -> None:
        top, width = self.height() - AXIS_PX, self.width() - LEFT_PX - RIGHT_PX
        span = (-self._columns.column_s * self._columns.columns, 0.0)
        painter.setPen(QtGui.QColor(palette.INK))
        painter.setFont(self._sized(TICK_FONT_PX))
        middle = QtCore.Qt.AlignmentFlag.AlignHCenter
        for tick in ticks(span, max(1, width // TIME_TICK_ROOM_PX)):
            x = LEFT_PX + width * (tick.at - span[0]) / (span[1] - span[0])
            painter.drawLine(QtCore.QPointF(x, top), QtCore.QPointF(x, top + 3))
            painter.drawText(QtCore.QRectF(x - 30, top + 3, 60, 13), int(middle), tick.text)
        painter.setFont(self._sized(HEADING_FONT_PX))
        painter.drawText(QtCore.QRectF(LEFT_PX, top + 16, width, 15), int(middle), self._time_label)

    def _sized(self, size_px: int) -> QtGui.QFont:
        font = QtGui.QFont(self.font())
        font.setPixelSize(size_px)
        return font


def _heading(strip: Strip) -> str:
    return heading(strip.channel._replace(unit=strip.unit.name))


def _rgb(colour: str) -> int:
    """``#rrggbb`` as ``0xffRRGGBB``."""
    return int(colour[1:], 16) | 0xFF000000
