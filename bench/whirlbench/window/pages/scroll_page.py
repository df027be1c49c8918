"""One long page to be read from top to bottom: headings, tables and charts in a column that scrolls."""

from __future__ import annotations

from collections.abc import Sequence

from PyQt5 import QtCore, QtWidgets

from whirlbench.window.drawing import palette

HEADING = f"font-size: 17px; color: {palette.INK}; padding: 2px 0 4px 0;"
SECTION = f"font-size: 14px; font-weight: bold; color: {palette.INK}; padding-top: 12px;"


class ScrollPage(QtWidgets.QScrollArea):
    """A scrolling column; widgets are added from top to bottom.

    They are laid out and painted one after the other, each in a turn of its own of Qt's loop: a live session's sign of
    life comes from the same loop, and a whole page at once would hold it up on a computer that is busy.
    """

    def __init__(self) -> None:
        super().__init__()
        self._unrevealed: list[QtWidgets.QWidget] = []
        self._revealing = QtCore.QTimer(self)
        self._revealing.timeout.connect(self._reveal)
        self.setWidgetResizable(True)
        self.setFrameShape(QtWidgets.QFrame.NoFrame)
        self.setHorizontalScrollBarPolicy(QtCore.Qt.ScrollBarPolicy.ScrollBarAlwaysOff)
        body = QtWidgets.QWidget()
        self.column = QtWidgets.QVBoxLayout(body)
        self.column.setContentsMargins(6, 4, 12, 12)
        self.column.setSpacing(6)
        self.setWidget(body)

    def add_heading(self, text: str) -> QtWidgets.QLabel:
        """The page's outcome in one line, at the top."""
        self.heading = self._label(text, HEADING)
        return self.heading

    def refuse(self, text: str) -> None:
        """Why a question has no answer, in place of the heading; the rest stays as it was."""
        self.heading.setText(text)

    def add_section(self, text: str) -> QtWidgets.QLabel:
        """A title between sections."""
        return self._label(text, SECTION)

    def add(self, widget: QtWidgets.QWidget) -> None:
        """Any widget, over the whole width."""
        self.reveal_later(widget)
        self.column.addWidget(widget)

    def reveal_later(self, widget: QtWidgets.QWidget) -> None:
        """Hides ``widget``, whatever it is part of, until its turn has come."""
        widget.hide()
        self._unrevealed.append(widget)
        self._revealing.start(0)

    def _reveal(self) -> None:
        if self._unrevealed:
            self._unrevealed.pop(0).show()
        else:
            self._revealing.stop()

    def add_row(self, widgets: Sequence[QtWidgets.QWidget], stretches: Sequence[int] = ()) -> None:
        """Widgets side by side; ``stretches`` are their shares of the width, equal when empty."""
        holder = QtWidgets.QWidget()
        row = QtWidgets.QHBoxLayout(holder)
        row.setContentsMargins(0, 0, 0, 0)
        row.setSpacing(10)
        for widget, stretch in zip(widgets, stretches or [1] * len(widgets), strict=True):
            row.addWidget(widget, stretch=stretch)
        self.add(holder)

    def end(self) -> None:
        """Keeps what was added at the top when the page is taller than that."""
        self.column.addStretch(1)

    def _label(self, text: str, style: str) -> QtWidgets.QLabel:
        label = QtWidgets.QLabel(text)
        label.setTextFormat(QtCore.Qt.TextFormat.PlainText)
        label.setWordWrap(True)
        label.setStyleSheet(style)
        self.add(label)
        return label


class LineList(QtWidgets.QLabel):
    """Plain lines, one below the other, each with a dash before it."""

    def __init__(self, lines: Sequence[str] = ()) -> None:
        super().__init__()
        self.setTextFormat(QtCore.Qt.TextFormat.PlainText)
        self.setWordWrap(True)
        self.setTextInteractionFlags(QtCore.Qt.TextInteractionFlag.TextSelectableByMouse)
        self.show_lines(lines)

    def show_lines(self, lines: Sequence[str]) -> None:
        """Replaces all lines."""
        self.setText("\n".join(f"—  {line}" for line in lines))
