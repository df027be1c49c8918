"""The main window: pages by what the operator is doing, and the power cut always in sight while a session lives."""

from __future__ import annotations

from collections.abc import Collection
from pathlib import Path

from PyQt5 import QtCore, QtGui, QtWidgets

from whirlbench.errors import BenchError
from whirlbench.recording.files import read_run
from whirlbench.rig.description import Rig
from whirlbench.session.engine import CommandKind, Ending, Outcome
from whirlbench.session.plan import FittedSet, Plan
from whirlbench.session.process import SessionHandle
from whirlbench.window.calibration.calibration_page import CalibrationPage
from whirlbench.window.drawing.strips import Replay
from whirlbench.window.live.abort_bar import AbortBar
from whirlbench.window.live.bridge import Bridge
from whirlbench.window.live.spin_panel import SpinPanel
from whirlbench.window.pages.analysis_page import AnalysisPage
from whirlbench.window.pages.diagnosis_panel import DiagnosisPanel
from whirlbench.window.pages.page_kinds import analysis_pages
from whirlbench.window.pages.page_work import Subject
from whirlbench.window.replay.replay_panel import ReplayPanel
from whirlbench.window.stand_state.live_state import LiveState

CAUTION = (
    "Stay out of the plane of rotation. Isolating switch within reach. Guard and site follow local codes. "
    "Figures are an aid to judgement, not a licence."
)

OF_SESSION, OF_FILE = " of the spin", " of the file"


SMALLEST = (1024, 600)  # screens in use
FRAME = (8, 40)  # what the desktop draws around a window


class PageStack(QtWidgets.QStackedWidget):
    """Pages that take the room there is: one that wants more must not push the power cut off the screen."""

    def minimumSizeHint(self) -> QtCore.QSize:
        """Little, whatever the pages say."""
        return QtCore.QSize(400, 120)


