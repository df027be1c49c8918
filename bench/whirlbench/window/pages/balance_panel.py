"""Balancing: the trial run and its mass typed in, the correction below, drawn where it goes on the rotor."""

from __future__ import annotations

from pathlib import Path

from PyQt5 import QtCore, QtWidgets

from whirlbench.results.answer import Answer
from whirlbench.window.pages.answer_panel import AnswerPanel
from whirlbench.window.pages.page_work import BalanceQuestion
from whirlbench.window.pages.scroll_page import LineList

MOST = 1e4
FIELDS = (("trial mass", " g", 0.0, 3), ("its angle from the mark", " deg", -360.0, 1), ("radius", " mm", 0.0, 1))
HOW_TO = (
    "This recording is the run as found. Lock the stand, open the isolator, and fit a known mass to the rotor.",
    "Note its angle from the mark that fires the tach, in the direction of rotation, and its radius.",
    "Run the same plan once more; then choose that run here, type mass, angle and radius, and compute.",
    "Take the trial mass off again before the correction is fitted, and prove it by a third run.",
)


class BalancePanel(AnswerPanel):
    """Shows a balance; ``asked`` carries a BalanceQuestion."""

    asked = QtCore.pyqtSignal(object)

    def arrange(self) -> None:
        """The form, then every table that a balance may have."""
        self.trial: Path | None = None
        self.trial_button = QtWidgets.QPushButton("run with the trial mass …")
        self.trial_button.clicked.connect(lambda _=False: self._ask_trial())
        self.boxes = [self._box(*field) for field in FIELDS]
        self.holes = QtWidgets.QSpinBox()
        self.holes.setRange(1, 360)
        self.holes.setSpecialValueText("holes: none, anywhere on the rotor")
        self.holes.setButtonSymbols(QtWidgets.QAbstractSpinBox.NoButtons)
        self.holes.setAccessibleName("holes to split the correction over, evenly spaced")
        self.holes.setPrefix("holes: ")
        self.add_row([self.trial_button, self.holes, self._go()])
        self.add_row(self.boxes)
        self.begin("correction")
        self._tables_here = self.column
        self.hint = LineList(HOW_TO)
        self.add(self.hint)
        self.column.addStretch(1)

    def _box(self, name: str, unit: str, least: float, decimals: int) -> QtWidgets.QDoubleSpinBox:
        box = QtWidgets.QDoubleSpinBox()
        box.setDecimals(decimals)
        box.setButtonSymbols(QtWidgets.QAbstractSpinBox.NoButtons)
        box.setRange(least, MOST)
        box.setPrefix(f"{name}: ")
        box.setSuffix(unit)
        box.setAccessibleName(name)
        return box

    def _go(self) -> QtWidgets.QPushButton:
        self.go = QtWidgets.QPushButton("compute")
        self.go.setEnabled(False)
        self.go.clicked.connect(lambda _=False: self.ask())
        return self.go

    def _ask_trial(self) -> None:
        dialog = QtWidgets.QFileDialog(self, "run with the trial mass", "", "recordings (*.h5)")
        dialog.setOption(QtWidgets.QFileDialog.DontUseNativeDialog)
        dialog.setAttribute(QtCore.Qt.WidgetAttribute.WA_DeleteOnClose)
        dialog.fileSelected.connect(lambda path: self.take_trial(Path(path)))
        dialog.show()

    def take_trial(self, path: Path) -> None:
        """The recording with the trial mass on the rotor."""
        self.trial = path
        self.trial_button.setText(f"trial run: {path.name}")
        self.go.setEnabled(True)

    def ask(self) -> None:
        """Asks for the balance of what was typed in."""
        if self.trial is not None:
            holes = self.holes.value() if self.holes.value() > 1 else None
            mass_g, angle_deg, radius_mm = (box.value() for box in self.boxes)
            self.asked.emit(BalanceQuestion(self.trial, mass_g, angle_deg, radius_mm, holes))

    def show_state(self, answer: Answer) -> None:
        """Draws ``answer``; a table that it lacks is not there."""
        for number, table in enumerate(answer.tables):
            if table.key not in self.tables:
                self.make_table(table, self._tables_here, 2 * number)
        super().show_state(answer)
        given = {table.key for table in answer.tables}
        for key, shown in self.tables.items():
            self.leave_out(shown, key not in given)
            self.titles[key].setVisible(key in given)
        self.hint.setVisible(not given)
