"""The page of the trial of the trips: caution, word, what is to be done now, live readings, what is proved so far."""

from __future__ import annotations

from collections.abc import Callable

from PyQt5 import QtCore, QtWidgets

from whirlbench.errors import BenchError
from whirlbench.results.answer import fixed
from whirlbench.results.labels import label, spoken
from whirlbench.results.stand import ABOUT, READY, TRIP_COLUMNS
from whirlbench.session.still import StillLoop
from whirlbench.window.drawing.hinted_field import HintedField
from whirlbench.window.drawing.text_table import TextTable
from whirlbench.window.pages.answer_panel import RemarkArea, RemarkList, print_line, show_statement
from whirlbench.window.pages.scroll_page import HEADING as HEADING_STYLE
from whirlbench.window.scrolled_area import scrolled
from whirlbench.window.trial.trial_work import Enter, Hands, TrialWork, Word

TICK_MS = 10  # the heartbeat comes from here: several within its shortest limit
REDRAW_TICKS = 10
PROMPT = "font-size: 16px; padding: 6px 0;"
TOLD = "font-weight: bold;"
HEADING = "Trial of the trips: each provoked with the motor still, the propeller off"
LIVE_HEADINGS = ("signal", "counts now")


class TrialPage(QtWidgets.QWidget):
    """The trial on the stand behind ``loop``; ``enter`` puts the proof into the log, ``close`` ends the recording.

    ``hands`` act at a simulated stand.
    """

    def __init__(
        self, loop: StillLoop, recording: str, enter: Enter, close: Callable[[bool], None], hands: Hands | None = None
    ) -> None:
        super().__init__()
        self.work: TrialWork | None = None
        self._loop, self._recording, self._enter, self._close, self._hands = loop, recording, enter, close, hands
        self._ticks = 0
        self._build()
        self._arrange()
        self._timer = QtCore.QTimer(self)
        self._timer.timeout.connect(self.tick)
        self._timer.start(TICK_MS)

    def _build(self) -> None:
        self.typed, self.operator = HintedField(), HintedField()
        self.typed.setPlaceholderText(READY)
        self.operator.setPlaceholderText("who makes the trial")
        self.begin_button, self.leave_button = QtWidgets.QPushButton("begin"), QtWidgets.QPushButton("leave the trial")
        self.words = {word: QtWidgets.QPushButton(word.value) for word in Word}
        self.doing, self.prompt, self.told, self.headline = (QtWidgets.QLabel() for _ in range(4))
        self.prompt.setStyleSheet(PROMPT)
        self.headline.setStyleSheet(HEADING_STYLE)
        self.headline.setText(HEADING)
        self.typed.setAccessibleName(READY)
        self.operator.setAccessibleName("who makes the trial")
        self.prompt.setText(ABOUT)
        for line in (self.doing, self.prompt, self.told, self.headline):
            line.setTextFormat(QtCore.Qt.TextFormat.PlainText)
            line.setWordWrap(True)
        self.live, self.trips = TextTable(LIVE_HEADINGS), TextTable([column.text for column in TRIP_COLUMNS])
        self.remarks = RemarkList()
        self.begin_button.clicked.connect(self.begin)
        self.typed.returnPressed.connect(self.begin)
        self.leave_button.clicked.connect(self.leave)
        self.leave_button.setEnabled(False)
        for word, button in self.words.items():
            button.setVisible(False)
            button.clicked.connect(lambda _checked, word=word: self.say(word))

    def _arrange(self) -> None:
        column = QtWidgets.QVBoxLayout(self)
        column.setContentsMargins(6, 4, 12, 6)
        self.remark_area = RemarkArea()
        self.remark_area.setWidget(self.remarks)
        rows: tuple[tuple[QtWidgets.QWidget, ...], ...] = (
            (self.headline,), (self.remark_area,), (self.typed, self.operator, self.begin_button, self.leave_button),
            (self.doing,), (self.prompt,), tuple(self.words.values()), (self.told,),
        )  # fmt: skip
        for widgets in rows:
            row = QtWidgets.QHBoxLayout()
            for widget in widgets:
                row.addWidget(widget)
            column.addLayout(row)
        body = QtWidgets.QWidget()
        tables = QtWidgets.QHBoxLayout(body)
        tables.setContentsMargins(0, 0, 0, 0)
        for table, share in ((self.trips, 3), (self.live, 1)):
            tables.addWidget(table, share, QtCore.Qt.AlignmentFlag.AlignTop)
        column.addWidget(scrolled(body), stretch=1)

    def begin(self) -> None:
        """Starts the trial, once it is typed that the propeller is off; one recording holds one trial."""
        if self.work is not None:
            return
        try:
            self.work = TrialWork(
                self._loop, self.typed.text(), self.operator.text().strip(), self._recording, self._enter, self._hands
            )
        except BenchError as error:
            print_line(self.told, spoken(str(error)), "over", TOLD)
            return
        for widget in (self.typed, self.operator, self.begin_button):
            widget.setEnabled(False)
        self.leave_button.setEnabled(True)
        self.draw()

    def say(self, word: Word) -> None:
        """The operator's word."""
        if self.work is not None:
            self.work.say(word)
            self.draw()

    def leave(self) -> None:
        """Ends the trial before its end."""
        if self.work is not None and not self.work.ended:
            self.work.leave()
            self._ended(self.work)

    def tick(self) -> None:
        """A turn of the device's loop; the page is drawn when something changed, and now and then."""
        work = self.work
        if work is None or work.ended:
            return
        before = (work.text, work.asked, work.told)
        work.tick()
        self._ticks += 1
        if work.ended:
            self._ended(work)
        elif before != (work.text, work.asked, work.told) or self._ticks % REDRAW_TICKS == 0:
            self.draw()

    def _ended(self, work: TrialWork) -> None:
        self._close(work.complete)
        self.leave_button.setEnabled(False)
        self.draw()

    def draw(self) -> None:
        """Shows the trial as it stands."""
        work = self.work
        if work is None:
            return
        state = "ended" if work.ended else f"trip {work.number} of {work.count}"
        self.doing.setText(f"{state}; recorded in {self._recording}")
        self.prompt.setText(spoken(work.text))
        print_line(self.told, spoken(work.told), "ink" if work.came else "over", TOLD)
        for word, button in self.words.items():
            button.setVisible(word in work.asked)
        counts = sorted(self._loop.stand.latest_counts().items())
        self.live.show_rows(tuple((label(name), fixed(value, 1)) for name, value in counts))
        answer = work.answer()
        show_statement(self.headline, answer, HEADING_STYLE)
        table = answer.table("trips")
        self.trips.show_rows(table.rows)
        self.remarks.show_remarks(answer.lines())

    def close_work(self) -> None:
        """Leaves a trial that is under way, ends the loop, gives the port back."""
        self._timer.stop()
        self.leave()
        self._loop.__exit__(None, None, None)
