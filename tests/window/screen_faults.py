"""What is wrong with a window as it stands on the screen: cut off, one over another, or the power cut out of reach."""

from __future__ import annotations

from collections.abc import Iterator
from itertools import combinations

from PyQt5 import QtCore, QtWidgets

from whirlbench.window.main_window import MainWindow

SLACK_PX = 1
LEAST_BAR_PX = 48
FREE = (QtWidgets.QAbstractScrollArea, QtWidgets.QScrollBar)  # lay their own insides out, and scroll


def faults(window: MainWindow) -> list[str]:
    """One line for each fault; empty when everything can be read and, while there is a session, reached."""
    bar = _bar_faults(window) if window.bridge is not None else ()
    return [*bar, *_faults_below(window.centralWidget(), window)]


def page_faults(page: QtWidgets.QWidget) -> list[str]:
    """The same for a page by itself."""
    return [*_faults_below(page, page)]


def _bar_faults(window: MainWindow) -> Iterator[str]:
    bar = window.abort_bar
    place = QtCore.QRect(bar.mapTo(window, QtCore.QPoint(0, 0)), bar.size())
    if not bar.isVisible() or not window.rect().contains(place) or place.height() < LEAST_BAR_PX:
        yield f"the power cut is not on the screen: {place} in {window.rect()}"
    if place.width() < 0.95 * window.width() or window.height() - place.bottom() > 40:
        yield f"the power cut is not pinned to the lower edge: {place} in {window.rect()}"


def _faults_below(parent: QtWidgets.QWidget, window: QtWidgets.QWidget) -> Iterator[str]:
    children = [
        child
        for child in parent.findChildren(QtWidgets.QWidget, options=QtCore.Qt.FindDirectChildrenOnly)
        if child.isVisible() and not child.isWindow()
    ]
    for child in children:
        if not parent.rect().adjusted(-SLACK_PX, -SLACK_PX, SLACK_PX, SLACK_PX).contains(child.geometry()):
            yield f"{_named(child)} {child.geometry()} leaves {_named(parent)} {parent.rect()}"
        yield from _text_faults(child)
        if isinstance(child, QtWidgets.QScrollArea):
            yield from _scrolled_faults(child, window)
        elif not isinstance(child, FREE):
            yield from _faults_below(child, window)
    for one, other in combinations(children, 2):
        shared = one.geometry().intersected(other.geometry())
        if min(shared.width(), shared.height()) > SLACK_PX:
            yield f"{_named(one)} and {_named(other)} lie over one another by {shared.width()} x {shared.height()}"


def _scrolled_faults(area: QtWidgets.QScrollArea, window: QtWidgets.QWidget) -> Iterator[str]:
    """What is scrolled up and down may be higher than its place, not wider."""
    inside = area.widget()
    if inside.width() > area.viewport().width() + SLACK_PX:
        yield f"{_named(inside)} is {inside.width()} wide, its place {area.viewport().width()}"
    yield from _faults_below(inside, window)


def _text_faults(widget: QtWidgets.QWidget) -> Iterator[str]:
    """Words that do not fit the widget that shows them."""
    if isinstance(widget, QtWidgets.QLabel) and widget.wordWrap():
        if widget.heightForWidth(widget.width()) > widget.height() + SLACK_PX:
            yield f"words are cut off: {_named(widget)}"
    elif isinstance(widget, QtWidgets.QLabel | QtWidgets.QPushButton | QtWidgets.QCheckBox):
        needed = widget.sizeHint().width() if widget.text() else 0
        if needed > widget.width() + SLACK_PX:
            yield f"words are cut off: {_named(widget)} needs {needed}, has {widget.width()}"


def _named(widget: QtWidgets.QWidget) -> str:
    text = getattr(widget, "text", lambda: "")()
    return f"{type(widget).__name__} {widget.objectName() or widget.accessibleName() or text[:40]}".strip()
