"""The calibration page: channel, prompt, live readings, points, and what is left over, drawn as the points come."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from datetime import datetime
from pathlib import Path

from PyQt5 import QtCore, QtWidgets

from whirlbench.calibration.guide import AXES, COURSES
from whirlbench.calibration.steady_reading import SteadyReading
from whirlbench.errors import BenchError, CalibrationError
from whirlbench.results.answer import NONE, Answer, fixed
from whirlbench.results.chart import Chart
from whirlbench.results.labels import label, spoken
from whirlbench.rig.description import Rig
from whirlbench.rig.toml import parse_rig, with_values
from whirlbench.session.still import StillLoop
from whirlbench.window.calibration.calibration_work import CalibrationWork, Doing, Helper
from whirlbench.window.drawing.chart_view import ChartView
from whirlbench.window.drawing.hinted_field import HintedField
from whirlbench.window.drawing.text_table import TextTable
from whirlbench.window.pages.answer_panel import RemarkArea, RemarkList, print_line, show_statement
from whirlbench.window.pages.scroll_page import HEADING as HEADING_STYLE
from whirlbench.window.scrolled_area import scrolled

TICK_MS = 20
REDRAW_TICKS = 5
PROMPT = "font-size: 16px; padding: 6px 0;"
REFUSED = "font-weight: bold;"
CHART_PX = 190
IDLE = "Choose a channel, press `begin`, and do what is asked here, point by point; every point is saved at once."
NOTHING_DRAWN = "What is left over between the points and their line is drawn once there are {} points."
CHANNELS = {
    "pitch": "blade angle against servo pulse",
    "pitch_deg": "feedback of the pitch servo",
    "voltage_v": "voltage",
}
UNITS = {"pulse_us": "us", "angle_deg": "deg", "travel_pct": "%", "known_rpm": "rpm", "read_rpm": "rpm"}
HEADING = "Calibration: counts of a sensor against what is known"
CLEAR = "Isolator open, propeller free, nobody near it (the servo moves by itself; the motor is not driven)"
LIVE_HEADINGS = ("signal", "counts now", "mean", "scatter of a sample", "samples", "stands still")


class CalibrationPage(QtWidgets.QWidget):
    """A guided calibration on the stand behind ``loop``; the result goes into the rig at ``rig_path``.

    ``helper`` makes somebody act at a simulated stand, by channel; ``enter`` takes the rig that was written and says
    in one line what became of it in the log of blade sets.
    """

    def __init__(
        self,
        rig: Rig,
        rig_text: str,
        rig_path: Path,
        loop: StillLoop,
        helper: Callable[[str], Helper] | None = None,
        enter: Callable[[Rig], str] = lambda rig: "",
    ) -> None:
        super().__init__()
        self.work: CalibrationWork | None = None
        self._rig, self._rig_text, self._rig_path = rig, rig_text, rig_path
        self._loop, self._helper, self._enter = loop, helper, enter
        self._ticks = self._drawn_points = 0
        self._build()
        self._arrange()
        self._timer = QtCore.QTimer(self)
        self._timer.timeout.connect(self.tick)
        self._timer.start(TICK_MS)

    def _build(self) -> None:
        self.channel = QtWidgets.QComboBox()
        for channel in COURSES:
            self.channel.addItem(CHANNELS.get(channel) or label(channel), channel)
        self.channel.setAccessibleName("channel to calibrate")
        self.clear = QtWidgets.QCheckBox(CLEAR)
        self.begin_button = QtWidgets.QPushButton("begin")
        self.doing, self.prompt, self.refused = QtWidgets.QLabel(), QtWidgets.QLabel(), QtWidgets.QLabel()
        self.prompt.setStyleSheet(PROMPT)
        self.refused.setStyleSheet(REFUSED)
        self.typed = HintedField()
        self.typed.setPlaceholderText("what is asked for, then Enter")
        self.prompt.setText(IDLE)
        self.refused.setProperty("ink", "over")
        self.typed.setAccessibleName("what is known of this point")
        self.take_button, self.back_button = (
            QtWidgets.QPushButton("take this point"),
            QtWidgets.QPushButton("take back"),
        )
        self.write_button = QtWidgets.QPushButton(f"write into {self._rig_path.name}")
        self.live, self.points = TextTable(LIVE_HEADINGS), TextTable(())
        self.chart, self.headline, self.remarks = ChartView(height_px=CHART_PX), QtWidgets.QLabel(HEADING), RemarkList()
        self.headline.setStyleSheet(HEADING_STYLE)
        self.remark_area = RemarkArea()
        self.remark_area.setWidget(self.remarks)
        self._show_no_chart(3)
        for line in (self.doing, self.prompt, self.refused, self.headline):
            line.setTextFormat(QtCore.Qt.TextFormat.PlainText)
            line.setWordWrap(True)
        self.begin_button.clicked.connect(self.begin)
        self.take_button.clicked.connect(self.take)
        self.typed.returnPressed.connect(self.take)
        self.back_button.clicked.connect(self.take_back)
        self.write_button.clicked.connect(self.write)
        self.write_button.setEnabled(False)

    def _arrange(self) -> None:
        column = QtWidgets.QVBoxLayout(self)
        self._points_place = QtWidgets.QVBoxLayout()
        self._points_place.addWidget(self.points)
        self._points_place.addStretch(1)
        column.setContentsMargins(6, 4, 12, 6)
        rows: tuple[tuple[QtWidgets.QWidget, ...], ...] = (
            (self.headline,), (self.remark_area,),
            (QtWidgets.QLabel("channel"), self.channel, self.begin_button), (self.clear,),
            (self.doing,), (self.prompt,), (self.typed, self.take_button, self.back_button), (self.refused,),
            (self.live,),
        )  # fmt: skip
        for widgets in rows:
            row = QtWidgets.QHBoxLayout()
            for widget in widgets:
                row.addWidget(widget, stretch=1 if widget in (self.channel, self.typed) or len(widgets) == 1 else 0)
            column.addLayout(row)
        body = QtWidgets.QWidget()
        row = QtWidgets.QHBoxLayout(body)
        row.setContentsMargins(0, 0, 0, 0)
        row.addLayout(self._points_place, stretch=1)
        row.addWidget(self.chart, stretch=1)
        column.addWidget(scrolled(body), stretch=1)
        column.addWidget(self.write_button, alignment=QtCore.Qt.AlignmentFlag.AlignLeft)

    def begin(self) -> None:
        """Starts the channel that is chosen, afresh."""
        channel = self.channel.currentData()
        points = self._rig_path.with_name(datetime.now().strftime(f"calibration-{channel}-%Y%m%d-%H%M%S.csv"))
        helper = self._helper(channel) if self._helper is not None else None
        try:
            self.work = CalibrationWork(channel, self._rig, self._loop, points, helper, self.clear.isChecked())
        except BenchError as error:
            self.work = None
            self.refused.setText(spoken(str(error)))
            return
        course = self.work.guide.course
        self._renew_points_table([_heading(channel, column, course.unit) for column in course.columns])
        self.typed.clear()
        self._drawn_points = -1
        self.clear.setChecked(False)  # said anew each time
        self.draw()

    def _renew_points_table(self, columns: Sequence[str]) -> None:
        self._points_place.removeWidget(self.points)
        self.points.hide()
        self.points.deleteLater()
        self.points = TextTable(columns)
        self._points_place.insertWidget(0, self.points)

    def tick(self) -> None:
        """A turn of the device's loop; the page is drawn less often."""
        if self.work is None:
            return
        before = self.work.doing
        self.work.tick()
        self._ticks += 1
        if before is not self.work.doing or self._ticks % REDRAW_TICKS == 0:
            self.draw()

    def take(self) -> None:
        """Takes the point with what is typed."""
        if self.work is not None:
            self.work.take(self.typed.text())
            self.draw()

    def take_back(self) -> None:
        """Takes the latest point back."""
        if self.work is not None:
            self.work.undo()
            self._drawn_points = -1
            self.draw()

    def draw(self) -> None:
        """Shows the work as it stands."""
        work = self.work
        if work is None:
            return
        self.doing.setText(f"{work.doing}; points are saved in {work.points.name}")
        self.prompt.setText(work.text)
        setting = work.guide.setting
        asks = setting is not None and bool(setting.asks)
        self.typed.setEnabled(asks and work.may_take)
        self.take_button.setEnabled(work.may_take)
        self.back_button.setEnabled(bool(work.guide.rows) and (work.may_take or work.doing is Doing.FINISHED))
        self.live.show_rows(tuple(_live_row(label(name), *seen) for name, seen in work.live().items()))
        if len(work.guide.rows) != self._drawn_points:
            self._draw_points(work)
        self.refused.setText(spoken(work.message))

    def _draw_points(self, work: CalibrationWork) -> None:
        self._drawn_points = len(work.guide.rows)
        columns = work.guide.course.columns
        self.points.show_rows(tuple(tuple(_cell(column, row[column]) for column in columns) for row in work.guide.rows))
        self.typed.setText(work.proposal)
        answer = work.answer() if not work.guide.objection() else None
        self.write_button.setEnabled(answer is not None)
        self._show_answer(answer)

    def _show_answer(self, answer: Answer | None) -> None:
        charts = answer.charts if answer is not None else ()
        if charts:
            self.chart.show_chart(charts[0])
        else:
            self._show_no_chart(self.work.guide.course.least if self.work is not None else 0)
        if answer is None:
            print_line(self.headline, HEADING, "ink", HEADING_STYLE)
        else:
            show_statement(self.headline, answer, HEADING_STYLE)
        self.remarks.show_remarks(answer.lines() if answer is not None else ())

    def _show_no_chart(self, least: int) -> None:
        """What will be drawn here, and when."""
        self.chart.show_chart(Chart("no points yet", "known", "left over", caption=NOTHING_DRAWN.format(least)))

    def write(self) -> None:
        """Writes the calibration into the rig, whose comments stay; later channels build on it."""
        if self.work is None:
            return
        try:
            text = with_values(self._rig_text, self.work.result().values)
            self._rig_path.write_text(text, encoding="utf-8")
        except (CalibrationError, BenchError) as error:
            self.refused.setText(spoken(str(error)))
            return
        except OSError as error:
            self.refused.setText(f"{self._rig_path}: cannot be written: {error.strerror or error}")
            return
        self._rig_text = text
        self.write_button.setEnabled(False)
        try:
            entered = self._enter(parse_rig(text, str(self._rig_path)))
        except BenchError as error:
            self.refused.setText(f"the log has no entry of it: {error}")
            entered = ""
        self.doing.setText("; ".join(filter(None, (f"written into {self._rig_path}", entered))))

    def close_work(self) -> None:
        """Ends the loop: what is armed is aborted, the port is given back."""
        self._timer.stop()
        self._loop.__exit__(None, None, None)


def _heading(channel: str, column: str, unit: str) -> str:
    """A column of the points as somebody reads it; what was typed keeps the unit it was asked for in."""
    if column == "value":
        return f"{label(channel)} in {unit}" if unit else label(channel)
    unit = UNITS.get(column, "")
    return f"{label(column)}, {unit}" if unit else label(column)


def _cell(column: str, text: str) -> str:
    """What was typed as it was typed; a mean of counts to the digits of the live one, the file keeps the rest."""
    if text in AXES:
        return label(text)
    return fixed(float(text), 2) if column == "counts" else text


def _live_row(name: str, now: float, reading: SteadyReading | None) -> tuple[str, ...]:
    present = fixed(now, 1)
    if reading is None:
        return name, present, NONE, NONE, NONE, "not known yet"
    known = fixed(reading.mean, 2), fixed(reading.scatter, 2), str(reading.count)
    return (name, present, *known, f"no: {reading.restless}" if reading.restless else "yes")
