"""A page that shows an answer: headline, remarks by their weight, charts and tables, in a column that scrolls."""

from __future__ import annotations

from collections.abc import Sequence

from PyQt5 import QtCore, QtGui, QtWidgets

from whirlbench.results.answer import Answer, Remark, Table
from whirlbench.results.chart import Chart
from whirlbench.window import shown_units
from whirlbench.window.drawing.chart_view import ChartView
from whirlbench.window.drawing.text_table import TextTable
from whirlbench.window.pages.plan_saving import PlanSaver
from whirlbench.window.pages.scroll_page import HEADING, SECTION, ScrollPage

LEVEL_INKS = {"danger": "over", "caution": "caution", "note": "ink"}


REMARKS_PX, LEAST_REMARKS_PX, REMARKS_SHARE = 132, 64, 0.12  # what they may take: at most, at least, of the window
COMPARED_COLUMNS = 3
NONE_WORDS = "none; where something stays open, the remarks above say why"
LEAST_CHART_PX = 190  # charts take all the room there is, and never less


class RemarkList(QtWidgets.QWidget):
    """Remarks one below the other, each in the ink of its level; the text can be selected."""

    def __init__(self) -> None:
        super().__init__()
        self._column = QtWidgets.QVBoxLayout(self)
        self._column.setContentsMargins(0, 0, 0, 0)
        self._column.setSpacing(2)
        self.labels: list[QtWidgets.QLabel] = []

    def show_remarks(self, remarks: Sequence[Remark]) -> None:
        """Replaces all remarks."""
        while len(self.labels) < len(remarks):
            self.labels.append(self._label())
        for label in self.labels[len(remarks) :]:
            label.hide()
        for label, remark in zip(self.labels, remarks, strict=False):
            label.setProperty("ink", LEVEL_INKS[remark.level])
            label.setStyleSheet(f"font-weight: {'bold' if remark.level == 'danger' else 'normal'};")
            label.setText(shown_units.text(remark.line))
            label.show()

    def _label(self) -> QtWidgets.QLabel:
        label = QtWidgets.QLabel()
        label.setTextFormat(QtCore.Qt.TextFormat.PlainText)
        label.setWordWrap(True)
        label.setTextInteractionFlags(QtCore.Qt.TextInteractionFlag.TextSelectableByMouse)
        self._column.addWidget(label)
        return label


def show_statement(heading: QtWidgets.QLabel, answer: Answer, style: str) -> None:
    """The headline of an answer in the ink of its weight; ``style`` is the label's own."""
    said = answer.statement
    print_line(heading, shown_units.text(said.line), LEVEL_INKS[said.level], style)


def print_line(label: QtWidgets.QLabel, text: str, ink: str, style: str) -> None:
    """Words in an ink of the palette; ``style`` is the label's own."""
    label.setText(text)
    label.setProperty("ink", ink)
    label.setStyleSheet(style)  # has the ink looked up anew


def _scrolling(remarks: RemarkList) -> QtWidgets.QScrollArea:
    """The remarks, the gravest first, in no more than a part of the page."""
    area = RemarkArea()
    area.setWidget(remarks)
    return area


class RemarkArea(QtWidgets.QScrollArea):
    """As tall as what it holds, up to a share of the window; the rest is reached by scrolling."""

    def __init__(self) -> None:
        super().__init__()
        self.setWidgetResizable(True)
        self.setFrameShape(QtWidgets.QFrame.NoFrame)
        self.setHorizontalScrollBarPolicy(QtCore.Qt.ScrollBarPolicy.ScrollBarAlwaysOff)
        self.setSizePolicy(QtWidgets.QSizePolicy.Expanding, QtWidgets.QSizePolicy.Fixed)
        self.setAccessibleName("remarks, the gravest first")

    def sizeHint(self) -> QtCore.QSize:
        """The height that the remarks take at this width."""
        held = self.widget()
        width = max(self.viewport().width(), 200)
        wanted = held.layout().totalHeightForWidth(width) if held.layout().hasHeightForWidth() else 0
        most = min(REMARKS_PX, max(round(REMARKS_SHARE * self.window().height()), LEAST_REMARKS_PX))
        line = self.fontMetrics().height() + held.layout().spacing()
        most = most // line * line - held.layout().spacing()  # whole lines: one that is cut in half is not read
        return QtCore.QSize(width, min(max(wanted, held.layout().totalMinimumSize().height()) + 2, most))

    def minimumSizeHint(self) -> QtCore.QSize:
        """No more than what is held: a page without remarks has no room for them."""
        return QtCore.QSize(100, self.sizeHint().height())

    def resizeEvent(self, event: QtGui.QResizeEvent) -> None:
        """Another width: the words wrap elsewhere."""
        super().resizeEvent(event)
        if event.size().width() != event.oldSize().width():
            self.updateGeometry()


