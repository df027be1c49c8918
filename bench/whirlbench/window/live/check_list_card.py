"""The check-list before the first arming of a session: a card in the page, each line ticked by hand."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import datetime

from PyQt5 import QtCore, QtGui, QtWidgets

from whirlbench.window.live.words_field import WordsField

LONGEST_NAME = 60
TITLE = "Before anything turns: tick what you have seen to yourself. The program can see none of it."


class LineText(QtWidgets.QLabel):
    """Words that wrap, and take a click for their box."""

    clicked = QtCore.pyqtSignal()

    def mouseReleaseEvent(self, event: QtGui.QMouseEvent) -> None:
        """A click that ends where the words are."""
        if event.button() == QtCore.Qt.MouseButton.LeftButton and self.rect().contains(event.pos()):
            self.clicked.emit()


class CheckListCard(QtWidgets.QFrame):
    """One box a line; ``changed`` comes with every tick. It stands in the page, so that the power cut stays in reach.

    The boxes take no keyboard: while a session lives the space bar cuts the power and must tick nothing.
    """

    changed = QtCore.pyqtSignal()

    def __init__(self, lines: Sequence[str]) -> None:
        super().__init__()
        self.setObjectName("check_list")
        self.boxes: list[QtWidgets.QCheckBox] = []
        self._ticked_at: dict[str, str] = {}
        self.count = QtWidgets.QLabel()
        self.operator = WordsField("your name, for the recording and the log", LONGEST_NAME)
        self.operator.textChanged.connect(self._tell)
        column = QtWidgets.QVBoxLayout(self)
        column.setSpacing(4)
        title = QtWidgets.QLabel(TITLE)
        title.setStyleSheet("font-weight: bold;")
        title.setWordWrap(True)
        column.addWidget(title)
        for line in lines:
            column.addLayout(self._row(line))
        column.addWidget(self.operator)
        column.addWidget(self.count)
        self._tell()

    def _row(self, line: str) -> QtWidgets.QHBoxLayout:
        """Box and wrapped text: a box of its own text would not wrap."""
        box, text = QtWidgets.QCheckBox(), LineText(line)
        text.clicked.connect(box.click)
        box.setFocusPolicy(QtCore.Qt.FocusPolicy.NoFocus)
        box.setAccessibleName(line)
        box.toggled.connect(lambda on, line=line: self._ticked_at.update({line: _now()}) if on else None)
        box.toggled.connect(self._tell)
        text.setTextFormat(QtCore.Qt.TextFormat.PlainText)
        text.setWordWrap(True)
        self.boxes.append(box)
        row = QtWidgets.QHBoxLayout()
        row.addWidget(box)
        row.addWidget(text, stretch=1)
        return row

    def complete(self) -> bool:
        """Whether every line is ticked, and by whom."""
        return bool(self.operator.words()) and all(box.isChecked() for box in self.boxes)

    def missing(self) -> str:
        """What is still to be done here, in few words; empty when nothing is."""
        ticked = sum(box.isChecked() for box in self.boxes)
        if ticked < len(self.boxes):
            return f"check-list {ticked} of {len(self.boxes)}"
        return "" if self.operator.words() else "your name"

    def answers(self) -> list[str]:
        """The ticked lines, each with the time of its tick."""
        return [
            f"{self._ticked_at[box.accessibleName()]} {box.accessibleName()}" for box in self.boxes if box.isChecked()
        ]

    def ask_again(self) -> None:
        """Every line is to be ticked anew; the name stays."""
        for box in self.boxes:
            box.setChecked(False)

    def _tell(self) -> None:
        ticked = sum(box.isChecked() for box in self.boxes)
        wait = "" if self.complete() else "; the stand can be armed when all are, and a name is given"
        self.count.setText(f"{ticked} of {len(self.boxes)} ticked{wait}")
        self.changed.emit()


def _now() -> str:
    return f"{datetime.now().astimezone():%H:%M:%S%z}"
