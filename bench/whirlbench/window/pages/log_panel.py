"""The log of the fitted blade set: where it stands, what it has run, every entry."""

from __future__ import annotations

from whirlbench.window.pages.answer_panel import AnswerPanel


class LogPanel(AnswerPanel):
    """Shows the log of one set."""

    def arrange(self) -> None:
        """Sums beside the cycles of load, then the entries."""
        self.begin("what the set has run")
        for key in ("totals", "cycles"):
            self.add_table(key)
        self.begin("entries")
        for table in self.answer.tables:
            if table.key not in self.tables:
                self.add_table(table.key)
