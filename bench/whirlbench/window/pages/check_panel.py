"""Before the spin: every blade set judged, the chosen one in detail, and the plan of its proof."""

from __future__ import annotations

from PyQt5 import QtCore

from whirlbench.results.answer import Answer
from whirlbench.window.drawing.chart_view import ChartView
from whirlbench.window.drawing.hinted_field import HintedField
from whirlbench.window.pages.answer_panel import LEAST_CHART_PX, AnswerPanel

WHAT_IF = (
    "Name a key of the blade set with a range or a list of values, then press Enter: "
    "the chart shows the permitted speed of the chosen set for each."
)


class CheckPanel(AnswerPanel):
    """Shows a check's answer and asks for more of it.

    A click on a row of the blade sets asks, by the row's number, for that set's details; a line such as
    ``root.edge_mm=6:14`` asks, by its text, what the set would be permitted with another dimension or material.
    """

    asked = QtCore.pyqtSignal(object)

    def arrange(self) -> None:
        """The sets to choose from, the chosen one's charts and ways to fail, then proof, fragments and the rest."""
        self.begin("blade sets")
        self.add_table("sets", choosable=True)
        self.tables["sets"].chosen.connect(self.asked.emit)
        self.add_charts(["permitted", "split"], columns=2)
        self.begin("ways to fail")
        self.add_charts(["use", "margins"], columns=2)
        self.begin("by figures")
        self.add_table("modes")
        self.begin("root")
        self.add_charts(["root drawing", "profile"], columns=2)
        self.begin("what if")
        self.vary = HintedField()
        self.vary.setPlaceholderText("what if: root.edge_mm=6:14, or material=printed_pla,moulded_nylon")
        self.vary.setAccessibleName("what if a dimension or the material were another")
        self.vary.returnPressed.connect(self._ask_what_if)
        self.add(self.vary)
        self.charts["what if"] = ChartView(height_px=LEAST_CHART_PX)
        self.charts["what if"].hide()
        self.column.addWidget(self.charts["what if"])
        self.add_hint(WHAT_IF)
        self.begin("proof")
        self.add_plan()
        self.add_table("stages")
        self.begin("life")
        self.add_table("life")
        self.begin("keep out")
        self.add_charts(["keep out"])
        self.add_table("fragments")
        self.begin("thrust")
        self.add_charts(["planned thrust", "planned power"], columns=2)
        self.begin("yardsticks")
        self.add_table("yardsticks")
        self.begin("what it rests on")
        self.add_table("basis")
        self.begin("taken for granted")
        self.add_table("assumptions")

    def show_state(self, answer: Answer) -> None:
        """Draws ``answer``; the what-if chart is there only while a study is."""
        super().show_state(answer)
        self.leave_out(self.charts["what if"], not any(chart.key == "what if" for chart in answer.charts))

    def _ask_what_if(self) -> None:
        if self.vary.text().strip():
            self.asked.emit(self.vary.text().strip())
