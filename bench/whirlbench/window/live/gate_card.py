"""The gate in the page: which set is fitted, what speaks against arming, and the override that has to be meant."""

from __future__ import annotations

from PyQt5 import QtCore, QtWidgets

from whirlbench.window.drawing.hinted_field import HintedField
from whirlbench.window.live.words_field import WordsField

LONGEST_REASON, LONGEST_NAME = 400, 80


class GateCard(QtWidgets.QFrame):
    """Set, permitted speed and standing, throughout the run; ``overridden`` comes with the name and the reason typed.

    The fields are there only while something speaks against arming and the stand is locked.
    """

    overridden = QtCore.pyqtSignal(str, str)

    def __init__(self) -> None:
        super().__init__()
        self.setObjectName("gate")
        self.sentence, self.against, self.override = (self._label() for _ in range(3))
        self.override.setStyleSheet("font-weight: bold;")
        for label in (self.override, self.against):
            label.setProperty("ink", "over")
        self.typed_name, self.reason = HintedField(), WordsField("reason of the override", LONGEST_REASON)
        self.typed_name.setPlaceholderText("name of the set, to override the gate")
        self.typed_name.setMaxLength(LONGEST_NAME)
        self.button = QtWidgets.QPushButton("override the gate")
        self.button.setFocusPolicy(QtCore.Qt.FocusPolicy.NoFocus)
        self.button.clicked.connect(lambda: self.overridden.emit(self.typed_name.text(), self.reason.words()))
        self.fields = QtWidgets.QWidget()
        self._arrange()

    def _label(self) -> QtWidgets.QLabel:
        label = QtWidgets.QLabel()
        label.setTextFormat(QtCore.Qt.TextFormat.PlainText)
        label.setWordWrap(True)
        return label

    def _arrange(self) -> None:
        row = QtWidgets.QHBoxLayout(self.fields)
        row.setContentsMargins(0, 0, 0, 0)
        row.addWidget(self.typed_name, stretch=1)
        row.addWidget(self.reason, stretch=3)
        row.addWidget(self.button)
        column = QtWidgets.QVBoxLayout(self)
        column.setContentsMargins(6, 2, 6, 2)
        column.setSpacing(2)
        for part in (self.sentence, self.override, self.against, self.fields):
            column.addWidget(part)

    def show_gate(self, sentence: str, against: str, override: str, may_override: bool) -> None:
        """What is known, what speaks against arming (empty: nothing), and whose word overrode it."""
        for label, text in ((self.sentence, sentence), (self.override, override)):
            label.setText(text)
            label.setVisible(bool(text))
        self.against.setText(f"NOT CLEARED, nothing is armed: {against}" if against else "")
        self.against.setVisible(bool(against))
        self.fields.setVisible(bool(against) and may_override)
