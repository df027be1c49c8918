"""Pitch limits: what is permitted at each speed, what binds, servo end points, and the hold to measure next."""

from __future__ import annotations

from PyQt5 import QtCore, QtWidgets

from whirlbench.window.drawing.chart_view import ChartView
from whirlbench.window.drawing.text_table import TextTable
from whirlbench.window.pages.limits_state import END_HEADINGS, HOLD_HEADINGS, LIMIT_HEADINGS, LimitsState
from whirlbench.window.pages.plan_saving import PlanSaver
from whirlbench.window.pages.scroll_page import LineList, ScrollPage


class LimitsPanel(ScrollPage):
    """Shows one LimitsState; ``asked`` carries the speeds typed in, in rpm, or None for the panel's own choice."""

    asked = QtCore.pyqtSignal(object)

    def __init__(self, state: LimitsState) -> None:
        super().__init__()
        self.add_heading("")
        self.chart = ChartView(height_px=470)
        self.add(self.chart)
        self.speeds = self._speed_line()
        self.limits = TextTable(LIMIT_HEADINGS)
        self.add(self.limits)
        self.add_section("Servo end points, rounded to the safe side")
        self.ends = TextTable(END_HEADINGS)
        self.add(self.ends)
        self.add_section("What to measure next")
        self.saver = PlanSaver("write the plan of that hold…", "next-hold.toml")
        self.add(self.saver)
        self.add_section("What the limits rest on")
        self.coefficients = [ChartView(sheet, height_px=260) for sheet in state.coefficients]
        if self.coefficients:
            self.add_row(self.coefficients)
        self.holds = TextTable(HOLD_HEADINGS)
        self.add(self.holds)
        self.remarks = LineList()
        self.add(self.remarks)
        self.end()
        self.show_state(state)

    def _speed_line(self) -> QtWidgets.QLineEdit:
        line = QtWidgets.QLineEdit()
        line.setPlaceholderText(
            "speeds for the table in rpm, separated by commas; empty for nine over what was measured"
        )
        line.returnPressed.connect(self._ask)
        self.add(line)
        return line

    def _ask(self) -> None:
        words = self.speeds.text().replace(",", " ").split()
        try:
            speeds = tuple(float(word) for word in words)
        except ValueError:
            speeds = (0.0,)
        if speeds and min(speeds) <= 0.0:
            self.heading.setText(f"found {self.speeds.text()!r}, expected speeds above 0 separated by commas")
            return
        self.asked.emit(speeds or None)

    def show_state(self, state: LimitsState) -> None:
        """Draws ``state``."""
        self.heading.setText(state.heading)
        self.chart.show_chart(state.chart)
        self.limits.show_rows(state.limit_rows)
        self.ends.show_rows(state.end_rows)
        self.saver.show_plan(state.proposal.plan_text, state.proposal.remark)
        self.holds.show_rows(state.hold_rows)
        self.remarks.show_lines(state.remarks)
