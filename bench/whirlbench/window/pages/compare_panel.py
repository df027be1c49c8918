"""Two runs side by side: what differs beyond scatter, hold by hold, coefficients, permitted speeds, rig keys."""

from __future__ import annotations

from whirlbench.window.pages.answer_panel import AnswerPanel

COLUMNS = 3


class ComparePanel(AnswerPanel):
    """Shows the comparison of two runs, in the words and figures of the report of both."""

    def arrange(self) -> None:
        """The pairs of like holds, the holds drawn, coefficients, permitted speeds, rig keys."""
        for title, key in (("like holds", "pairs"), ("coefficients", "coefficients")):
            self.begin(title)
            self.add_table(key)
            if key == "pairs":
                self.begin("every hold")
                self.add_charts([chart.key for chart in self.answer.charts], columns=COLUMNS)
        self.begin("permitted speeds")
        self.add_table("permitted")
        self.begin("what differs in the rigs")
        self.add_table("keys")