class AnswerPanel(ScrollPage):
    """Shows one Answer; a later answer of the same question is shown by the same charts and tables.

    Subclasses put the pieces in another order, or add controls between them, in ``arrange``.
    """

    def __init__(self, answer: Answer) -> None:
        super().__init__()
        self.answer = answer
        self.charts: dict[str, ChartView] = {}
        self.tables: dict[str, TextTable] = {}
        self.titles: dict[str, QtWidgets.QLabel] = {}
        self.saver: PlanSaver | None = None
        self.add_heading("")
        self.remarks = RemarkList()
        self.add(_scrolling(self.remarks))
        self.arrange()
        self.end()
        self.show_state(answer)

    def arrange(self) -> None:
        """A section for all charts, one for all tables, with the plan."""
        self.begin("charts")
        self.add_charts([chart.key for chart in self.answer.charts])
        self.begin("tables")
        for table in self.answer.tables:
            self.add_table(table.key)
        self.add_plan()

    def add_plan(self) -> None:
        """The button that writes the answer's plan, where one is offered."""
        if self.answer.plan is not None:
            self.saver = PlanSaver(f"write the plan: {self.answer.plan.purpose} …", self.answer.plan.file_name)
            self.add(self.saver)

    def add_charts(self, keys: Sequence[str], columns: int = 1, height_px: int = LEAST_CHART_PX) -> None:
        """The charts ``keys`` in rows of ``columns``; keys that the answer lacks are passed over."""
        known = [chart.key for chart in self.answer.charts]
        views = []
        for key in keys:
            if key in known:
                self.charts[key] = ChartView(height_px=min(height_px, LEAST_CHART_PX))
                views.append(self.charts[key])
        for first in range(0, len(views), columns):
            row = views[first : first + columns]
            fillers = [QtWidgets.QWidget() for _ in range(columns - len(row))]
            self.add_row([*row, *fillers])

    def add_table(self, key: str, choosable: bool = False) -> None:
        """The table ``key`` under its title; one that the answer lacks is passed over."""
        for table in self.answer.tables:
            if table.key == key:
                self.titles[key] = self.add_section(table.title)
                self.tables[key] = TextTable(table.headings, choosable=choosable)
                self.add(self.tables[key])

    def make_table(self, table: Table, column: QtWidgets.QVBoxLayout, place: int) -> None:
        """Title and table of an answer that came later, at a place in a column."""
        title = QtWidgets.QLabel(table.title)
        title.setTextFormat(QtCore.Qt.TextFormat.PlainText)
        title.setStyleSheet(SECTION)
        self.titles[table.key], self.tables[table.key] = title, TextTable(table.headings)
        column.insertWidget(place, title)
        column.insertWidget(place + 1, self.tables[table.key])

    def add_hint(self, text: str) -> None:
        """How to use what stands above, in words; the section keeps to its top."""
        hint = QtWidgets.QLabel(text)
        hint.setWordWrap(True)
        self.add(hint)
        self.column.addStretch(1)

    def take_units(self) -> None:
        """Shows the same in the units that are chosen now; charts and tables take them by themselves."""
        self.show_state(self.answer)

    def show_state(self, answer: Answer) -> None:
        """Draws ``answer``."""
        self.answer = answer
        show_statement(self.heading, answer, HEADING)
        self.remarks.show_remarks(answer.lines())
        if self.saver is not None and answer.plan is not None:
            self.saver.show_plan(answer.plan.text, shown_units.text(answer.plan.remark))
        given = {chart.key: chart for chart in answer.charts}
        for key, view in self.charts.items():
            view.show_chart(given.get(key, Chart("", "", "")))  # nothing stays of an earlier answer
        for table in answer.tables:
            if table.key in self.tables:
                title = shown_units.text(table.title)
                self.titles[table.key].setText(title if table.rows else f"{title}: {NONE_WORDS}")
                self.leave_out(self.tables[table.key], not table.rows)
                self.tables[table.key].show_rows(table.rows, table.danger)


class ComparePanel(AnswerPanel):
    """Shows the comparison of two runs, in the words and figures of the report of both."""

    def arrange(self) -> None:
        """The pairs of like holds, the holds drawn, coefficients, permitted speeds, rig keys."""
        for title, key in (("like holds", "pairs"), ("coefficients", "coefficients")):
            self.begin(title)
            self.add_table(key)
            if key == "pairs":
                self.begin("every hold")
                self.add_charts([chart.key for chart in self.answer.charts], columns=COMPARED_COLUMNS)
        self.begin("permitted speeds")
        self.add_table("permitted")
        self.begin("what differs in the rigs")
        self.add_table("keys")
