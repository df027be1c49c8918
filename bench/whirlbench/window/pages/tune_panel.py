"""The speed loop: steps and models, their responses laid over each other, and advice with its one knob."""

from __future__ import annotations

import math

from PyQt5 import QtCore, QtWidgets

from whirlbench.window.drawing.chart_view import ChartView
from whirlbench.window.drawing.text_table import TextTable
from whirlbench.window.pages.analyses import TuneAnswer
from whirlbench.window.pages.scroll_page import LineList, ScrollPage
from whirlbench.window.pages.tune_sheet import chart_sheet
from whirlbench.window.pages.tune_state import Table

COLUMNS = 3
KNOB_STEPS = 200
SHORTEST_S, LONGEST_S = 0.02, 5.0  # of the closed-loop time: ten ticks of the device, and slower than anybody wants


class TunePanel(ScrollPage):
    """Shows one TuneAnswer; ``asked`` carries the closed-loop time that the knob was turned to, or None for the
    rule's own."""

    asked = QtCore.pyqtSignal(object)

    def __init__(self, answer: TuneAnswer) -> None:
        super().__init__()
        self.add_heading("")
        self.knob = QtWidgets.QSlider(QtCore.Qt.Horizontal)
        self.knob_text = QtWidgets.QLabel()
        self.own_choice = QtWidgets.QPushButton("as the rule advises")
        self._advised_s = answer.closed_loop_time_s
        self._add_knob()
        self.forecasts = self._add_charts(len(answer.forecasts), 2)
        self.lines = LineList()
        self.add(self.lines)
        self.tables = [self._add_table(table) for table in answer.state.tables]
        self.add_section("Measured and computed")
        self.charts = self._add_charts(len(answer.state.charts), COLUMNS)
        self.end()
        self.show_state(answer)

    def _add_knob(self) -> None:
        """Long closed-loop times to the right: calmer; the scale is logarithmic."""
        self.knob.setRange(0, KNOB_STEPS)
        self.knob.setFocusPolicy(QtCore.Qt.NoFocus)
        self.knob.setAccessibleName("closed-loop time")
        self.knob.valueChanged.connect(self._turned)
        self.own_choice.setFocusPolicy(QtCore.Qt.NoFocus)
        self.own_choice.clicked.connect(lambda: self.asked.emit(None))
        row = QtWidgets.QWidget()
        layout = QtWidgets.QHBoxLayout(row)
        layout.setContentsMargins(0, 0, 0, 0)
        for widget, stretch in (
            (QtWidgets.QLabel("closed-loop time:   tight"), 0), (self.knob, 1), (QtWidgets.QLabel("calm"), 0),
            (self.knob_text, 0), (self.own_choice, 0),
        ):  # fmt: skip
            layout.addWidget(widget, stretch=stretch)
        self.knob_row = row
        if self._advised_s is not None:
            self.add(row)

    def _add_charts(self, count: int, columns: int) -> list[ChartView]:
        """``count`` empty charts in rows of ``columns``."""
        charts = [ChartView() for _ in range(count)]
        for first in range(0, count, columns):
            row = charts[first : first + columns]
            fillers = [QtWidgets.QWidget() for _ in range(columns - len(row))]
            self.add_row([*row, *fillers])
        return charts

    def _add_table(self, table: Table) -> TextTable:
        self.add_section(table.title)
        shown = TextTable(table.headings)
        self.add(shown)
        return shown

    def _turned(self, step: int) -> None:
        time_s = SHORTEST_S * (LONGEST_S / SHORTEST_S) ** (step / KNOB_STEPS)
        self.knob_text.setText(f"{time_s:.3f} s")
        self.asked.emit(time_s)

    def show_state(self, answer: TuneAnswer) -> None:
        """Draws ``answer``: the same tables and charts with other contents."""
        state = answer.state
        self.heading.setText(state.heading)
        self._follow(answer.closed_loop_time_s)
        self.lines.show_lines(state.lines[1:])
        for shown, table in zip(self.tables, state.tables, strict=True):
            shown.show_rows(table.rows)
        drawn = zip((*self.forecasts, *self.charts), (*answer.forecasts, *state.charts), strict=True)
        for view, chart in drawn:
            view.show_chart(chart_sheet(chart))

    def _follow(self, time_s: float | None) -> None:
        """The knob stands where the answer was made, unless a hand is on it."""
        if time_s is None or self.knob.isSliderDown():
            return
        blocked = self.knob.blockSignals(True)
        share = math.log(time_s / SHORTEST_S) / math.log(LONGEST_S / SHORTEST_S)
        self.knob.setValue(round(KNOB_STEPS * min(max(share, 0.0), 1.0)))
        self.knob.blockSignals(blocked)
        self.knob_text.setText(f"{time_s:.3f} s")
