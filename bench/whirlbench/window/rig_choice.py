"""The rig file that sessions are started with, and the form in which one is made; both kept from day to day."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

from PyQt5 import QtCore, QtWidgets

from whirlbench.errors import BenchError
from whirlbench.rig.toml import read_rig
from whirlbench.window.rig_form.rig_draft import NEW_TEXT
from whirlbench.window.rig_form.rig_form import RigForm
from whirlbench.window.settings import Settings

RIG_FILES = "rig files (*.toml)"


class RigChoice(QtCore.QObject):
    """``changed`` tells the file chosen now (None: none); ``told`` why one could not be taken."""

    changed = QtCore.pyqtSignal(object)
    told = QtCore.pyqtSignal(str)

    def __init__(self, window: QtWidgets.QWidget, settings: Settings | None) -> None:
        super().__init__(window)
        self._window, self._settings = window, settings
        self.path: Path | None = settings.rig if settings is not None else None

    def take(self, path: Path) -> bool:
        """Chooses a file; one that is no rig is refused with its complaint, and the choice stays. Whether it was."""
        try:
            read_rig(path)
        except BenchError as error:
            self.told.emit(f"{error}; choose another, or open the form of this one and correct it")
            return False
        self.path = path.resolve()
        if self._settings is not None:
            self._settings.rig = self.path
        self.changed.emit(self.path)
        return True

    def _take_saved(self, path: Path) -> None:
        self.take(path)

    def ask(self, title: str, take: Callable[[Path], None]) -> None:
        """Asks for a rig file, not modal: a live session's power cut stays in reach."""
        dialog = QtWidgets.QFileDialog(self._window, title, str(self.path.parent if self.path else ""), RIG_FILES)
        dialog.setOption(QtWidgets.QFileDialog.DontUseNativeDialog)
        dialog.setFileMode(QtWidgets.QFileDialog.ExistingFile)
        dialog.setAttribute(QtCore.Qt.WidgetAttribute.WA_DeleteOnClose)
        dialog.fileSelected.connect(lambda path: take(Path(path)))
        dialog.show()

    def form(self, new: bool) -> RigForm | None:
        """The form of the file chosen, or of a new one; None where the file cannot be read, and that is told."""
        if new or self.path is None:
            made = RigForm(NEW_TEXT)
        else:
            try:
                made = RigForm(self.path.read_text(encoding="utf-8"), self.path)
            except (BenchError, OSError, UnicodeDecodeError) as error:
                self.told.emit(f"{self.path}: {error}")
                return None
        made.saved.connect(self._take_saved)
        return made
