"""All keys of the window on one card."""

from __future__ import annotations

from PyQt5 import QtCore, QtWidgets

from whirlbench.window.drawing.text_table import TextTable
from whirlbench.window.replay.strip_board import KEYS_HELP

WINDOW_KEYS = (
    ("space bar", "cuts the power, wherever the keyboard is, while a session lives"),
    ("Ctrl+O", "open a recording; Ctrl+W closes the one that is seen"),
    ("Ctrl+Tab, Ctrl+1 to Ctrl+9", "next page, page by its place"),
    ("Ctrl+Page Down, Ctrl+Page Up", "next recording or stand, the one before"),
    ("Tab, arrow keys", "from one control to the next; along a row or a list"),
    ("F1", "this card"),
)


class HelpCard(QtWidgets.QDialog):
    """The keys, by where they work; not modal, for a session may be running."""

    def __init__(self, parent: QtWidgets.QWidget) -> None:
        super().__init__(parent)
        self.setWindowTitle("Keys")
        self.setAttribute(QtCore.Qt.WidgetAttribute.WA_DeleteOnClose)
        layout = QtWidgets.QVBoxLayout(self)
        for words, rows in (("everywhere", WINDOW_KEYS), ("on the strips of a replay", KEYS_HELP)):
            layout.addWidget(QtWidgets.QLabel(words))
            layout.addWidget(TextTable(("key", "what it does"), rows))
        self.resize(760, 620)
