"""The button that writes a plan for the stand to a file."""

from __future__ import annotations

from pathlib import Path

from PyQt5 import QtCore, QtWidgets

from whirlbench.window.file_saving import ask_path


class PlanSaver(QtWidgets.QWidget):
    """A button and a line that tells what became of the file.

    Without a plan the button is off and the line says why.
    """

    def __init__(self, label: str, file_name: str) -> None:
        super().__init__()
        self.plan_text, self._file_name = "", file_name
        self.button = QtWidgets.QPushButton(label)
        self.button.setFocusPolicy(QtCore.Qt.FocusPolicy.NoFocus)
        self.button.clicked.connect(self._ask_and_write)
        self.line = QtWidgets.QLabel()
        self.line.setWordWrap(True)
        self.line.setTextFormat(QtCore.Qt.TextFormat.PlainText)
        row = QtWidgets.QHBoxLayout(self)
        row.setContentsMargins(0, 0, 0, 0)
        row.addWidget(self.button)
        row.addWidget(self.line, stretch=1)

    def show_plan(self, plan_text: str, remark: str = "") -> None:
        """The plan that the button writes, empty for none."""
        self.plan_text = plan_text
        self.button.setEnabled(bool(plan_text))
        self.line.setText(remark)

    def _ask_and_write(self) -> None:
        ask_path(self, self.button.text(), self._file_name, ("plans (*.toml)",), self.write)

    def write(self, path: Path) -> None:
        """Writes the plan to ``path`` and says so, or why not."""
        try:
            path.write_text(self.plan_text, encoding="utf-8")
        except OSError as error:
            self.line.setText(f"{path}: cannot be written: {error.strerror or error}")
        else:
            self.line.setText(f"written to {path}; run it with `whirlbench spin --plan {path}`")
