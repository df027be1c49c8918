"""When it began and what would have caught it: speed, order map, evidence and 1P vector under one time cursor."""

from __future__ import annotations

from PyQt5 import QtCore, QtWidgets

from whirlbench.results.diagnosis import Diagnosis, RunView
from whirlbench.window import shown_units
from whirlbench.window.drawing.chart_view import ChartView
from whirlbench.window.drawing.vector_dial import Hand, VectorDial
from whirlbench.window.pages.answer_panel import AnswerPanel
from whirlbench.window.pages.scroll_page import LineList

PAST_S = 10.0
SIDE_PX = 280
STRETCHES = {"speed": 2, "order map": 3}  # of the charts beside vector and moments, from top to bottom
LEAST_PX = 110
LEAST_DIAL_PX, LEAST_MARKS_PX = 140, 44


class DiagnosisPanel(AnswerPanel):
    """Shows one Diagnosis; ``moved`` tells where a hand put the cursor, ``move_to`` puts it there from outside."""

    moved = QtCore.pyqtSignal(float)

    def __init__(self, diagnosis: Diagnosis) -> None:
        self.diagnosis = diagnosis
        self.dial, self.words, self.marks = VectorDial(), LineList(), QtWidgets.QListWidget()
        self.followers: list[ChartView] = []
        super().__init__(diagnosis.answer)
        for view in self.followers:
            view.picked.connect(self._picked)
        self.marks.itemClicked.connect(lambda item: self._picked(diagnosis.moments[self.marks.row(item)].at_s))
        self.move_to(diagnosis.begin_s)

    def arrange(self) -> None:
        """Charts beside the vector and the moments, the evidence under the same cursor, the second run, the tables."""
        self.begin("the run")
        left, right = QtWidgets.QWidget(), QtWidgets.QWidget()
        charts, side = QtWidgets.QVBoxLayout(left), QtWidgets.QVBoxLayout(right)
        for layout in (charts, side):
            layout.setContentsMargins(0, 0, 0, 0)
        known = [chart.key for chart in self.answer.charts]
        for key in (key for key in STRETCHES if key in known):
            self.charts[key] = ChartView(height_px=LEAST_PX)
            charts.addWidget(self.charts[key], stretch=STRETCHES[key])
        right.setFixedWidth(SIDE_PX)
        for widget in (self.dial, self.words, QtWidgets.QLabel("moments: a click moves the cursor there"), self.marks):
            side.addWidget(widget)
        self.dial.setMinimumSize(LEAST_DIAL_PX, LEAST_DIAL_PX)
        self.marks.setMinimumHeight(LEAST_MARKS_PX)
        self.marks.setWordWrap(True)
        self.marks.setFocusPolicy(QtCore.Qt.FocusPolicy.NoFocus)
        self._list_moments()
        self.add_row((left, right), (1, 0))
        for view in self.charts.values():
            self.reveal_later(view)
        self.begin("evidence")
        self.add_charts(["evidence"])
        self.followers += self.charts.values()
        self._add_beside()
        self.begin("trips and signals")
        for table in self.answer.tables:
            if table.rows:
                self.add_table(table.key)

    def _list_moments(self) -> None:
        self.marks.clear()
        lines = [f"{one.at_s:8.2f} s  {one.kind}: {one.text}" for one in self.diagnosis.moments]
        self.marks.addItems([shown_units.text(line) for line in lines])

    def take_units(self) -> None:
        """Shows the same in the units that are chosen now."""
        super().take_units()
        self._list_moments()

    def _add_beside(self) -> None:
        if self.diagnosis.beside is not None:
            self.begin("the run beside")
            self.add_section(f"Beside it, at like speed: {self.diagnosis.beside.view.source}")
            self.add_charts(["second order map", "1P"], columns=2)

    def _picked(self, time_s: float) -> None:
        self.move_to(time_s)
        self.moved.emit(time_s)

    def move_to(self, time_s: float) -> None:
        """Places the cursor on every chart and turns the vectors to that moment."""
        for view in self.followers:
            view.show_cursor(time_s)
        other_s = self.diagnosis.second_at(time_s)
        if "second order map" in self.charts:
            self.charts["second order map"].show_cursor(other_s if other_s == other_s else None)
        self.words.show_lines((f"{time_s:.2f} s", *self.diagnosis.words_at(time_s)))
        self._turn_hands(time_s, other_s)

    def _turn_hands(self, time_s: float, other_s: float) -> None:
        hands = _hands(self.diagnosis.view, time_s, "measured", "")
        if self.diagnosis.beside is not None:
            hands += _hands(self.diagnosis.beside.view, other_s, "second", "beside ")
        self.dial.show_hands(hands)


def _hands(view: RunView, time_s: float, ink: str, prefix: str) -> list[Hand]:
    """A hand for each axis across or along the shaft; none where no angle has a reference."""
    if view.vectors is None or time_s != time_s:
        return []
    now, past = view.vectors.at(time_s), view.vectors.before(time_s, PAST_S)
    return [
        Hand(complex(now[row]), past[row], ink, f"{prefix}{axis.removesuffix('_g')}")
        for row, axis in enumerate(view.vectors.axes)
    ]
