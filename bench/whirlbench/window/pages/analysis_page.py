"""A page that is computed when it is first opened: progress, the way to stop, then its panel, or why there is none."""

from __future__ import annotations

import time
from collections.abc import Callable
from typing import Any

from PyQt5 import QtCore, QtGui, QtWidgets

from whirlbench.results.labels import spoken
from whirlbench.window import shown_units
from whirlbench.window.pages.worker import Doing, Early, Refusal, Work, Worker

LISTEN_MS = 40
STOPPED = "stopped; nothing was changed"


class AnalysisPage(QtWidgets.QStackedWidget):
    """Runs ``work(*args)`` in a process of its own and shows what it yields by the panel that ``make_panel`` makes.

    A panel with a signal ``asked`` puts questions to the work; its ``show_state(state)`` and ``refuse(text)`` get the
    answers. Without that signal the work ends with its first result.
    """

    shown = QtCore.pyqtSignal(object)  # the panel, once
    rig_wanted = QtCore.pyqtSignal()  # another rig file, for the one there is will not do

    def __init__(self, make_panel: Callable[[Any], QtWidgets.QWidget], work: Work, *args: object) -> None:
        super().__init__()
        self.advice = ""  # what would make the work succeed, told where it did not
        self._make_panel, self._work, self._args = make_panel, work, args
        self.panel: Any = None
        self.line = QtWidgets.QLabel()
        self.line.setWordWrap(True)
        self.line.setTextFormat(QtCore.Qt.TextFormat.PlainText)
        self.hint = QtWidgets.QLabel()
        self.hint.setWordWrap(True)
        self.hint.setTextFormat(QtCore.Qt.TextFormat.PlainText)
        self.button = QtWidgets.QPushButton()
        self.button.setFocusPolicy(QtCore.Qt.FocusPolicy.NoFocus)
        self.button.clicked.connect(self._stop_or_begin)
        self.rig_button = QtWidgets.QPushButton("choose a rig file …")
        self.rig_button.setFocusPolicy(QtCore.Qt.FocusPolicy.NoFocus)
        self.rig_button.clicked.connect(lambda _=False: self.rig_wanted.emit())
        self.rig_button.hide()
        self._worker: Worker | None = None
        self._begun_s = 0.0
        self._doing = ""
        self._clock = QtCore.QTimer(self)
        self._clock.setInterval(LISTEN_MS)
        self._clock.timeout.connect(self._listen)
        self.addWidget(self._waiting_card())

    def _waiting_card(self) -> QtWidgets.QWidget:
        card = QtWidgets.QWidget()
        layout = QtWidgets.QVBoxLayout(card)
        layout.setContentsMargins(24, 24, 24, 24)
        layout.addWidget(self.line)
        layout.addWidget(self.hint)
        for button in (self.button, self.rig_button):
            layout.addWidget(button, alignment=QtCore.Qt.AlignmentFlag.AlignLeft)
        layout.addStretch(1)
        return card

    @property
    def working(self) -> bool:
        """Whether a first result is still awaited."""
        return self._worker is not None and self.panel is None

    def showEvent(self, event: QtGui.QShowEvent) -> None:
        """Computes the page when it is first seen."""
        super().showEvent(event)
        if self._worker is None and self.panel is None and not self.line.text():
            self.begin()

    def begin(self) -> None:
        """Starts the work; a page that is at it already goes on."""
        if self._worker is not None:
            return
        self._begun_s = time.monotonic()
        self._say("starting", "ink")
        self.button.setText("stop")
        self.rig_button.hide()
        self.hint.clear()
        self._worker = Worker(self._work, *self._args)
        self._clock.start()

    def close_work(self) -> None:
        """Ends the work, finished or not; the panel stays."""
        self._clock.stop()
        if self._worker is not None:
            self._worker.close()
            self._worker = None

    def _stop_or_begin(self) -> None:
        if self._worker is None:
            self.begin()
        else:
            self._give_up(STOPPED, "ink")

    def _give_up(self, text: str, ink: str) -> None:
        self.close_work()
        self._say(text, ink)
        self.button.setText("compute again")

    def _say(self, text: str, ink: str) -> None:
        self._doing = text
        self.line.setProperty("ink", ink)
        self.line.setStyleSheet("font-size: 15px;")
        self.line.setText(text)

    def _listen(self) -> None:
        worker = self._worker
        if worker is None:
            return
        alive = worker.alive()  # asked before the last news is read: nothing said before dying is missed
        for news in worker.news():
            self._take(news)
        if not alive and self._worker is not None:
            self._ended()
        elif self.working:
            self.line.setText(f"{self._doing} … {time.monotonic() - self._begun_s:.0f} s")

    def _take(self, news: object) -> None:
        if isinstance(news, Doing):
            self._say(news.text, "ink")
        elif isinstance(news, Refusal) and self.panel is None:
            self._give_up(shown_units.text(spoken(news.text)), "over")
            self.hint.setText(self.advice)
            self.rig_button.setVisible(news.wants_rig)
        elif isinstance(news, Refusal):
            self.panel.refuse(spoken(news.text))
        else:
            self._show(news.result if isinstance(news, Early) else news, settled=not isinstance(news, Early))

    def _show(self, state: object, settled: bool) -> None:
        if self.panel is None:
            self._show_panel(state)
        else:
            self.panel.show_state(state)
        if settled and not hasattr(self.panel, "asked"):
            self.close_work()

    def _show_panel(self, state: object) -> None:
        self.panel = self._make_panel(state)
        if hasattr(self.panel, "asked"):
            self.panel.asked.connect(self._ask)
        self.addWidget(self.panel)
        self.setCurrentWidget(self.panel)
        self.shown.emit(self.panel)

    def _ask(self, question: object) -> None:
        if self._worker is not None:
            self._worker.ask(question)

    def _ended(self) -> None:
        """The work has said all it had to say, or died."""
        if self.panel is None:
            self._give_up("the computation ended without a result; see the terminal", "over")
        else:
            self.close_work()
