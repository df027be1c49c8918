"""A text field whose hint can be read: Qt greys it to half, which is less than 4.5:1."""

from __future__ import annotations

from PyQt5 import QtCore, QtGui, QtWidgets

from whirlbench.window.drawing import palette


class HintedField(QtWidgets.QLineEdit):
    """A line to type in; its hint (``setPlaceholderText``) is printed in the faint ink of the palette chosen now."""

    def event(self, event: QtCore.QEvent) -> bool:
        """Takes the ink once Qt has given the field its look."""
        done = super().event(event)
        if event.type() == QtCore.QEvent.Type.Polish:
            self._take_ink()
        return done

    def changeEvent(self, event: QtCore.QEvent) -> None:
        """Another palette: another ink."""
        super().changeEvent(event)
        if event.type() == QtCore.QEvent.Type.StyleChange:
            self._take_ink()

    def _take_ink(self) -> None:
        inks = self.palette()
        inks.setColor(QtGui.QPalette.ColorRole.PlaceholderText, QtGui.QColor(palette.FAINT))
        self.setPalette(inks)
