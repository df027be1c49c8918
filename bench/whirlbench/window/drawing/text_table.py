"""A table of text on paper: no grid, a rule under the headings, as tall as its rows."""

from __future__ import annotations

import csv
from collections.abc import Collection, Sequence
from pathlib import Path

from PyQt5 import QtCore, QtGui, QtWidgets

from whirlbench.window import shown_units
from whirlbench.window.drawing import palette
from whirlbench.window.file_saving import ask_path

MOST_ROWS_PX = 360  # longer tables scroll inside
MOST_ROW_PX = 44  # two lines; the tool tip holds the rest
SPARE_PX = 8
LEAST_COLUMN_PX, STEP_PX = 96, 24  # of a column that gives way to others
HEADING_LINES, HEADING_ROOM_PX = 2, 14


class TextTable(QtWidgets.QTableWidget):
    """Shows rows of text under headings; ``chosen`` tells the row that was clicked, where choosing means something."""

    chosen = QtCore.pyqtSignal(int)

    def __init__(self, headings: Sequence[str], rows: Sequence[Sequence[str]] = (), choosable: bool = False) -> None:
        super().__init__(0, len(headings))
        self.headings = tuple(headings)  # as they were given: what is seen is in the units of the screen
        self._given: tuple[Sequence[Sequence[str]], Collection[int]] = ((), ())
        self.setHorizontalHeaderLabels(list(headings))
        self.setEditTriggers(QtWidgets.QAbstractItemView.NoEditTriggers)
        self.setSelectionMode(
            QtWidgets.QAbstractItemView.SingleSelection if choosable else QtWidgets.QAbstractItemView.NoSelection
        )
        self.setSelectionBehavior(QtWidgets.QAbstractItemView.SelectRows)
        self.setFocusPolicy(QtCore.Qt.FocusPolicy.StrongFocus)  # for Ctrl+C; the space bar cuts the power all the same
        self.setAccessibleName("table; Ctrl+C copies it, Ctrl+S saves it")
        for words, act in (
            ("copy the table   (Ctrl+C)", self.copy),
            ("save the table …   (Ctrl+S)", self.ask_and_save),
        ):
            action = QtWidgets.QAction(words, self)
            action.triggered.connect(lambda _, act=act: act())
            self.addAction(action)
        self.setContextMenuPolicy(QtCore.Qt.ContextMenuPolicy.ActionsContextMenu)
        self.setShowGrid(False)
        self.setWordWrap(True)
        self.verticalHeader().hide()
        low = QtCore.Qt.AlignmentFlag.AlignLeft | QtCore.Qt.AlignmentFlag.AlignBottom
        wrapped = QtCore.Qt.Alignment(QtCore.Qt.AlignmentFlag(int(low) | int(QtCore.Qt.TextFlag.TextWordWrap)))
        self.horizontalHeader().setDefaultAlignment(wrapped)
        self.horizontalHeader().setHighlightSections(False)
        self.horizontalHeader().setStretchLastSection(True)
        self.setHorizontalScrollMode(QtWidgets.QAbstractItemView.ScrollPerPixel)
        self.setSizePolicy(QtWidgets.QSizePolicy.Expanding, QtWidgets.QSizePolicy.Fixed)
        if choosable:
            self.cellClicked.connect(lambda row, _column: self.chosen.emit(row))
        self.show_rows(rows)

    def show_rows(self, rows: Sequence[Sequence[str]], danger: Collection[int] = ()) -> None:
        """Fills the table; the rows numbered in ``danger`` must not be acted on and are printed so."""
        self._given = (rows, danger)
        headings, shown = shown_units.table(self.headings, rows)
        self.setHorizontalHeaderLabels(list(headings))
        self.setRowCount(len(rows))
        for number, row in enumerate(shown):
            for column, text in enumerate(row):
                item = QtWidgets.QTableWidgetItem(text)
                item.setToolTip(text)
                self.setItem(number, column, item)
        self._take_inks()
        self._take_widths()
        self._take_height()

    def take_units(self) -> None:
        """Shows the same in the units that are chosen now."""
        self.show_rows(*self._given)

    def lines(self) -> list[list[str]]:
        """Headings and all rows, as they are seen."""
        headings = [self.horizontalHeaderItem(column).text() for column in range(self.columnCount())]
        cells = [[self.item(row, column) for column in range(self.columnCount())] for row in range(self.rowCount())]
        return [headings, *(["" if cell is None else cell.text() for cell in row] for row in cells)]

    def text(self) -> str:
        """Headings and all rows, with tabulators between the cells, as a table calculation takes them."""
        return "\n".join("\t".join(words) for words in self.lines())

    def copy(self) -> None:
        """All of the table, to the clipboard."""
        QtWidgets.QApplication.clipboard().setText(self.text())

    def ask_and_save(self) -> None:
        """Asks for a file, and writes all of the table there."""
        ask_path(self, "save the table", "table.csv", ("table (*.csv)",), self.save)

    def save(self, path: Path) -> None:
        """All of the table as CSV; what became of it is told in the status line of the window."""
        try:
            with path.open("w", encoding="utf-8", newline="") as file:
                csv.writer(file, lineterminator="\n").writerows(self.lines())
            told = f"written: {path}"
        except OSError as error:
            told = f"{path}: cannot be written: {error.strerror or error}; choose another place"
        QtWidgets.QApplication.sendEvent(self, QtGui.QStatusTipEvent(told))

    def keyPressEvent(self, event: QtGui.QKeyEvent) -> None:
        """Ctrl+C copies the table, Ctrl+S saves it."""
        if event.matches(QtGui.QKeySequence.Copy):
            self.copy()
        elif event.matches(QtGui.QKeySequence.Save):
            self.ask_and_save()
        else:
            super().keyPressEvent(event)

    def changeEvent(self, event: QtCore.QEvent) -> None:
        """Another palette: rows that must not be acted on are printed in its ink."""
        super().changeEvent(event)
        if event.type() == QtCore.QEvent.Type.StyleChange and self._given[1]:
            self._take_inks()

    def _take_inks(self) -> None:
        ink = QtGui.QColor(palette.OVER)
        for cell in (self.item(row, column) for row in self._given[1] for column in range(self.columnCount())):
            if cell is not None and cell.foreground().color() != ink:
                cell.setForeground(ink)

    def resizeEvent(self, event: QtGui.QResizeEvent) -> None:
        """Another size: what was drawn for the old one is given up."""
        super().resizeEvent(event)
        if event.size().width() != event.oldSize().width():
            self._take_widths()
            self._take_height()  # columns have another width now, and their words wrap elsewhere

    def _take_widths(self) -> None:
        """As wide as cells and the longest word of a heading need; where that is too much, the widest give way."""
        wanted = [max(self.sizeHintForColumn(column), self._heading_px(column)) for column in range(self.columnCount())]
        room = self.viewport().width()
        while sum(wanted) > room and max(wanted, default=0) > LEAST_COLUMN_PX:
            widest = wanted.index(max(wanted))
            wanted[widest] = max(wanted[widest] - max(sum(wanted) - room, 1), LEAST_COLUMN_PX, wanted[widest] - STEP_PX)
        for column, width in enumerate(wanted):
            self.setColumnWidth(column, width)
        self.horizontalHeader().setFixedHeight(self._header_px(wanted))

    def _heading_px(self, column: int) -> int:
        """Width of a heading on as many lines as it may have, at least of its longest word."""
        metrics = self.horizontalHeader().fontMetrics()
        words = self.horizontalHeaderItem(column).text().split() or [""]
        longest = max(metrics.horizontalAdvance(word) for word in words)
        whole = metrics.horizontalAdvance(" ".join(words))
        return max(longest, -(-whole // HEADING_LINES) if whole > LEAST_COLUMN_PX else whole) + HEADING_ROOM_PX

    def _header_px(self, widths: Sequence[int]) -> int:
        metrics = self.horizontalHeader().fontMetrics()
        flags = int(QtCore.Qt.TextFlag.TextWordWrap)
        boxes = [QtCore.QRect(0, 0, max(width - HEADING_ROOM_PX, 1), 1000) for width in widths]
        texts = [self.horizontalHeaderItem(column).text() for column in range(self.columnCount())]
        heights = [metrics.boundingRect(box, flags, text).height() for box, text in zip(boxes, texts, strict=True)]
        return max(heights, default=metrics.height()) + SPARE_PX

    def _take_height(self) -> None:
        self.resizeRowsToContents()
        usual_px = self.verticalHeader().defaultSectionSize()
        for row in range(self.rowCount()):  # words that wrap keep apart from those of the next row
            room_px = SPARE_PX if self.rowHeight(row) > usual_px else 0
            self.setRowHeight(row, min(self.rowHeight(row) + room_px, MOST_ROW_PX))
        rows_px = sum(self.rowHeight(row) for row in range(self.rowCount()))
        self.setFixedHeight(min(rows_px, MOST_ROWS_PX) + self.horizontalHeader().height() + SPARE_PX)
