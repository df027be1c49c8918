"""The check-list before the first arming of a session: a card in the page, each line ticked by hand."""

from __future__ import annotations

from collections.abc import Sequence

from PyQt5 import QtCore, QtWidgets

from whirlbench.window.drawing import palette

TITLE = "Before anything turns: tick what you have seen to yourself. The program can see none of it."


class CheckListCard(QtWidgets.QFrame):
    """One box a line; ``changed`` comes with every tick. It stands in the page, so that the power cut stays in reach.

    The boxes take no keyboard: while a session lives the space bar cuts the power and must tick nothing.
    """

    changed = QtCore.pyqtSignal()

    def __init__(self, lines: Sequence[str]) -> None:
        super().__init__()
        self.setObjectName("check_list")
        self.setStyleSheet(
            f"#check_list {{ background: {palette.CARD}; border: 1px solid {palette.RULE};"
            f" border-left: 6px solid {palette.CLOSE}; }} #check_list * {{ background: {palette.CARD}; }}"
        )
        self.boxes: list[QtWidgets.QCheckBox] = []
        self.count = QtWidgets.QLabel()
        column = QtWidgets.QVBoxLayout(self)
        column.setSpacing(4)
        title = QtWidgets.QLabel(TITLE)
        title.setStyleSheet("font-weight: bold;")
        title.setWordWrap(True)
        column.addWidget(title)
        for line in lines:
            column.addLayout(self._row(line))
        column.addWidget(self.count)
        self._tell()

    def _row(self, line: str) -> QtWidgets.QHBoxLayout:
        """Box and wrapped text: a box of its own text would not wrap."""
        box, text = QtWidgets.QCheckBox(), QtWidgets.QLabel(line)
        box.setFocusPolicy(QtCore.Qt.FocusPolicy.NoFocus)
        box.setAccessibleName(line)
        box.toggled.connect(self._tell)
        text.setTextFormat(QtCore.Qt.TextFormat.PlainText)
        text.setWordWrap(True)
        self.boxes.append(box)
        row = QtWidgets.QHBoxLayout()
        row.addWidget(box)
        row.addWidget(text, stretch=1)
        return row

    def complete(self) -> bool:
        """Whether every line is ticked."""
        return all(box.isChecked() for box in self.boxes)

    def _tell(self) -> None:
        ticked = sum(box.isChecked() for box in self.boxes)
        wait = "" if self.complete() else "; the stand can be armed when all are"
        self.count.setText(f"{ticked} of {len(self.boxes)} ticked{wait}")
        self.changed.emit()
