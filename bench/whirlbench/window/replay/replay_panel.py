"""A recorded run under a time cursor: strips that zoom down to single samples, margins, marks, a second run over it."""

from __future__ import annotations

import functools
from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass, replace
from pathlib import Path

from PyQt5 import QtCore, QtGui, QtWidgets

from whirlbench.errors import BenchError
from whirlbench.results.onset import Moment
from whirlbench.window.drawing.margin_panel import MarginPanel
from whirlbench.window.drawing.state_chain import StateChain
from whirlbench.window.drawing.strips import Replay
from whirlbench.window.file_saving import ask_path
from whirlbench.window.replay import picture
from whirlbench.window.replay.recorded_run import FoundMoments, RecordedRun
from whirlbench.window.replay.run_marks import recorded_marks, with_moments
from whirlbench.window.replay.second_run import SecondRun
from whirlbench.window.replay.strip_board import StripBoard
from whirlbench.window.replay.strip_view import SEEN, WHOLE, StripView
from whirlbench.window.replay.time_span import TimeSpan
from whirlbench.window.replay.traces import traces
from whirlbench.window.scrolled_area import scrolled

SLIDER_STEPS = 10_000
TICK_MS = 33
PACES = (0.1, 0.25, 0.5, 1.0, 2.0, 5.0, 10.0, 30.0, 100.0)
QUESTIONS = ("diagnosis", "tune", "spectrum")  # that can be put to a selected span
DAMAGED = "damaged or incomplete"
NO_SPAN = "drag: a span; wheel: zoom"
SIDE_PX, LEAST_EVENTS_PX = 250, 72


@dataclass(frozen=True)
class SpanQuestion:
    """A question put to a stretch of the run."""

    kind: str
    from_s: float
    to_s: float


