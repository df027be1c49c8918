"""A number box whose value is a command to the stand."""

from __future__ import annotations

from PyQt5 import QtCore, QtGui, QtWidgets


class Dial(QtWidgets.QDoubleSpinBox):
    """Sends its value when Enter is pressed or the box is left: never while it is being typed, never by the wheel.

    A wheel turned over the box on the way down a page must not move the throttle.
    """

    def __init__(self, label: str, low: float, high: float, decimals: int) -> None:
        super().__init__()
        self.setFocusPolicy(QtCore.Qt.FocusPolicy.StrongFocus)  # not by the wheel
        self.setRange(low, high)
        self.setDecimals(decimals)
        self.setPrefix(f"{label}  ")
        self.setKeyboardTracking(False)

    def wheelEvent(self, event: QtGui.QWheelEvent) -> None:
        """A wheel that passes over commands nothing."""
        event.ignore()
