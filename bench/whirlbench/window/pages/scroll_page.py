"""A page: what it says at the top, and below it one section at a time, chosen in a row, so that it fits a screen."""

from __future__ import annotations

from collections.abc import Sequence

from PyQt5 import QtCore, QtWidgets

from whirlbench.window import shown_units

HEADING = "font-size: 17px; padding: 2px 0 4px 0;"
ROW_ROOM_PX = 14
LEAST_SECTION_PX = 120
SECTION = "font-size: 14px; font-weight: bold; padding-top: 6px;"


class ScrollPage(QtWidgets.QScrollArea):
    """A column; widgets are added from top to bottom, after ``begin`` to the section that this began.

    One section is seen at a time. A screen that is too small scrolls.

    They are laid out and painted one after the other, each in a turn of its own of Qt's loop: a live session's sign of
    life comes from the same loop, and a whole page at once would hold it up on a computer that is busy.
    """

    def __init__(self) -> None:
        super().__init__()
        self._unrevealed: list[QtWidgets.QWidget] = []
        self._left_out: set[QtWidgets.QWidget] = set()
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
        self.sections = SectionRow()
        self._stack = QtWidgets.QStackedWidget()
        # What a section would like to have is its own affair: it scrolls by itself, and the page's head stays in sight
        self._stack.setSizePolicy(QtWidgets.QSizePolicy.Expanding, QtWidgets.QSizePolicy.Ignored)
        self._stack.setMinimumHeight(LEAST_SECTION_PX)
        self.sections.currentRowChanged.connect(self._stack.setCurrentIndex)

    def begin(self, title: str) -> None:
        """Begins a section; what is added from now on stands there. One that stays empty is not offered."""
        if not self.sections.count():
            for widget, stretch in ((self.sections, 0), (self._stack, 1)):
                self.column.addWidget(widget, stretch=stretch)
        area, body = QtWidgets.QScrollArea(), QtWidgets.QWidget()
        area.setWidgetResizable(True)
        area.setFrameShape(QtWidgets.QFrame.NoFrame)
        area.setFocusPolicy(QtCore.Qt.FocusPolicy.NoFocus)
        self._drop_empty()
        self.column = QtWidgets.QVBoxLayout(body)
        self.column.setContentsMargins(0, 2, 0, 0)
        self.column.setSpacing(6)
        area.setWidget(body)
        self._stack.addWidget(area)
        self.sections.add(title)

    def _drop_empty(self) -> None:
        """Takes the latest section away again where nothing was put into it; one of tables alone keeps to its top."""
        last = self.sections.count() - 1
        if last >= 0 and not self.column.count():
            self._stack.removeWidget(self._stack.widget(last))
            self.sections.takeItem(last)
        elif last >= 0 and not any(map(_grows, _widgets(self.column))):
            self.column.addStretch(1)

    def add_heading(self, text: str) -> QtWidgets.QLabel:
        """The page's outcome in one line, at the top."""
        self.heading = self._label(text, HEADING)
        return self.heading

    def refuse(self, text: str) -> None:
        """Why a question has no answer, in place of the heading; the rest stays as it was."""
        self.heading.setText(shown_units.text(text))

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
            shown = self._unrevealed.pop(0)
            shown.setHidden(shown in self._left_out)
        else:
            self._revealing.stop()

    def leave_out(self, widget: QtWidgets.QWidget, empty: bool) -> None:
        """Hides ``widget`` while it is ``empty``, whether or not its turn has come."""
        (self._left_out.add if empty else self._left_out.discard)(widget)
        if widget not in self._unrevealed:
            widget.setHidden(empty)

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
        """Ends the last section; the first is the one that is seen."""
        if not self.sections.count():
            self.column.addStretch(1)
            return
        self._drop_empty()
        self.sections.setVisible(self.sections.count() > 1)
        self.sections.setCurrentRow(0)

    def _label(self, text: str, style: str) -> QtWidgets.QLabel:
        label = QtWidgets.QLabel(text)
        label.setTextFormat(QtCore.Qt.TextFormat.PlainText)
        label.setWordWrap(True)
        label.setStyleSheet(style)
        label.setSizePolicy(QtWidgets.QSizePolicy.Preferred, QtWidgets.QSizePolicy.Maximum)
        self.add(label)
        return label


def _widgets(column: QtWidgets.QVBoxLayout) -> list[QtWidgets.QWidget]:
    items = [column.itemAt(place) for place in range(column.count())]
    return [widget for item in items if (widget := item.widget()) is not None]


def _grows(widget: QtWidgets.QWidget) -> bool:
    """Whether a widget, or one that it holds, takes the height there is."""
    if widget.sizePolicy().verticalPolicy() & QtWidgets.QSizePolicy.ExpandFlag:
        return True
    if isinstance(widget, QtWidgets.QAbstractScrollArea):
        return False  # what is inside it is its own affair
    own = widget.findChildren(QtWidgets.QWidget, options=QtCore.Qt.FindChildOption.FindDirectChildrenOnly)
    return any(map(_grows, own))


class SectionRow(QtWidgets.QListWidget):
    """Names of sections in a row, chosen by click or arrow keys; the chosen one is underlined."""

    def __init__(self) -> None:
        super().__init__()
        self.setFlow(QtWidgets.QListView.LeftToRight)
        self.setVerticalScrollBarPolicy(QtCore.Qt.ScrollBarPolicy.ScrollBarAlwaysOff)
        self.setHorizontalScrollBarPolicy(QtCore.Qt.ScrollBarPolicy.ScrollBarAlwaysOff)
        self.setObjectName("section_row")
        self.setAccessibleName("sections of this page")
        self.setFixedHeight(self.fontMetrics().height() + ROW_ROOM_PX)

    def add(self, title: str) -> None:
        """One more name, at the right end."""
        self.addItem(title)
        self.item(self.count() - 1).setTextAlignment(QtCore.Qt.AlignmentFlag.AlignCenter)


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
        self.setText("\n".join(f"—  {shown_units.text(line)}" for line in lines))
