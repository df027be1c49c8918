"""A text field beside a live session, where the space bar cuts the power and types nothing."""

from __future__ import annotations

from PyQt5 import QtCore, QtGui

from whirlbench.window.drawing.hinted_field import HintedField

HINT = "type _ for a blank"


class WordsField(HintedField):
    """Turns each underscore into a blank as it is typed: the space bar is not to be had while a session lives.

    ``typing`` tells when the keyboard comes here, and when it goes.
    """

    typing = QtCore.pyqtSignal(bool)

    def __init__(self, label: str, most: int) -> None:
        super().__init__()
        self.setPlaceholderText(f"{label} ({HINT})")
        self.setAccessibleName(label)
        self.setMaxLength(most)
        self.textEdited.connect(self._blank)

    def focusInEvent(self, event: QtGui.QFocusEvent) -> None:
        """Somebody types here."""
        super().focusInEvent(event)
        self.typing.emit(True)

    def focusOutEvent(self, event: QtGui.QFocusEvent) -> None:
        """Nobody does any more."""
        super().focusOutEvent(event)
        self.typing.emit(False)

    def _blank(self, text: str) -> None:
        if "_" in text:
            place = self.cursorPosition()
            self.setText(text.replace("_", " "))
            self.setCursorPosition(place)

    def words(self) -> str:
        """What was typed, without blanks around it."""
        return self.text().strip()
