"""A recorded run under a time cursor: strips, margins, events, and play at a chosen pace."""

from __future__ import annotations

from PyQt5 import QtCore, QtGui, QtWidgets

from whirlbench.window.drawing.margin_panel import MarginPanel
from whirlbench.window.drawing.state_chain import StateChain
from whirlbench.window.drawing.strip_charts import StripStack
from whirlbench.window.drawing.strips import STRIPS, Replay, describe, limit_lines, vibration_magnitude_g

SLIDER_STEPS = 10_000
TICK_MS = 33
PACES = (0.1, 0.25, 0.5, 1.0, 2.0, 5.0, 10.0, 30.0, 100.0)


class ReplayPanel(QtWidgets.QWidget):
    """Shows one Replay; the cursor follows the slider, a drag on a chart, an event or the clock; ``moved`` tells."""

    moved = QtCore.pyqtSignal(float)

    def __init__(self, replay: Replay) -> None:
        super().__init__()
        self.replay = replay
        self.chain = StateChain()
        self.strips = StripStack(STRIPS, "time in the run (s)")
        self.margin_panel = MarginPanel()
        self.narrowed = QtWidgets.QLabel(replay.narrowed)
        self.events = QtWidgets.QListWidget()
        self.events.setWordWrap(True)
        self.events.setResizeMode(QtWidgets.QListView.Adjust)
        self.slider = QtWidgets.QSlider(QtCore.Qt.Orientation.Horizontal)
        self.pace = QtWidgets.QComboBox()
        self.play = QtWidgets.QPushButton("play")
        self.clock = QtCore.QTimer(self)
        self._arrange()
        self._connect()
        self._fill()
        self.move_to(replay.cursor_s)

    def _arrange(self) -> None:
        side = QtWidgets.QVBoxLayout()
        heading = QtWidgets.QLabel("share of each limit in use")
        self.narrowed.setWordWrap(True)
        self.narrowed.setTextFormat(QtCore.Qt.TextFormat.PlainText)
        self.narrowed.setVisible(bool(self.replay.narrowed))
        for widget in (heading, self.margin_panel, self.narrowed, QtWidgets.QLabel("events")):
            side.addWidget(widget)
        side.addWidget(self.events, stretch=1)
        middle = QtWidgets.QHBoxLayout()
        middle.addWidget(self.strips, stretch=4)
        middle.addLayout(side, stretch=1)
        below = QtWidgets.QHBoxLayout()
        for widget in (self.play, self.pace, self.slider):
            below.addWidget(widget)
        layout = QtWidgets.QVBoxLayout(self)
        layout.addWidget(self.chain)
        layout.addLayout(middle, stretch=1)
        layout.addLayout(below)

    def _connect(self) -> None:
        self.slider.setRange(0, SLIDER_STEPS)
        self.slider.sliderMoved.connect(self._slid)
        self.strips.cursor_moved.connect(self.move_to)
        self.events.currentRowChanged.connect(self._jump)
        self.pace.addItems([f"{pace:g}×" for pace in PACES])
        self.pace.setCurrentIndex(PACES.index(1.0))
        self.play.setCheckable(True)
        self.play.toggled.connect(self._play_or_pause)
        self.clock.setInterval(TICK_MS)
        self.clock.timeout.connect(self._tick)

    def _fill(self) -> None:
        run, rig = self.replay.run, self.replay.rig
        for (channel, companion), chart in zip(STRIPS, self.strips.charts.values(), strict=True):
            if channel.name == "vibration_g":
                axes = {name: getattr(run.vibration, name) for name in run.vibration.axes()}
                magnitude = vibration_magnitude_g(axes)
                chart.draw(run.vibration.time_s[: len(magnitude)], magnitude)
            else:
                behind = run.slow.channel(companion.name) if companion else None
                chart.draw(run.slow.time_s, run.slow.channel(channel.name), behind)
        self.strips.show_limits(limit_lines(rig))
        self.strips.show_span(*self.replay.span_s())
        self.events.addItems([describe(event) for event in run.events])

    def move_to(self, time_s: float) -> None:
        """Places the cursor and shows everything that depends on it."""
        self.replay = self.replay.moved_to(time_s)
        cursor_s = self.replay.cursor_s
        first, last = self.replay.span_s()
        self.slider.setValue(round(SLIDER_STEPS * (cursor_s - first) / max(last - first, 1e-9)))
        self.strips.show_cursor(cursor_s)
        self.margin_panel.show_margins(self.replay.margins())
        state, remark = self.replay.state()
        self.chain.show_state(state, remark or f"{self.replay.run.source}   {cursor_s:.3f} s")
        self.moved.emit(cursor_s)

    def _slid(self, step: int) -> None:
        first, last = self.replay.span_s()
        self.move_to(first + (last - first) * step / SLIDER_STEPS)

    def _jump(self, row: int) -> None:
        if row >= 0:
            self.move_to(self.replay.run.events[row].time_s)

    def _play_or_pause(self, playing: bool) -> None:
        self.play.setText("pause" if playing else "play")
        self.clock.start() if playing else self.clock.stop()

    def _tick(self) -> None:
        self.move_to(self.replay.cursor_s + TICK_MS / 1000 * PACES[self.pace.currentIndex()])
        if self.replay.cursor_s >= self.replay.span_s()[1]:
            self.play.setChecked(False)

    def closeEvent(self, event: QtGui.QCloseEvent) -> None:
        """Ends the play."""
        self.clock.stop()
        super().closeEvent(event)
