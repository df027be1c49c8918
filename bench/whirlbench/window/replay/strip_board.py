"""The strips of a replay as a widget: zoom, pan, crosshair, cursor and selection by mouse and keys."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace

from PyQt5 import QtCore, QtGui, QtWidgets

from whirlbench.window.replay.run_marks import Mark
from whirlbench.window.replay.strip_painter import GUTTER_PX, LEAST_STRIP_PX, TOP_PX, StripPainter, reading
from whirlbench.window.replay.strip_view import StripView

NOTCH = 120  # what one notch of a wheel turns, in Qt's eighths of a degree
ZOOM_A_NOTCH = 0.8
MOVE_SHARE = 0.1  # of what is seen, by a key or a notch
LEAST_DRAG_PX = 5
NEAR_MARK_PX = 7
KEYS_HELP = (
    ("wheel, + and −", "closer and further, about the pointer or the cursor"),
    ("Shift with the wheel, Page Up, Page Down", "earlier and later"),
    ("drag", "select a span; Enter shows just that, Escape gives it up"),
    ("drag with the middle button", "move what is seen"),
    ("click, Left, Right", "place the cursor; with Shift sample by sample"),
    ("Home, End", "cursor to the beginning, to the end"),
    ("[ and ]", "the selected span begins, ends at the cursor"),
    ("double-click, A", "the whole run"),
    ("Ctrl with the wheel over a strip", "scale of that strip; double-click on its name fits it again"),
    ("N, B", "next mark, mark before"),
)


class StripBoard(QtWidgets.QWidget):
    """Shows a StripView and changes it: ``changed`` tells every new one, ``cursor_moved`` and ``selected`` parts."""

    changed = QtCore.pyqtSignal()
    cursor_moved = QtCore.pyqtSignal(float)
    selected = QtCore.pyqtSignal()

    def __init__(self, view: StripView) -> None:
        super().__init__()
        self.view = view
        self._picture: QtGui.QPixmap | None = None
        self._drawing: StripPainter | None = None
        self._pointer: QtCore.QPoint | None = None
        self._pressed: QtCore.QPoint | None = None
        self._carried: float | None = None  # time under the pointer while the middle button moves what is seen
        self.setMouseTracking(True)
        self.setFocusPolicy(QtCore.Qt.FocusPolicy.StrongFocus)
        self.setSizePolicy(QtWidgets.QSizePolicy.Expanding, QtWidgets.QSizePolicy.Expanding)
        self.setMinimumSize(480, 240)
        self.setAccessibleName("strips of the recorded run")
        self.show_view(view)

    def show_view(self, view: StripView) -> None:
        """Draws ``view``; where only the cursor moved, nothing else is drawn anew."""
        only_cursor = replace(view, cursor_s=self.view.cursor_s) == self.view if view is not self.view else False
        self.view = view
        if self._drawing is not None and only_cursor:
            self._drawing.view = view
        else:
            self._picture = self._drawing = None
        self.setMinimumHeight(int(TOP_PX + (LEAST_STRIP_PX + 8) * len(view.shown) + 40))
        self.setAccessibleDescription(self._in_words())
        self.update()
        self.changed.emit()

    def _in_words(self) -> str:
        values = self.view.values_at(self.view.cursor_s)
        shown = [(trace, values[trace.channel.name]) for trace in self.view.shown]
        said = [f"{trace.name} {reading(value, trace.unit)} {trace.doubt(value)}".rstrip() for trace, value in shown]
        return f"{self.view.cursor_s:.3f} s: {', '.join(said)}"

    # --- drawing ----------------------------------------------------------------------------------------------------

    def drawing(self) -> StripPainter:
        """What is drawn now, with the places of its strips."""
        if self._drawing is None:
            self._drawing = StripPainter(self.view, self.width(), self.height(), self.font())
        return self._drawing

    def draw_on(self, painter: QtGui.QPainter) -> None:
        """All of it on another paper of the same size: curves, cursor, and the readings at the cursor."""
        drawing = self.drawing()
        drawing.paint(painter)
        drawing.paint_readings(painter, self.view.cursor_s)
        drawing.paint_line(painter, self.view.cursor_s, "cursor", f"{self.view.cursor_s:.3f} s")

    def resizeEvent(self, event: QtGui.QResizeEvent) -> None:
        """Another size: what was drawn for the old one is given up."""
        self._picture = self._drawing = None
        super().resizeEvent(event)

    def changeEvent(self, event: QtCore.QEvent) -> None:
        """Another palette: what was drawn in the old one is given up."""
        super().changeEvent(event)
        if event.type() == QtCore.QEvent.Type.StyleChange:
            self._picture = None
            self.update()

    def paintEvent(self, event: QtGui.QPaintEvent) -> None:
        """The kept picture, and over it what follows cursor and pointer."""
        drawing = self.drawing()
        if self._picture is None:
            self._picture = self._drawn(drawing)
        painter = QtGui.QPainter(self)
        painter.drawPixmap(0, 0, self._picture)
        pointed = self.time_at_pointer()
        drawing.paint_readings(painter, self.view.cursor_s if pointed is None else pointed)
        drawing.paint_line(painter, self.view.cursor_s, "cursor", f"{self.view.cursor_s:.3f} s")
        if pointed is not None and self._pointer is not None:
            self._paint_crosshair(painter, pointed, self._pointer)
        painter.end()

    def _drawn(self, drawing: StripPainter) -> QtGui.QPixmap:
        ratio = self.devicePixelRatioF()
        picture = QtGui.QPixmap(self.size() * ratio)
        picture.setDevicePixelRatio(ratio)
        painter = QtGui.QPainter(picture)
        drawing.paint(painter)
        painter.end()
        return picture

    def _paint_crosshair(self, painter: QtGui.QPainter, at_s: float, pointer: QtCore.QPoint) -> None:
        drawing = self.drawing()
        drawing.paint_line(painter, at_s, "ink", f"{at_s:.4f} s")
        strip = drawing.strip_at(pointer.y())
        if strip is not None:
            painter.drawLine(int(strip.scale.left), pointer.y(), int(strip.scale.right), pointer.y())
            words = reading(strip.scale.y_at(pointer.y()), strip.trace.unit)
            painter.setPen(self.palette().windowText().color())
            painter.drawText(QtCore.QPointF(strip.scale.left + 4, pointer.y() - 3), words)

    def time_at_pointer(self) -> float | None:
        """The moment under the pointer; None while it is elsewhere."""
        if self._pointer is None or self._pointer.x() < GUTTER_PX:
            return None
        return self.drawing().time_scale().x_at(self._pointer.x())

    # --- changes ----------------------------------------------------------------------------------------------------

    def move_cursor(self, time_s: float, follow: bool = True) -> None:
        """Places the cursor inside the run, moving what is seen after it where ``follow``."""
        span = self.view.span
        time_s = min(max(time_s, span.first_s), span.last_s)
        self.show_view(replace(self.view, cursor_s=time_s, span=span.showing(time_s) if follow else span))
        self.cursor_moved.emit(time_s)

    def zoom(self, factor: float, about_s: float | None = None) -> None:
        """Closer (below 1) or further, about a moment: else the pointer's, else the cursor's."""
        if about_s is None:
            about_s = self.time_at_pointer()
        about_s = self.view.cursor_s if about_s is None else about_s
        self.show_view(replace(self.view, span=self.view.span.showing(about_s).zoomed(about_s, factor)))

    def pan(self, share: float) -> None:
        """Later by a share of what is seen; earlier for a negative one."""
        self.show_view(replace(self.view, span=self.view.span.moved(share * self.view.span.length_s)))

    def show_whole(self) -> None:
        """All of the run."""
        self.show_view(replace(self.view, span=self.view.span.whole()))

    def select(self, span_s: tuple[float, float] | None) -> None:
        """Selects a span, or gives up the one there is."""
        self.show_view(replace(self.view, selected=None if span_s is None else (min(span_s), max(span_s))))
        self.selected.emit()

    def show_selected(self) -> None:
        """Just the selected span, where there is one."""
        if self.view.selected is not None:
            self.show_view(replace(self.view, span=self.view.span.between(*self.view.selected)))

    def to_mark(self, later: bool) -> None:
        """The cursor to the next mark, or to the one before."""
        here = self.view.cursor_s
        places = [mark.at_s for mark in self.view.marks if (mark.at_s > here if later else mark.at_s < here)]
        if places:
            self.move_cursor(min(places) if later else max(places))

    # --- mouse ------------------------------------------------------------------------------------------------------

    def wheelEvent(self, event: QtGui.QWheelEvent) -> None:
        """Zooms about the pointer; with Shift or sideways moves along; with Ctrl scales the strip under it."""
        turn = event.angleDelta()
        notches = (turn.y() or turn.x()) / NOTCH
        self._pointer = event.position().toPoint()
        if event.modifiers() & QtCore.Qt.KeyboardModifier.ControlModifier:
            self._scale_strip(ZOOM_A_NOTCH**notches)
        elif event.modifiers() & QtCore.Qt.KeyboardModifier.ShiftModifier or not turn.y():
            self.pan(-MOVE_SHARE * notches)
        else:
            self.zoom(ZOOM_A_NOTCH**notches)
        event.accept()

    def _scale_strip(self, factor: float) -> None:
        assert self._pointer is not None
        strip = self.drawing().strip_at(self._pointer.y())
        if strip is not None:
            about, (low, high) = strip.scale.y_at(self._pointer.y()), strip.scale.y
            scale = (about - factor * (about - low), about + factor * (high - about))
            self.show_view(self.view.scaled(strip.trace.channel.name, scale))

    def mousePressEvent(self, event: QtGui.QMouseEvent) -> None:
        """Begins a click, a selection, or a move of what is seen."""
        self.setFocus()
        self._pointer = event.pos()
        if event.button() == QtCore.Qt.MouseButton.MiddleButton:
            self._carried = self.time_at_pointer()
        elif event.button() == QtCore.Qt.MouseButton.LeftButton and event.pos().x() >= GUTTER_PX:
            self._pressed = event.pos()

    def mouseMoveEvent(self, event: QtGui.QMouseEvent) -> None:
        """Follows the pointer; with the left button held selects, with the middle one moves what is seen."""
        self._pointer = event.pos()
        now_s = self.time_at_pointer()
        if self._carried is not None and now_s is not None:
            self.show_view(replace(self.view, span=self.view.span.moved(self._carried - now_s)))
        elif self._pressed is not None and abs(event.pos().x() - self._pressed.x()) >= LEAST_DRAG_PX:
            scale = self.drawing().time_scale()
            self.select((scale.x_at(self._pressed.x()), scale.x_at(event.pos().x())))
        self.setToolTip(self._told_at(event.pos()))
        self.update()

    def _told_at(self, place: QtCore.QPoint) -> str:
        """The mark under the pointer, in full."""
        if place.y() > TOP_PX or place.x() < GUTTER_PX:
            return ""
        scale = self.drawing().time_scale()
        near = [mark for mark in self.view.marks if abs(float(scale.x_px(mark.at_s)) - place.x()) <= NEAR_MARK_PX]
        return "\n".join(mark.line.strip() for mark in near)

    def mouseReleaseEvent(self, event: QtGui.QMouseEvent) -> None:
        """Ends it; a click without a drag places the cursor, near a mark on the mark."""
        pressed, self._pressed, self._carried = self._pressed, None, None
        if pressed is not None and abs(event.pos().x() - pressed.x()) < LEAST_DRAG_PX:
            mark = self._mark_at(event.pos())
            at_s = self.drawing().time_scale().x_at(event.pos().x()) if mark is None else mark.at_s
            self.move_cursor(at_s)

    def _mark_at(self, place: QtCore.QPoint) -> Mark | None:
        scale = self.drawing().time_scale()
        near = [mark for mark in self.view.marks if abs(float(scale.x_px(mark.at_s)) - place.x()) <= NEAR_MARK_PX]
        return near[0] if near and place.y() <= TOP_PX else None

    def mouseDoubleClickEvent(self, event: QtGui.QMouseEvent) -> None:
        """The whole run; on the name of a strip its scale is fitted again."""
        if event.pos().x() >= GUTTER_PX:
            self.show_whole()
            return
        strip = self.drawing().strip_at(event.pos().y())
        if strip is not None:
            self.show_view(self.view.scaled(strip.trace.channel.name, None))

    def leaveEvent(self, event: QtCore.QEvent) -> None:
        """The pointer has gone, and its crosshair with it."""
        self._pointer = None
        self.update()

    # --- keys -------------------------------------------------------------------------------------------------------

    def keyPressEvent(self, event: QtGui.QKeyEvent) -> None:
        """What KEYS_HELP says; every other key is left to the window."""
        key, held = QtCore.Qt.Key, event.modifiers()
        plain: dict[int, Callable[[], None]] = {
            key.Key_Plus: lambda: self.zoom(ZOOM_A_NOTCH),
            key.Key_Equal: lambda: self.zoom(ZOOM_A_NOTCH),
            key.Key_Minus: lambda: self.zoom(1 / ZOOM_A_NOTCH),
            key.Key_PageUp: lambda: self.pan(-MOVE_SHARE),
            key.Key_PageDown: lambda: self.pan(MOVE_SHARE),
            key.Key_Home: lambda: self.move_cursor(self.view.span.first_s),
            key.Key_End: lambda: self.move_cursor(self.view.span.last_s),
            key.Key_Left: lambda: self._step(-1, held),
            key.Key_Right: lambda: self._step(1, held),
            key.Key_A: self.show_whole,
            key.Key_N: lambda: self.to_mark(later=True),
            key.Key_B: lambda: self.to_mark(later=False),
            key.Key_BracketLeft: lambda: self._bound(0),
            key.Key_BracketRight: lambda: self._bound(1),
            key.Key_Return: self.show_selected,
            key.Key_Enter: self.show_selected,
            key.Key_Escape: lambda: self.select(None),
        }
        act = plain.get(event.key())
        if act is None or held & QtCore.Qt.KeyboardModifier.ControlModifier:
            super().keyPressEvent(event)
        else:
            act()

    def _step(self, way: int, held: QtCore.Qt.KeyboardModifiers) -> None:
        """A pixel along, or with Shift to the neighbouring sample of the first strip."""
        here, span = self.view.cursor_s, self.view.span
        if held & QtCore.Qt.KeyboardModifier.ShiftModifier:
            trace = self.view.shown[0]
            beside = trace.sample_before(here) if way < 0 else trace.sample_after(here)
            self.move_cursor(here if beside is None else beside)
        else:
            self.move_cursor(here + way * span.length_s / max(self.drawing().time_scale().width, 1.0))

    def _bound(self, end: int) -> None:
        held = list(self.view.selected or (self.view.span.from_s, self.view.span.to_s))
        held[end] = self.view.cursor_s
        self.select((held[0], held[1]))
