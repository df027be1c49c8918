"""Before the spin: every blade set judged, the chosen one in detail, and the plan of its proof."""

from __future__ import annotations

from PyQt5 import QtCore

from whirlbench.window.pages.answer_panel import AnswerPanel


class CheckPanel(AnswerPanel):
    """Shows a check's answer; a click on a row of the blade sets asks, by the row's number, for that set's details."""

    asked = QtCore.pyqtSignal(object)

    def arrange(self) -> None:
        """The sets to choose from, the chosen one's charts and ways to fail, then proof, fragments and the rest."""
        self.add_table("sets", choosable=True)
        self.tables["sets"].chosen.connect(self.asked.emit)
        self.add_charts(["use", "margins"], columns=2, height_px=300)
        self.add_charts(["profile"], height_px=260)
        self.add_table("modes")
        self.add_plan()
        self.add_table("stages")
        self.add_charts(["keep out"], height_px=300)
        self.add_table("fragments")
        self.add_charts(["planned thrust", "planned power"], columns=2)
        for key in ("yardsticks", "basis", "assumptions"):
            self.add_table(key)
