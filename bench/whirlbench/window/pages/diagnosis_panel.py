"""When it began and what would have caught it: course, order map, evidence and 1P vector under one time cursor."""

from __future__ import annotations

from PyQt5 import QtCore, QtWidgets

from whirlbench.window.drawing.chart_view import ChartView
from whirlbench.window.drawing.text_table import TextTable
from whirlbench.window.drawing.vector_dial import Hand, VectorDial
from whirlbench.window.pages.diagnosis_page_state import SIGNAL_HEADINGS, TRIP_HEADINGS, DiagnosisPage, RunView
from whirlbench.window.pages.diagnosis_sheet import comparison_sheet, course_sheet, evidence_sheet, map_sheet
from whirlbench.window.pages.scroll_page import LineList, ScrollPage

TRAIL_S = 10.0
SIDE_PX = 280


class DiagnosisPanel(ScrollPage):
    """Shows one DiagnosisPage; ``moved`` tells where a hand put the cursor, ``move_to`` puts it there from outside."""

    moved = QtCore.pyqtSignal(float)

    def __init__(self, page: DiagnosisPage) -> None:
        super().__init__()
        self.page = page
        self.add_heading(page.heading)
        self.course = ChartView(course_sheet(page), 190)
        self.map = self._map(page.view, f"Order map: {page.view.source or 'this run'}")
        self.other_map: ChartView | None = None
        self.dial, self.words, self.marks = VectorDial(), LineList(), QtWidgets.QListWidget()
        self.followers = [self.course, *([self.map] if self.map else [])]
        self._arrange()
        self._add_beside()
        self._add_tables()
        self._connect()
        self.move_to(page.report.onset.at_s if page.report.onset else page.markers[0].at_s if page.markers else 0.0)

    def _map(self, view: RunView, title: str) -> ChartView | None:
        sheet = map_sheet(view, title, self.page.blades)
        return None if sheet is None else ChartView(sheet, 300)

    def _arrange(self) -> None:
        left, right = QtWidgets.QWidget(), QtWidgets.QWidget()
        charts, side = QtWidgets.QVBoxLayout(left), QtWidgets.QVBoxLayout(right)
        for layout in (charts, side):
            layout.setContentsMargins(0, 0, 0, 0)
        evidence = evidence_sheet(self.page)
        if evidence is not None:
            self.followers.append(ChartView(evidence, 190))
        for view in self.followers:
            charts.addWidget(view)
        right.setFixedWidth(SIDE_PX)
        for widget in (self.dial, self.words, QtWidgets.QLabel("moments: a click moves the cursor there"), self.marks):
            side.addWidget(widget)
        self.marks.setWordWrap(True)
        self.marks.setFocusPolicy(QtCore.Qt.NoFocus)
        self.marks.addItems([f"{marker.at_s:8.2f} s  {marker.kind}: {marker.text}" for marker in self.page.markers])
        self.add_row((left, right), (1, 0))
        for view in self.followers:
            self.reveal_later(view)

    def _add_beside(self) -> None:
        beside = self.page.beside
        if beside is None:
            return
        self.add_section(f"Beside it, at like speed: {beside.view.source}")
        self.other_map = self._map(beside.view, "Order map, cursor at the moment of the same speed")
        shown = [self.other_map] if self.other_map is not None else []
        if beside.comparison is not None:
            shown.append(ChartView(comparison_sheet(beside.comparison), 300))
        if shown:
            self.add_row(shown, (3, 2)[: len(shown)])

    def _add_tables(self) -> None:
        for title, headings, rows in (
            (
                "Trips: those that fired, and those that these limits would have made",
                TRIP_HEADINGS,
                self.page.trip_rows,
            ),
            ("Signals that left their healthy behaviour", SIGNAL_HEADINGS, self.page.signal_rows),
        ):
            self.add_section(title)
            self.add(TextTable(headings, rows) if rows else LineList(["none"]))
        self.add_section("Notes")
        self.add(LineList(self.page.notes or ["none"]))
        self.end()

    def _connect(self) -> None:
        for view in self.followers:
            view.picked.connect(self._picked)
        self.marks.itemClicked.connect(lambda item: self._picked(self.page.markers[self.marks.row(item)].at_s))

    def _picked(self, time_s: float) -> None:
        self.move_to(time_s)
        self.moved.emit(time_s)

    def move_to(self, time_s: float) -> None:
        """Places the cursor on every chart and turns the vectors to that moment."""
        for view in self.followers:
            view.show_cursor(time_s)
        other_s = self.page.second_at(time_s)
        if self.other_map is not None:
            self.other_map.show_cursor(other_s if other_s == other_s else None)
        self.words.show_lines((f"{time_s:.2f} s", *self.page.words_at(time_s)))
        self._turn_hands(time_s, other_s)

    def _turn_hands(self, time_s: float, other_s: float) -> None:
        views = [(self.page.view, time_s, "measured", "")]
        if self.page.beside is not None:
            views.append((self.page.beside.view, other_s, "second", "beside "))
        hands = [hand for view in views for hand in _hands(*view)]
        self.dial.show_hands(hands)


def _hands(view: RunView, time_s: float, ink: str, prefix: str) -> list[Hand]:
    """A hand for each axis across or along the shaft; none where no angle has a reference."""
    if view.vectors is None or time_s != time_s:
        return []
    now, past = view.vectors.at(time_s), view.vectors.trail(time_s, TRAIL_S)
    return [
        Hand(complex(now[row]), past[row], ink, f"{prefix}{axis.removesuffix('_g')}")
        for row, axis in enumerate(view.vectors.axes)
    ]
