"""The operator's power cut: the full width of the window, and the space bar."""

from __future__ import annotations

from PyQt5 import QtCore, QtGui, QtWidgets

from bench.window import palette


class AbortBar(QtWidgets.QPushButton):
    """A wide bar that cuts the power on press, not on release, for the hand that comes down in a hurry."""

    abort = QtCore.pyqtSignal()

    def __init__(self) -> None:
        super().__init__("CUT THE POWER   (space bar)")
        self.setFocusPolicy(QtCore.Qt.NoFocus)  # else the space bar would also press it by focus
        self.setMinimumHeight(64)
        self.setAccessibleName("cut the power")
        self.setStyleSheet(
            f"QPushButton {{ background: {palette.OVER}; color: {palette.CARD}; border: none; border-radius: 6px;"
            " font-size: 18px; font-weight: bold; letter-spacing: 1px; }"
            f"QPushButton:disabled {{ background: {palette.RULE}; color: {palette.FAINT}; }}"
        )
        self.pressed.connect(self.abort)
        key = QtWidgets.QShortcut(QtGui.QKeySequence(QtCore.Qt.Key_Space), self)
        key.setContext(QtCore.Qt.ApplicationShortcut)
        key.activated.connect(self._from_key)
        key.setAutoRepeat(False)

    def _from_key(self) -> None:
        if self.isEnabled():
            self.abort.emit()
