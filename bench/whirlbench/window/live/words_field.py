"""A text field beside a live session, where the space bar cuts the power and types nothing."""

from __future__ import annotations

from whirlbench.window.drawing.hinted_field import HintedField

HINT = "type _ for a blank"


class WordsField(HintedField):
    """Turns each underscore into a blank as it is typed: the space bar is not to be had while a session lives."""

    def __init__(self, label: str, most: int) -> None:
        super().__init__()
        self.setPlaceholderText(f"{label} ({HINT})")
        self.setAccessibleName(label)
        self.setMaxLength(most)
        self.textEdited.connect(self._blank)

    def _blank(self, text: str) -> None:
        if "_" in text:
            place = self.cursorPosition()
            self.setText(text.replace("_", " "))
            self.setCursorPosition(place)

    def words(self) -> str:
        """What was typed, without blanks around it."""
        return self.text().strip()