class ReplayPanel(QtWidgets.QWidget):
    """Shows one Replay; the cursor follows slider, strips, marks or the clock, and ``moved`` tells.

    ``span_asked`` carries a SpanQuestion; ``asked`` the path of a second run, which ``show_state`` lays over this one.
    """

    moved = QtCore.pyqtSignal(float)
    span_asked = QtCore.pyqtSignal(object)
    asked = QtCore.pyqtSignal(object)

    def __init__(self, replay: Replay, problems: Sequence[str] = ()) -> None:
        super().__init__()
        self.replay = replay
        self.second: SecondRun | None = None
        self.chain = StateChain()
        found, marks = traces(replay.run, replay.rig, replay.vibration), recorded_marks(replay.run.events)
        span = TimeSpan.of_all(*replay.span_s())
        self.strips = StripBoard(StripView.of_run(found, span, replay.cursor_s, marks))
        self.margin_panel = MarginPanel()
        self.narrowed = QtWidgets.QLabel(replay.narrowed)
        self.events = QtWidgets.QListWidget()
        self.slider = QtWidgets.QSlider(QtCore.Qt.Orientation.Horizontal)
        self.pace, self.way = QtWidgets.QComboBox(), QtWidgets.QComboBox()
        self.play = QtWidgets.QPushButton("play")
        self.span_line, self.told = QtWidgets.QLabel(NO_SPAN), QtWidgets.QLabel()
        self.span_buttons: dict[str, QtWidgets.QPushButton] = {}
        self.banner = QtWidgets.QLabel()
        self.clock = QtCore.QTimer(self)
        self._arrange()
        self._connect()
        self.show_problems((*(f"{DAMAGED}: {one}" for one in replay.run.problems), *problems))
        self._list_marks()
        self.move_to(replay.cursor_s)

    # --- arrangement ------------------------------------------------------------------------------------------------

    def _arrange(self) -> None:
        side = QtWidgets.QWidget()
        column = QtWidgets.QVBoxLayout(side)
        column.setContentsMargins(0, 0, 0, 0)
        self.narrowed.setWordWrap(True)
        self.narrowed.setTextFormat(QtCore.Qt.TextFormat.PlainText)
        self.narrowed.setVisible(bool(self.replay.narrowed))
        margins, events = (QtWidgets.QLabel(words) for words in ("share of each limit in use", "what happened"))
        place = scrolled(self.margin_panel)  # of a small screen
        place.setSizePolicy(QtWidgets.QSizePolicy.Preferred, QtWidgets.QSizePolicy.Maximum)
        self.events.setMinimumHeight(LEAST_EVENTS_PX)
        for widget in (margins, place, self.narrowed, events, self.events):
            column.addWidget(widget, stretch=int(widget is self.events))
        side.setFixedWidth(SIDE_PX)
        middle = QtWidgets.QHBoxLayout()
        middle.addWidget(self.strips, stretch=1)
        middle.addWidget(side)
        layout = QtWidgets.QVBoxLayout(self)
        layout.setContentsMargins(0, 0, 0, 0)
        layout.setSpacing(4)
        for widget in (self.chain, self.banner):
            layout.addWidget(widget)
        layout.addLayout(middle, stretch=1)
        layout.addLayout(self._row(self.play, self.pace, self.slider))
        layout.addLayout(self._row(*self._span_row()))

    def _row(self, *widgets: QtWidgets.QWidget) -> QtWidgets.QHBoxLayout:
        row = QtWidgets.QHBoxLayout()
        for widget in widgets:
            row.addWidget(widget, stretch=int(widget in (self.slider, self.span_line, self.told)))
        return row

    def _span_row(self) -> list[QtWidgets.QWidget]:
        for kind in QUESTIONS:
            button = self._button(f"{kind} of the span", functools.partial(self._ask, kind))
            button.setEnabled(False)
            self.span_buttons[kind] = button
        self.span_line.setWordWrap(True)
        beside = self._button("second run …", lambda _: self.choose_second())
        self.way.setSizeAdjustPolicy(QtWidgets.QComboBox.AdjustToContents)
        self.way.hide()
        self.told.setWordWrap(True)  # a long path must not widen the window
        save = self._button("save …", lambda _: self.ask_and_save())
        return [self.span_line, self.told, *self.span_buttons.values(), self._channels(), beside, self.way, save]

    def _button(self, words: str, act: Callable[[bool], None]) -> QtWidgets.QPushButton:
        button = QtWidgets.QPushButton(words)
        button.clicked.connect(act)
        return button

    def _channels(self) -> QtWidgets.QToolButton:
        """Which strips there are, and what their scales fit."""
        button = QtWidgets.QToolButton()
        button.setText("strips ▾")
        button.setAccessibleName("which strips are shown, and their scales")
        button.setPopupMode(QtWidgets.QToolButton.InstantPopup)
        self.channel_menu = QtWidgets.QMenu(button)
        for trace in self.strips.view.traces:
            name = trace.channel.name
            action = self.channel_menu.addAction(f"{trace.name} ({trace.unit})")
            action.setCheckable(True)
            action.setChecked(name not in self.strips.view.hidden)
            action.setData(name)
            action.toggled.connect(lambda shown, action=action: self._toggle(action, shown))
        self.channel_menu.addSeparator()
        for fits in (SEEN, WHOLE):
            action = self.channel_menu.addAction(f"scales fit {fits}")
            action.triggered.connect(lambda _=False, fits=fits: self._fit(fits))
        button.setMenu(self.channel_menu)
        return button

    def _connect(self) -> None:
        self.slider.setRange(0, SLIDER_STEPS)
        self.slider.setAccessibleName("place in the run")
        self.slider.sliderMoved.connect(self._slid)
        self.strips.cursor_moved.connect(self._follow)
        self.strips.selected.connect(self._tell_span)
        self.events.setWordWrap(True)
        self.events.setResizeMode(QtWidgets.QListView.Adjust)
        self.events.setAccessibleName("what happened, in order of time")
        self.events.currentRowChanged.connect(self._jump)
        self.pace.addItems([f"{pace:g}×" for pace in PACES])
        self.pace.setCurrentIndex(PACES.index(1.0))
        self.pace.setAccessibleName("pace of play")
        self.way.setAccessibleName("what the second run is aligned by")
        self.way.activated.connect(lambda _: self._lay_beside())
        self.play.setCheckable(True)
        self.play.toggled.connect(self._play_or_pause)
        self.clock.setInterval(TICK_MS)
        self.clock.timeout.connect(self._tick)
        copied = QtWidgets.QShortcut(QtGui.QKeySequence.Copy, self.strips)
        copied.setContext(QtCore.Qt.ShortcutContext.WidgetShortcut)
        copied.activated.connect(self.copy_picture)

    # --- what is shown ----------------------------------------------------------------------------------------------

    def show_problems(self, problems: Sequence[str]) -> None:
        """What was missing or damaged in the file, in the window; nothing where it is whole."""
        self.banner.setText("\n".join(problems))
        self.banner.setWordWrap(True)
        self.banner.setTextFormat(QtCore.Qt.TextFormat.PlainText)
        self.banner.setTextInteractionFlags(QtCore.Qt.TextInteractionFlag.TextSelectableByMouse)
        self.banner.setProperty("ink", "over")
        self.banner.setStyleSheet("font-weight: bold;")
        self.banner.setVisible(bool(problems))

    def show_state(self, state: object) -> None:
        """What has been found or read meanwhile: marks of the diagnosis, or a second run."""
        if isinstance(state, FoundMoments):
            self.show_moments(state.moments, state.remark)
        elif isinstance(state, SecondRun):
            self.show_second(state)

    def refuse(self, text: str) -> None:
        """Why a second run cannot be shown; the first stays as it is."""
        self.told.setText(text)

    def choose_second(self) -> None:
        """Asks for the recording to lay over this one."""
        dialog = QtWidgets.QFileDialog(self, "second run, laid over this one", "", "recordings (*.h5)")
        dialog.setOption(QtWidgets.QFileDialog.DontUseNativeDialog)
        dialog.setAttribute(QtCore.Qt.WidgetAttribute.WA_DeleteOnClose)
        dialog.fileSelected.connect(self.ask_second)
        dialog.show()

    def ask_second(self, path: str) -> None:
        """Has the recording at ``path`` read and laid over this one."""
        self.told.setText(f"reading {Path(path).name} …")
        self.asked.emit(path)

    def show_moments(self, moments: Iterable[Moment], remark: str = "") -> None:
        """Marks what a diagnosis found, beside what was recorded; ``remark`` says why there is none."""
        self.strips.show_view(replace(self.strips.view, marks=with_moments(self.strips.view.marks, moments)))
        self._list_marks()
        if remark:
            self.told.setText(remark)

    def _list_marks(self) -> None:
        blocked = self.events.blockSignals(True)
        self.events.clear()
        self.events.addItems([mark.line for mark in self.strips.view.marks])
        self.events.blockSignals(blocked)

    def show_second(self, second: SecondRun) -> None:
        """Lays a second run over this one, aligned by what the box beside it says."""
        self.second = second
        self.way.clear()
        self.way.addItems([f"aligned by {way}" for way in second.ways(self.replay.run)])
        self.way.show()
        self.told.setText(f"beside: {Path(second.run.source).name or 'second run'}; {second.remark}".rstrip("; "))
        self._lay_beside()

    def _lay_beside(self) -> None:
        assert self.second is not None
        way = self.second.ways(self.replay.run)[max(self.way.currentIndex(), 0)]
        self.strips.show_view(replace(self.strips.view, beside=self.second.over(self.replay.run, way)))

    def _toggle(self, action: QtWidgets.QAction, shown: bool) -> None:
        self.strips.show_view(self.strips.view.toggled(action.data(), shown))
        blocked = action.blockSignals(True)
        action.setChecked(action.data() not in self.strips.view.hidden)
        action.blockSignals(blocked)

    def _fit(self, fits: str) -> None:
        self.strips.show_view(replace(self.strips.view, fits=fits, fixed={}))

    # --- cursor -----------------------------------------------------------------------------------------------------

    def move_to(self, time_s: float) -> None:
        """Places the cursor and shows everything that depends on it."""
        blocked = self.strips.blockSignals(True)
        self.strips.move_cursor(time_s)
        self.strips.blockSignals(blocked)
        self._follow(time_s)

    def _follow(self, time_s: float) -> None:
        self.replay = self.replay.moved_to(time_s)
        cursor_s = self.replay.cursor_s
        first, last = self.replay.span_s()
        self.slider.setValue(round(SLIDER_STEPS * (cursor_s - first) / max(last - first, 1e-9)))
        self.margin_panel.show_margins(self.replay.margins())
        state, remark = self.replay.state()
        self.chain.show_state(state, remark or f"{self.replay.run.source}   {cursor_s:.3f} s")
        self.moved.emit(cursor_s)

    def _slid(self, step: int) -> None:
        first, last = self.replay.span_s()
        self.move_to(first + (last - first) * step / SLIDER_STEPS)

    def _jump(self, row: int) -> None:
        if row >= 0:
            self.move_to(self.strips.view.marks[row].at_s)

    def _play_or_pause(self, playing: bool) -> None:
        self.play.setText("pause" if playing else "play")
        self.clock.start() if playing else self.clock.stop()

    def _tick(self) -> None:
        self.move_to(self.replay.cursor_s + TICK_MS / 1000 * PACES[self.pace.currentIndex()])
        if self.replay.cursor_s >= self.replay.span_s()[1]:
            self.play.setChecked(False)

    # --- the selected span ------------------------------------------------------------------------------------------

    def _tell_span(self) -> None:
        selected = self.strips.view.selected
        for button in self.span_buttons.values():
            button.setEnabled(selected is not None)
        self.span_line.setText(NO_SPAN if selected is None else _span_words(*selected))

    def _ask(self, kind: str, _clicked: bool = False) -> None:
        if self.strips.view.selected is not None:
            self.span_asked.emit(SpanQuestion(kind, *self.strips.view.selected))

    # --- copies -----------------------------------------------------------------------------------------------------

    def copy_picture(self) -> None:
        """What is seen, to the clipboard."""
        picture.copy(self.strips)
        self.told.setText("copied as a picture")

    def ask_and_save(self) -> None:
        """Asks for a file name; its ending says what is written."""
        name = f"{Path(self.replay.run.source).stem or 'run'}.png"
        ask_path(self, "save what is seen", name, picture.FILTERS, self.save)

    def save(self, path: Path) -> None:
        """Saves what is seen, and says so, or why not."""
        try:
            self.told.setText(picture.save(self.strips, self.replay.run, path))
        except BenchError as error:
            self.told.setText(str(error))

    def take_units(self) -> None:
        """Shows the same in the units that are chosen now."""
        found = traces(self.replay.run, self.replay.rig, self.replay.vibration)
        self.strips.show_view(replace(self.strips.view, traces=found, fixed={}))
        for action, trace in zip(self.channel_menu.actions(), found, strict=False):
            action.setText(f"{trace.name} ({trace.unit})")
        if self.second is not None:
            self._lay_beside()
        self._list_marks()
        self.margin_panel.update()

    def closeEvent(self, event: QtGui.QCloseEvent) -> None:
        """Ends the play."""
        self.clock.stop()
        super().closeEvent(event)


def _span_words(from_s: float, to_s: float) -> str:
    return f"{from_s:.3f} to {to_s:.3f} s: {to_s - from_s:.3f} s selected"


def replay_of(recorded: RecordedRun) -> ReplayPanel:
    """The replay of a run that was read, its cursor at the beginning."""
    replay = Replay(recorded.run, recorded.rig, 0.0, recorded.narrowed)
    return ReplayPanel(replay.moved_to(replay.span_s()[0]), recorded.problems)
