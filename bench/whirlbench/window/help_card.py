"""All keys of the window on one card, and what its signs mean."""

from __future__ import annotations

from PyQt5 import QtCore, QtWidgets

from whirlbench.results.answer import NONE
from whirlbench.window.drawing.text_table import TextTable
from whirlbench.window.replay.strip_board import KEYS_HELP

WINDOW_KEYS = (
    ("space bar", "cuts the power, wherever the keyboard is, while a session lives"),
    ("Ctrl+O", "open a recording; Ctrl+W closes the one that is seen"),
    ("Ctrl+Tab, Ctrl+1 to Ctrl+9", "next page, page by its place"),
    ("Ctrl+Page Down, Ctrl+Page Up", "next recording or stand, the one before"),
    ("Tab, arrow keys", "from one control to the next; along a row or a list"),
    ("F2", "into the note of a live session; _ types a blank, for the space bar cuts the power there, too"),
    ("Ctrl+C, Ctrl+S", "copy the table that has the keyboard, or save it as CSV; Ctrl+C on strips copies the picture"),
    ("Ctrl+H, Ctrl+R", "start page; connect to the stand once more"),
    ("F1", "this card"),
)
SIGNS = (
    (NONE, "not known, or a value that must not be used; never a zero, never good"),
    ("1P, 2P", "once, twice a turn of the shaft; blade pass: once for each blade"),
    ("crest factor", "peak of the vibration over its mean level (rms)"),
    ("P(overload)", "share of blades whose stress would pass the strength"),
    ("SIMC", "simple internal model control: the rule that makes gains of a model"),
)


class HelpCard(QtWidgets.QDialog):
    """The keys, by where they work, then signs; not modal, for a session may be running."""

    def __init__(self, parent: QtWidgets.QWidget) -> None:
        super().__init__(parent)
        self.setWindowTitle("Keys")
        self.setAttribute(QtCore.Qt.WidgetAttribute.WA_DeleteOnClose)
        area, body = QtWidgets.QScrollArea(), QtWidgets.QWidget()
        area.setWidgetResizable(True)
        area.setFrameShape(QtWidgets.QFrame.NoFrame)
        QtWidgets.QVBoxLayout(self).addWidget(area)
        layout = QtWidgets.QVBoxLayout(body)
        for words, rows in (("everywhere", WINDOW_KEYS), ("on the strips of a replay", KEYS_HELP)):
            layout.addWidget(QtWidgets.QLabel(words))
            layout.addWidget(TextTable(("key", "what it does"), rows))
        layout.addWidget(QtWidgets.QLabel("signs and short words"))
        layout.addWidget(TextTable(("sign", "what it means"), SIGNS))
        area.setWidget(body)
        self.resize(760, 700)
