"""Pitch limits: what is permitted at each speed, what binds, servo end points, and the hold to measure next."""

from __future__ import annotations

from PyQt5 import QtCore

from whirlbench.results.answer import Answer
from whirlbench.window.drawing.hinted_field import HintedField
from whirlbench.window.pages.answer_panel import AnswerPanel

MOST_RPM = 1e6  # beyond all sense for a shaft, and no infinity or NaN passes


class LimitsPanel(AnswerPanel):
    """Shows a limits answer; ``asked`` carries the speeds typed in, in rpm, or None for the study's own choice."""

    asked = QtCore.pyqtSignal(object)

    def __init__(self, answer: Answer) -> None:
        self.speeds: HintedField
        super().__init__(answer)

    def arrange(self) -> None:
        """The chart, the speeds asked for and their table, end points, then what all that rests on."""
        self.begin("pitch against speed")
        self.add_charts(["limits"])
        self.begin("by speed")
        self.speeds = HintedField()
        self.speeds.setPlaceholderText(
            "speeds for the table in rpm, separated by commas; empty for nine over what was measured"
        )
        self.speeds.setAccessibleName("speeds for the table, rpm")
        self.speeds.returnPressed.connect(self._ask)
        self.add(self.speeds)
        self.add_table("limits")
        self.begin("servo end points")
        self.add_table("end points")
        self.add_plan()
        self.begin("thrust and power")
        self.add_charts(["CT", "CP"], columns=2)
        self.begin("what it rests on")
        self.add_table("holds")
        self.add_table("basis")

    def _ask(self) -> None:
        words = self.speeds.text().replace(",", " ").split()
        try:
            speeds = tuple(float(word) for word in words)
        except ValueError:
            speeds = (0.0,)
        if not all(0.0 < speed <= MOST_RPM for speed in speeds):
            self.heading.setText(f"found {self.speeds.text()!r}, expected speeds above 0 separated by commas")
            return
        self.asked.emit(speeds or None)
