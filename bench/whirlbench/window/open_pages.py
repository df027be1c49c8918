"""The pages that are open, grouped by what they are about: the stand, or one of several recordings."""

from __future__ import annotations

from collections.abc import Iterator

from PyQt5 import QtCore, QtWidgets

from whirlbench.window.pages.scroll_page import SectionRow

GROUP = QtCore.Qt.ItemDataRole.UserRole
START, STAND, RIG = "start", "stand", "rig file"


class PageStack(QtWidgets.QStackedWidget):
    """Pages that take the room there is: one that wants more must not push the power cut off the screen."""

    def minimumSizeHint(self) -> QtCore.QSize:
        """Little, whatever the pages say."""
        return QtCore.QSize(400, 120)


class OpenPages(QtCore.QObject):
    """Names of groups in a box, of the pages of the chosen group in a row, and the pages themselves."""

    def __init__(self) -> None:
        super().__init__()
        self.groups = QtWidgets.QComboBox()
        self.groups.setAccessibleName("stand or recording")
        self.groups.setSizeAdjustPolicy(QtWidgets.QComboBox.AdjustToContents)
        self.names = SectionRow()
        self.names.setAccessibleName("pages")
        self.pages = PageStack()
        self.names.currentRowChanged.connect(self._show)
        self.groups.currentTextChanged.connect(self._filter)

    def add(self, name: str, page: QtWidgets.QWidget, group: str) -> None:
        """Appends a page to its group; the very first page is shown."""
        first = self.names.count() == 0
        self.pages.addWidget(page)
        self.names.add(name)
        item = self.names.item(self.names.count() - 1)
        item.setData(GROUP, group)
        if self.groups.findText(group) < 0:
            self.groups.addItem(group)
            self.groups.setMinimumContentsLength(min(max(len(group) + 2, self.groups.minimumContentsLength()), 28))
        item.setHidden(group != self.group)
        if first:
            self.names.setCurrentRow(0)

    @property
    def group(self) -> str:
        """The group that is seen."""
        return self.groups.currentText()

    def rows(self, group: str) -> list[int]:
        """Places of the pages of a group."""
        return [row for row in range(self.names.count()) if self.names.item(row).data(GROUP) == group]

    def of_group(self, group: str) -> Iterator[QtWidgets.QWidget]:
        """The pages of a group."""
        return iter([self._page(row) for row in self.rows(group)])

    def all(self) -> Iterator[QtWidgets.QWidget]:
        """Every page."""
        return iter([self._page(row) for row in range(self.pages.count())])

    def _page(self, row: int) -> QtWidgets.QWidget:
        page = self.pages.widget(row)
        assert page is not None
        return page

    def show_group(self, group: str) -> None:
        """The first page of a group, unless one of it is seen already."""
        rows = self.rows(group)
        if rows and self.names.currentRow() not in rows:
            self.names.setCurrentRow(rows[0])

    def step_page(self, by: int) -> None:
        """The next page of this group, or the one before."""
        rows = self.rows(self.group)
        if rows:
            here = rows.index(self.names.currentRow()) if self.names.currentRow() in rows else 0
            self.names.setCurrentRow(rows[(here + by) % len(rows)])

    def page_number(self, number: int) -> None:
        """The page of this group at a place, from 0 on; nothing where there is none."""
        rows = self.rows(self.group)
        if number < len(rows):
            self.names.setCurrentRow(rows[number])

    def step_group(self, by: int) -> None:
        """The next group, or the one before."""
        if self.groups.count():
            self.groups.setCurrentIndex((self.groups.currentIndex() + by) % self.groups.count())

    def take_group(self, group: str) -> list[QtWidgets.QWidget]:
        """Takes all pages of a group away and returns them, to be closed."""
        taken = []
        for row in reversed(self.rows(group)):
            page = self._page(row)
            self.pages.removeWidget(page)
            self.names.takeItem(row)
            taken.append(page)
        place = self.groups.findText(group)
        if place >= 0:
            self.groups.removeItem(place)
        self._filter(self.group)
        self.pages.setCurrentIndex(self.names.currentRow())  # Qt tells the row before the item has gone
        return taken

    def _show(self, row: int) -> None:
        """The page at ``row``, and its group's row of names."""
        self.pages.setCurrentIndex(row)
        if row >= 0:
            self.groups.setCurrentText(self.names.item(row).data(GROUP))

    def _filter(self, group: str) -> None:
        """Only the names of ``group`` are in the row."""
        for row in range(self.names.count()):
            self.names.item(row).setHidden(self.names.item(row).data(GROUP) != group)
        self.show_group(group)