class MainWindow(QtWidgets.QMainWindow):
    """Pages in a list on the left; the page of the live session, when there is one, comes first."""

    def __init__(self) -> None:
        super().__init__()
        self.setWindowTitle("Whirlbench")
        self._take_size()
        self.page_names = QtWidgets.QListWidget()
        self.page_names.setFixedWidth(150)
        self.page_names.setFocusPolicy(QtCore.Qt.FocusPolicy.NoFocus)
        self.pages = PageStack()
        self.page_names.currentRowChanged.connect(self.pages.setCurrentIndex)
        self.abort_bar = AbortBar()
        self.abort_bar.hide()
        self.bridge: Bridge | None = None
        self._rig: Rig | None = None
        self._recording: Path | None = None
        self._closing = False
        self._arrange()

    def _take_size(self) -> None:
        """As large as is comfortable, and no larger than the screen: the power cut lies at the lower edge."""
        screen = QtWidgets.QApplication.primaryScreen()
        room = screen.availableGeometry().size() if screen is not None else QtCore.QSize(*SMALLEST)
        self.setMinimumSize(1, 1)
        self.resize(QtCore.QSize(1360, 940).boundedTo(room - QtCore.QSize(*FRAME)))

    def _arrange(self) -> None:
        caution = QtWidgets.QLabel(CAUTION)
        caution.setWordWrap(True)
        row = QtWidgets.QHBoxLayout()
        row.addWidget(self.page_names)
        row.addWidget(self.pages, stretch=1)
        layout = QtWidgets.QVBoxLayout()
        layout.setContentsMargins(4, 4, 4, 4)
        layout.setSpacing(4)
        self.band_place = QtWidgets.QVBoxLayout()
        layout.addLayout(self.band_place)
        layout.addLayout(row, stretch=1)
        layout.addWidget(caution)
        layout.addWidget(self.abort_bar)
        body = QtWidgets.QWidget()
        body.setLayout(layout)
        self.setCentralWidget(body)

    def add_page(self, name: str, page: QtWidgets.QWidget) -> None:
        """Appends a page and shows it if it is the first.

        One whose name is taken already is that of a file beside a session, and named so.
        """
        taken = bool(self.page_names.findItems(name, QtCore.Qt.MatchFlag.MatchExactly))
        self.pages.addWidget(page)
        self.page_names.addItem(f"{name}{OF_FILE}" if taken else name)
        if self.pages.count() == 1:
            self.page_names.setCurrentRow(0)

    def show_recording(self, replay: Replay, name: str = "replay") -> None:
        """Adds the page of a recorded run."""
        self.add_page(name, ReplayPanel(replay))

    def offer_analyses(self, subject: Subject, has_rig: bool, suffix: str = "", without: Collection[str] = ()) -> None:
        """Adds the pages that ``subject`` could answer but those named in ``without``.

        Each is computed when it is first opened; ``suffix`` tells pages of several recordings apart.
        """
        for name, page in analysis_pages(subject, has_rig, without):
            page.shown.connect(self._link_cursors)
            self.add_page(name + suffix, page)

    def _link_cursors(self, panel: QtWidgets.QWidget) -> None:
        """The diagnosis and the replay of the same run share one place in time."""
        if not isinstance(panel, DiagnosisPanel):
            return
        for replay in (self.pages.widget(row) for row in range(self.pages.count())):
            if isinstance(replay, ReplayPanel) and replay.replay.run.source == panel.diagnosis.view.source:
                replay.moved.connect(panel.move_to)
                panel.moved.connect(replay.move_to)

    def show_session(
        self,
        session: SessionHandle,
        rig: Rig,
        recording: Path | None = None,
        fitted: FittedSet | None = None,
        plan: Plan | None = None,
    ) -> None:
        """Adds the page of a live session and puts the power cut in reach.

        Once the session has ended, the pages of its ``recording`` are offered. See ``SpinPanel`` for the rest.
        """
        panel = SpinPanel(session, rig, fitted, plan, recording)
        self.bridge = Bridge(session, panel)
        self._rig, self._recording = rig, recording
        self.bridge.changed.connect(self._follow)
        self.bridge.ended.connect(self._session_ended)
        self.abort_bar.abort.connect(self.bridge.abort)
        self.abort_bar.take_space_bar()
        self.abort_bar.show()
        self.band_place.addWidget(panel.band)  # across the whole width, whatever page is open
        self.add_page("spin", panel)
        if fitted is not None and recording is not None:
            self._show_last_run(panel, fitted, recording)

    def _show_last_run(self, panel: SpinPanel, fitted: FittedSet, recording: Path) -> None:
        """The set's last run as a ghost behind this one; where that cannot be read, this run does without."""
        try:
            earlier = fitted.latest_run(recording.parent)
            if earlier is not None and earlier != recording:
                panel.show_ghost(read_run(earlier))
        except BenchError as error:
            self.statusBar().showMessage(f"the last run of the set is not shown: {error}")

    def _follow(self, state: LiveState) -> None:
        self.abort_bar.offer(state.may(CommandKind.ABORT), not state.unknown_why())

    def _session_ended(self, outcome: Outcome) -> None:
        self.abort_bar.offer(may_cut=False, known=False)
        self.abort_bar.leave_space_bar()
        entered = self.bridge.panel.finish(outcome) if self.bridge is not None else ""
        told = (f"session ended: {outcome.ending} {outcome.reason}".strip(), entered)
        self.statusBar().showMessage("; ".join(filter(None, told)))
        if self._closing:
            self.close()
        elif outcome.ending not in (Ending.REFUSED, Ending.FAILED):
            self._offer_session()

    def _offer_session(self) -> None:
        """Pages of the run that has just ended."""
        if self._recording is None or not self._recording.exists() or self._rig is None:
            return
        try:
            run = read_run(self._recording)
        except BenchError as error:
            self.statusBar().showMessage(str(error))
            return
        replay = Replay(run, self._rig, 0.0)
        self.show_recording(replay.moved_to(replay.span_s()[0]), f"replay{OF_SESSION}")
        self.offer_analyses(Subject(self._recording), True, OF_SESSION, without=("check",))  # its rig is there already

    def cut_and_close(self) -> None:
        """The way out in a hurry, asked for from outside: the power is cut, the window closes once that is recorded."""
        if self.bridge is not None:
            self.bridge.abort()
        self.close()

    def closeEvent(self, event: QtGui.QCloseEvent) -> None:
        """A live session is first brought to rest: closing the window must not end in a heartbeat trip."""
        bridge = self.bridge
        if bridge is not None and bridge.session.outcome() is None:
            self._closing = True
            self.statusBar().showMessage("throttle down, waiting for rest; the window closes by itself")
            bridge.finish()
            event.ignore()
            return
        self.abort_bar.leave_space_bar()
        if bridge is not None:
            bridge.close()
        for page in (self.pages.widget(row) for row in range(self.pages.count())):
            if isinstance(page, AnalysisPage | CalibrationPage):
                page.close_work()
        for index in range(self.pages.count()):
            self.pages.widget(index).close()
        event.accept()
