"""What a page shows, read off it: its words with the widgets that show them, and the contrast of words as drawn."""

from __future__ import annotations

import re
from collections.abc import Iterator
from contextlib import contextmanager

import numpy as np
from colour_vision import contrast
from PyQt5 import QtGui, QtWidgets

from whirlbench.window.drawing.chart_view import ChartView

# a key of file or wire: words with underscores; one after a dot, or before an equals sign, is meant for the rig file
RAW_KEY = re.compile(
    r"(?<![\w./-])[a-z][a-z0-9]*(?:_[a-z0-9]+)*_(?:n|g|us|ms|rpm|a|v|w|deg|pct|s|c|rms|m|mpa)(?![\w=./])"
)

OF_FILE = re.compile(r"[a-z_]+(?:\.\w+)+: |.*separated by commas, each ", re.DOTALL)
ARROW_PX = 20  # at the right of a box to choose from, in the ink of words, but none


def words(page: QtWidgets.QWidget) -> Iterator[tuple[str, str]]:
    """(where, text) of every text of a page, shown or hidden, tool tips and those for screen readers among them."""
    for widget in (page, *page.findChildren(QtWidgets.QWidget)):
        where = f"{type(widget).__name__} {widget.objectName()}"
        yield from ((where, text) for text in _texts(widget) if text)


def _texts(widget: QtWidgets.QWidget) -> Iterator[str]:
    yield from (widget.toolTip(), widget.accessibleName(), widget.accessibleDescription())
    if isinstance(widget, QtWidgets.QLabel | QtWidgets.QAbstractButton):
        yield widget.text()
    if isinstance(widget, QtWidgets.QLineEdit):
        yield from (widget.placeholderText(), widget.text())
    if isinstance(widget, QtWidgets.QComboBox):
        yield from (widget.itemText(row) for row in range(widget.count()))
    if isinstance(widget, QtWidgets.QListWidget):
        yield from (widget.item(row).text() for row in range(widget.count()))
    if isinstance(widget, QtWidgets.QTableWidget):
        yield from (widget.horizontalHeaderItem(column).text() for column in range(widget.columnCount()))
        cells = [widget.item(row, column) for row in range(widget.rowCount()) for column in range(widget.columnCount())]
        yield from (cell.text() for cell in cells if cell is not None)
    if isinstance(widget, QtWidgets.QTabWidget):
        yield from (widget.tabText(row) for row in range(widget.count()))
    if isinstance(widget, QtWidgets.QMenu):
        yield from (action.text() for action in widget.actions())
    if isinstance(widget, ChartView):
        chart = widget.chart
        yield from (chart.title, chart.x_label, chart.y_label, chart.caption)
        named = (*chart.curves, *chart.bands, *chart.lines, *chart.stretches, *chart.boxes)
        yield from (*(one.label for one in named), *(one.text for one in chart.captions))
    yield from map(str, (getattr(widget, name, "") for name in ("headline", "remark") if _is_text(widget, name)))


def _is_text(widget: QtWidgets.QWidget, name: str) -> bool:
    return isinstance(getattr(widget, name, None), str)


def raw_keys(page: QtWidgets.QWidget) -> list[str]:
    """Every text with a raw key in it, but for what a form says of a key of the file, which is typed as it stands."""
    return [f"{where}: {text}" for where, text in words(page) if RAW_KEY.search(text) and not OF_FILE.match(text)]


@contextmanager
def plain_letters(app: QtWidgets.QApplication) -> Iterator[None]:
    """Letters without soft edges: each of their pixels has the very colour of the words."""
    kept = app.font()
    font = QtGui.QFont(kept)
    font.setStyleStrategy(QtGui.QFont.StyleStrategy.NoAntialias)
    app.setFont(font)
    try:
        yield
    finally:
        app.setFont(kept)


def pale_words(page: QtWidgets.QWidget, least: float) -> list[str]:
    """Words of a page, as drawn, that stand out by less than ``least`` from what lies behind them, and hints, too.

    Found by drawing the page with its words and without: what differs are the words, whatever rule coloured them.
    """
    drawn = _pixels(page)
    hints = {field: field.placeholderText() for field in page.findChildren(QtWidgets.QLineEdit)}
    for field in hints:
        field.setPlaceholderText("")
    kept = {widget: widget.styleSheet() for widget in (page, *page.findChildren(QtWidgets.QWidget))}
    for widget, sheet in kept.items():
        if "color" in sheet and widget is not page:
            widget.setStyleSheet(sheet + ("" if "{" in sheet else "; color: transparent;"))
    page.setStyleSheet("* { color: transparent; }")
    without = _pixels(page)
    for widget, sheet in kept.items():
        if widget.styleSheet() != sheet:
            widget.setStyleSheet(sheet)
    for field, hint in hints.items():
        field.setPlaceholderText(hint)
    places = np.argwhere((drawn != without).any(axis=2) & ~_arrows(page, drawn.shape[:2]))
    pairs = np.unique(np.concatenate([drawn[tuple(places.T)], without[tuple(places.T)]], axis=1), axis=0)
    pale = [pair for pair in pairs.tolist() if contrast(_name(pair[:3]), _name(pair[3:])) < least]
    return [f"{_name(pair[:3])} on {_name(pair[3:])}" for pair in pale] + _pale_hints(page, least)


def _arrows(page: QtWidgets.QWidget, shape: tuple[int, int]) -> np.ndarray:
    covered = np.zeros(shape, dtype=bool)
    for box in (*page.findChildren(QtWidgets.QComboBox), *page.findChildren(QtWidgets.QToolButton)):
        corner = box.mapTo(page, box.rect().topRight())
        covered[max(corner.y(), 0) : corner.y() + box.height(), max(corner.x() - ARROW_PX, 0) : corner.x() + 1] = True
    return covered


def _pale_hints(page: QtWidgets.QWidget, least: float) -> list[str]:
    found = []
    for field in page.findChildren(QtWidgets.QLineEdit):
        ink, paper = (
            field.palette().color(role) for role in (QtGui.QPalette.ColorRole.PlaceholderText, QtGui.QPalette.Base)
        )
        share = ink.alphaF()
        mixed = [
            round(share * one + (1.0 - share) * two) for one, two in zip(ink.getRgb(), paper.getRgb(), strict=True)
        ]
        if field.placeholderText() and contrast(_name(mixed[:3]), paper.name()) < least:
            found.append(f"hint {field.placeholderText()!r}: {_name(mixed[:3])} on {paper.name()}")
    return found


def _pixels(page: QtWidgets.QWidget) -> np.ndarray:
    image = page.grab().toImage().convertToFormat(QtGui.QImage.Format.Format_RGB888)
    bits = image.constBits()
    bits.setsize(image.byteCount())
    rows = np.frombuffer(bits, np.uint8).reshape(image.height(), image.bytesPerLine())
    return rows[:, : 3 * image.width()].reshape(image.height(), image.width(), 3).copy()


def _name(rgb: list[int]) -> str:
    return "#" + "".join(f"{round(part):02x}" for part in rgb)
