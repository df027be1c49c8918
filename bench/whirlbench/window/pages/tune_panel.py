"""The speed loop: advice with its one knob and what it will do, the models, and the steps they rest on."""

from __future__ import annotations

import math

from PyQt5 import QtCore, QtWidgets

from whirlbench.results.answer import Answer
from whirlbench.window.pages.answer_panel import AnswerPanel

COLUMNS = 3
LEAST_FORECAST_PX = 118  # knob, forecasts, advice and plan stand on one screen
FIRST_TABLES = 1  # that stand beside the knob
KNOB_STEPS = 200
SHORTEST_S, LONGEST_S = 0.02, 5.0  # of the closed-loop time: ten ticks of the device, and slower than anybody wants


class TunePanel(AnswerPanel):
    """Shows a tune answer; ``asked`` carries the closed-loop time of the knob in s, or None for the rule's own."""

    asked = QtCore.pyqtSignal(object)

    def __init__(self, answer: Answer) -> None:
        self.knob = QtWidgets.QSlider(QtCore.Qt.Orientation.Horizontal)
        self.knob_text = QtWidgets.QLabel()
        self.own_choice = QtWidgets.QPushButton("as the rule advises")
        super().__init__(answer)

    def arrange(self) -> None:
        """The knob and the forecasts under it, tables, plan, then everything measured."""
        keys = [chart.key for chart in self.answer.charts]
        forecasts = [key for key in keys if key.startswith("forecast")]
        self.begin("advice")
        if closed_loop_time_s(self.answer) is not None:
            self.add(self._knob_row())
        self.add_charts(forecasts, columns=2, height_px=LEAST_FORECAST_PX)
        tables = [table.key for table in self.answer.tables]
        for key in tables[:FIRST_TABLES]:
            self.add_table(key)
        self.add_plan()
        self.begin("measured and computed")
        self.add_charts([key for key in keys if key not in forecasts], columns=COLUMNS)
        self.begin("models and steps")
        for key in tables[FIRST_TABLES:]:
            self.add_table(key)

    def _knob_row(self) -> QtWidgets.QWidget:
        """Long closed-loop times to the right: calmer; the scale is logarithmic."""
        self.knob.setRange(0, KNOB_STEPS)
        self.knob.setFocusPolicy(QtCore.Qt.FocusPolicy.NoFocus)
        self.knob.setAccessibleName("closed-loop time")
        self.knob.valueChanged.connect(self._turned)
        self.own_choice.setFocusPolicy(QtCore.Qt.FocusPolicy.NoFocus)
        self.own_choice.clicked.connect(lambda: self.asked.emit(None))
        row = QtWidgets.QWidget()
        layout = QtWidgets.QHBoxLayout(row)
        layout.setContentsMargins(0, 0, 0, 0)
        for widget, stretch in (
            (QtWidgets.QLabel("closed-loop time:   tight"), 0), (self.knob, 1), (QtWidgets.QLabel("calm"), 0),
            (self.knob_text, 0), (self.own_choice, 0),
        ):  # fmt: skip
            layout.addWidget(widget, stretch=stretch)
        return row

    def _turned(self, step: int) -> None:
        time_s = SHORTEST_S * (LONGEST_S / SHORTEST_S) ** (step / KNOB_STEPS)
        self.knob_text.setText(f"{time_s:.3f} s")
        self.asked.emit(time_s)

    def show_state(self, answer: Answer) -> None:
        """Draws ``answer``: the same tables and charts with other contents."""
        super().show_state(answer)
        self._follow(closed_loop_time_s(answer))

    def _follow(self, time_s: float | None) -> None:
        """The knob stands where the answer was made, unless a hand is on it."""
        if time_s is None or self.knob.isSliderDown():
            return
        blocked = self.knob.blockSignals(True)
        share = math.log(time_s / SHORTEST_S) / math.log(LONGEST_S / SHORTEST_S)
        self.knob.setValue(round(KNOB_STEPS * min(max(share, 0.0), 1.0)))
        self.knob.blockSignals(blocked)
        self.knob_text.setText(f"{time_s:.3f} s")


def closed_loop_time_s(answer: Answer) -> float | None:
    """The closed-loop time of the answer's advice, None where no gains are advised."""
    advice = answer.document["advice"]
    return None if advice is None else float(advice["closed_loop_time_s"])
