"""The first page: the stands that were found, the simulated one, and the recordings to look at."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from pathlib import Path

from PyQt5 import QtCore, QtWidgets

from whirlbench.window.stand_access import SIMULATED, FoundPort

HEADING = "font-size: 17px; padding: 2px 0 4px 0;"
NO_PORT = "no stand found: plug the device in, then look again"
NO_RIG = "No rig chosen: a stand with hardware asks for its rig file, the simulated one takes the example's."
NO_RECENT = "no recording was opened yet"
DROP = "A recording may also be dropped anywhere on this window."


class StartPage(QtWidgets.QWidget):
    """Tells what is to be opened: ``stand_chosen`` a port, ``file_chosen`` a recording, ``open_wanted`` any."""

    stand_chosen = QtCore.pyqtSignal(str)
    file_chosen = QtCore.pyqtSignal(object)
    open_wanted = QtCore.pyqtSignal()
    look_again = QtCore.pyqtSignal()
    rig_wanted = QtCore.pyqtSignal()
    rig_form_wanted = QtCore.pyqtSignal(bool)  # of a new rig, else of the one chosen

    def __init__(self, offers_stand: bool) -> None:
        super().__init__()
        self.edit_button = _button("edit it …", lambda: self.rig_form_wanted.emit(False))
        self.rig, self.told = QtWidgets.QLabel(NO_RIG), QtWidgets.QLabel()
        self.told.setProperty("ink", "over")
        for label in (self.rig, self.told):
            label.setTextFormat(QtCore.Qt.TextFormat.PlainText)
            label.setWordWrap(True)
        self.told.hide()
        self.ports, self.recent = _list("stands that were found"), _list("recordings opened last")
        self.ports.itemActivated.connect(
            lambda item: self.stand_chosen.emit(item.data(QtCore.Qt.ItemDataRole.UserRole))
        )
        self.recent.itemActivated.connect(self._recent_chosen)
        row = QtWidgets.QHBoxLayout(self)
        row.setContentsMargins(24, 16, 24, 16)
        row.setSpacing(36)
        if offers_stand:
            row.addLayout(self._stands(), stretch=1)
        row.addLayout(self._recordings(), stretch=1)

    def _stands(self) -> QtWidgets.QVBoxLayout:
        column = _column("At the stand")
        column.addWidget(self.rig)
        rigs = QtWidgets.QHBoxLayout()
        rigs.addWidget(_button("choose a rig …", self.rig_wanted.emit))
        rigs.addWidget(self.edit_button)
        rigs.addWidget(_button("new rig …", lambda: self.rig_form_wanted.emit(True)))
        column.addLayout(rigs)
        column.addWidget(self.ports, stretch=1)
        column.addWidget(self.told)
        column.addWidget(_button("look again", self.look_again.emit))
        column.addWidget(_button("simulated stand: no hardware needed", lambda: self.stand_chosen.emit(SIMULATED)))
        return column

    def _recordings(self) -> QtWidgets.QVBoxLayout:
        column = _column("Look at a recording")
        column.addWidget(QtWidgets.QLabel(DROP))
        column.addWidget(self.recent, stretch=1)
        column.addWidget(_button("open a recording …   (Ctrl+O)", self.open_wanted.emit))
        return column

    def tell(self, text: str) -> None:
        """Why no session was started; empty: nothing stands against it any more."""
        self.told.setText(text)
        self.told.setVisible(bool(text))

    def show_ports(self, ports: Sequence[FoundPort]) -> None:
        """The ports there are now."""
        _fill(self.ports, [(f"{port.path}   {port.what}".rstrip(), port.path) for port in ports], NO_PORT)

    def show_rig(self, path: Path | None) -> None:
        """The rig file that a session is started with."""
        self.rig.setText(NO_RIG if path is None else f"Rig: {path.name}   in {path.parent}")
        self.edit_button.setEnabled(path is not None)

    def show_recent(self, paths: Sequence[Path]) -> None:
        """The recordings opened last, the latest first."""
        _fill(self.recent, [(f"{path.name}   in {path.parent}", path) for path in paths], NO_RECENT)

    def _recent_chosen(self, item: QtWidgets.QListWidgetItem) -> None:
        self.file_chosen.emit(item.data(QtCore.Qt.ItemDataRole.UserRole))


def _column(words: str) -> QtWidgets.QVBoxLayout:
    heading = QtWidgets.QLabel(words)
    heading.setStyleSheet(HEADING)
    column = QtWidgets.QVBoxLayout()
    column.setSpacing(8)
    column.addWidget(heading)
    return column


def _list(name: str) -> QtWidgets.QListWidget:
    found = QtWidgets.QListWidget()
    found.setAccessibleName(name)
    found.setWordWrap(True)
    return found


def _button(words: str, act: Callable[[], None]) -> QtWidgets.QPushButton:
    button = QtWidgets.QPushButton(words)
    button.clicked.connect(lambda _=False: act())
    return button


def _fill(shown: QtWidgets.QListWidget, rows: Sequence[tuple[str, object]], without: str) -> None:
    """Rows that can be chosen, or one line that says why there are none."""
    shown.clear()
    for words, value in rows:
        item = QtWidgets.QListWidgetItem(words)
        item.setData(QtCore.Qt.ItemDataRole.UserRole, value)
        shown.addItem(item)
    if not rows:
        item = QtWidgets.QListWidgetItem(without)
        item.setFlags(QtCore.Qt.ItemFlag.NoItemFlags)
        shown.addItem(item)
