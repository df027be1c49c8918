"""A table of text on paper: no grid, a rule under the headings, as tall as its rows."""

from __future__ import annotations

from collections.abc import Collection, Sequence

from PyQt5 import QtCore, QtGui, QtWidgets

from whirlbench.window import shown_units
from whirlbench.window.drawing import palette

MOST_ROWS_PX = 360  # longer tables scroll inside
MOST_ROW_PX = 44  # two lines; the tool tip holds the rest
SPARE_PX = 8


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
        self.setAccessibleName("table; Ctrl+C copies it")
        copying = QtWidgets.QAction("copy the table", self)
        copying.triggered.connect(lambda _: self.copy())
        self.addAction(copying)
        self.setContextMenuPolicy(QtCore.Qt.ContextMenuPolicy.ActionsContextMenu)
        self.setShowGrid(False)
        self.setWordWrap(True)
        self.verticalHeader().hide()
        self.horizontalHeader().setDefaultAlignment(QtCore.Qt.AlignmentFlag.AlignLeft)
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
                if number in danger:
                    item.setForeground(QtGui.QColor(palette.OVER))
                self.setItem(number, column, item)
        self.resizeColumnsToContents()
        self._take_height()

    def take_units(self) -> None:
        """Shows the same in the units that are chosen now."""
        self.show_rows(*self._given)

    def text(self) -> str:
        """Headings and all rows, with tabulators between the cells, as a table calculation takes them."""
        headings = [self.horizontalHeaderItem(column).text() for column in range(self.columnCount())]
        cells = [[self.item(row, column) for column in range(self.columnCount())] for row in range(self.rowCount())]
        rows = [["" if cell is None else cell.text() for cell in row] for row in cells]
        return "\n".join("\t".join(words) for words in (headings, *rows))

    def copy(self) -> None:
        """All of the table, to the clipboard."""
        QtWidgets.QApplication.clipboard().setText(self.text())

    def keyPressEvent(self, event: QtGui.QKeyEvent) -> None:
        """Ctrl+C copies the table."""
        if event.matches(QtGui.QKeySequence.Copy):
            self.copy()
        else:
            super().keyPressEvent(event)

    def resizeEvent(self, event: QtGui.QResizeEvent) -> None:
        """Another size: what was drawn for the old one is given up."""
        super().resizeEvent(event)
        if event.size().width() != event.oldSize().width():
            self._take_height()  # the last column has another width now, and its words wrap elsewhere

    def _take_height(self) -> None:
        self.resizeRowsToContents()
        for row in range(self.rowCount()):
            self.setRowHeight(row, min(self.rowHeight(row), MOST_ROW_PX))
        rows_px = sum(self.rowHeight(row) for row in range(self.rowCount()))
        self.setFixedHeight(min(rows_px, MOST_ROWS_PX) + self.horizontalHeader().sizeHint().height() + SPARE_PX)
