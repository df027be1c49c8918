"""The main window: pages by what the operator is doing, and the power cut always in sight while a session lives."""

from __future__ import annotations

from collections.abc import Collection, Sequence
from dataclasses import replace
from pathlib import Path

from PyQt5 import QtCore, QtGui, QtWidgets

from whirlbench.errors import BenchError
from whirlbench.recording.files import read_run
from whirlbench.results.labels import spoken
from whirlbench.rig.description import Rig
from whirlbench.rig.toml import read_rig
from whirlbench.session.engine import CommandKind, Ending, Outcome
from whirlbench.session.plan import FittedSet, Plan
from whirlbench.session.process import SessionHandle
from whirlbench.window.calibration.calibration_page import CalibrationPage
from whirlbench.window.drawing.strips import Replay
from whirlbench.window.live.abort_bar import AbortBar
from whirlbench.window.live.bridge import Bridge
from whirlbench.window.live.spin_panel import SpinPanel
from whirlbench.window.menus import Menus, WindowActions
from whirlbench.window.open_pages import RIG, STAND, START, OpenPages
from whirlbench.window.pages.analysis_page import AnalysisPage
from whirlbench.window.pages.diagnosis_panel import DiagnosisPanel
from whirlbench.window.pages.page_kinds import analysis_pages, compare_page, diagnosis_page, span_page
from whirlbench.window.pages.page_work import Subject
from whirlbench.window.pages.replay_work import replay_work
from whirlbench.window.replay.replay_panel import ReplayPanel, SpanQuestion, replay_of
from whirlbench.window.rig_choice import RigChoice
from whirlbench.window.rig_form.rig_form import RigForm
from whirlbench.window.settings import Settings
from whirlbench.window.stand_access import SIMULATED, StandAccess
from whirlbench.window.stand_state.live_state import LiveState
from whirlbench.window.start_page import StartPage
from whirlbench.window.trial.trial_page import TrialPage

CAUTION = (
    "Stay out of the plane of rotation. Isolating switch within reach. Guard and site follow local codes. "
    "Figures are an aid to judgement, not a licence."
)

USUAL_SIZE = (1360, 940)
SMALLEST = (1024, 600)  # screens in use
FRAME = (8, 40)  # what the desktop draws around a window


class MainWindow(QtWidgets.QMainWindow):
    """Pages of the stand and of every open recording, one group at a time; the stand's page comes first.

    ``settings`` None keeps nothing; ``stand`` is what the command line lends, nothing by default.
    """

    def __init__(self, settings: Settings | None = None, stand: StandAccess | None = None) -> None:
        super().__init__()
        self.setWindowTitle("Whirlbench")
        self.setAcceptDrops(True)
        self.settings, self.stand = settings, stand or StandAccess()
        self.open_pages = OpenPages()
        self.page_names, self.pages = self.open_pages.names, self.open_pages.pages
        self.abort_bar = AbortBar()
        self.abort_bar.hide()
        self.abort_bar.abort.connect(self._cut)
        self.bridge: Bridge | None = None
        self.start_page: StartPage | None = None
        self._rig: Rig | None = None
        self._recording: Path | None = None
        self._subjects: dict[str, Subject] = {}
        self._connected: tuple[str, Path | None] | None = None
        self._closing = False
        self._warned_of: set[RigForm] = set()  # forms that are given up the second time
        self.rig_choice = RigChoice(self, settings)
        self.rig_choice.told.connect(self.statusBar().showMessage)
        self.rig_choice.changed.connect(self._rig_chosen)
        self._arrange()
        actions = WindowActions(
            self.open_file, self.ask_recording, self.close_recording, self.ask_recording_rig, self.show_start,
            self.choose_stand, self.choose_rig, self.show_rig_form, self.reconnect,
            lambda: not self._session_lives(),
        )  # fmt: skip
        self.menus = Menus(self, actions, self.open_pages, settings)
        self._take_size()

    def _take_size(self) -> None:
        """As it was left, else comfortable, and no larger than the screen: the power cut lies at the lower edge."""
        screen = QtWidgets.QApplication.primaryScreen()
        room = screen.availableGeometry().size() if screen is not None else QtCore.QSize(*SMALLEST)
        self.setMinimumSize(1, 1)
        self.resize(*USUAL_SIZE)
        if self.settings is not None:
            self.restoreGeometry(self.settings.geometry)
        self.resize(self.size().boundedTo(room - QtCore.QSize(*FRAME)))

    def _arrange(self) -> None:
        caution = QtWidgets.QLabel(CAUTION)
        caution.setWordWrap(True)
        row = QtWidgets.QHBoxLayout()
        row.addWidget(self.open_pages.groups)
        row.addWidget(self.page_names, stretch=1)
        layout = QtWidgets.QVBoxLayout()
        layout.setContentsMargins(4, 4, 4, 4)
        layout.setSpacing(4)
        self.band_place = QtWidgets.QVBoxLayout()
        layout.addLayout(self.band_place)
        layout.addLayout(row)
        layout.addWidget(self.pages, stretch=1)
        layout.addWidget(caution)
        layout.addWidget(self.abort_bar)
        body = QtWidgets.QWidget()
        body.setLayout(layout)
        self.setCentralWidget(body)

    def add_page(self, name: str, page: QtWidgets.QWidget, group: str = STAND) -> None:
        """Appends a page to a group and shows it if it is the first."""
        self.open_pages.add(name, page, group)

    # --- recordings -------------------------------------------------------------------------------------------------

    def show_recording(self, replay: Replay, name: str = "replay", group: str = "") -> None:
        """Adds the page of a recorded run that is at hand."""
        panel = ReplayPanel(replay)
        self.add_page(name, panel, group or Path(replay.run.source).stem or "recording")

    def open_recording(self, path: Path, beside: Path | None = None, rig_text: str = "", rig_name: str = "rig") -> str:
        """Adds the pages of the recording at ``path``, or shows them if they are open; returns their group's name.

        The file is read in a process of its own; one that cannot be read is told on its page.
        """
        subject = Subject(path, beside, rig_text, rig_name)
        group = next((name for name, open_ in self._subjects.items() if open_ == subject), None)
        if group is None:
            group = self._free_name(path.stem)
            self._subjects[group] = subject
            page = AnalysisPage(replay_of, replay_work, subject)
            page.shown.connect(lambda panel: self._replay_shown(panel, group))
            self.add_page("replay", page, group)
            self.offer_analyses(subject, has_rig=True, group=group)
        self.open_pages.show_group(group)
        self._leave_start()
        return group

    def _free_name(self, stem: str) -> str:
        """``stem``, numbered where another recording of that name is open."""
        names = [stem, *(f"{stem} ({number})" for number in range(2, len(self._subjects) + 3))]
        taken = {self.open_pages.groups.itemText(row) for row in range(self.open_pages.groups.count())}
        return next(name for name in names if name not in taken)

    def _replay_shown(self, panel: ReplayPanel, group: str) -> None:
        """A recording was read: it is remembered, and its replay answers questions."""
        subject = self._subjects[group]
        if self.settings is not None and subject.recording is not None:
            self.settings.add_recent(subject.recording)
            self.menus.show_recent(self.settings.recent())
        panel.span_asked.connect(lambda question: self.ask_span(group, question))
        panel.asked.connect(lambda path: self._compare(group, Path(path)))
        self._link_cursors(panel)

    def ask_span(self, group: str, question: SpanQuestion) -> None:
        """A page that answers a question about a span of a recording, and shows it."""
        subject = replace(self._subjects[group], span_s=(question.from_s, question.to_s))
        name = f"{question.kind} {question.from_s:.1f}–{question.to_s:.1f} s"
        self._show_new(name, span_page(question.kind, subject), group)

    def _compare(self, group: str, path: Path) -> None:
        """Beside the replay with a second run over it: what tells the two apart."""
        subject = replace(self._subjects[group], beside=path)
        self._show_new(f"compare with {path.stem}", compare_page(subject), group, 0)
        self._show_new(f"diagnosis beside {path.stem}", diagnosis_page(subject), group, 0)

    def _show_new(self, name: str, page: AnalysisPage, group: str, seen: int = 1) -> None:
        """Adds a page at the end of its group, ``seen`` at once or not; one of that name that is there is kept."""
        rows = {self.page_names.item(row).text(): row for row in self.open_pages.rows(group)}
        if name not in rows:
            page.shown.connect(self._link_cursors)
            self.add_page(name, page, group)
            rows[name] = self.page_names.count() - 1
        if seen:
            self.page_names.setCurrentRow(rows[name])

    def close_recording(self) -> None:
        """Closes every page of the recording that is seen; the stand stays."""
        group = self.open_pages.group
        if group in (STAND, START, "") or self._holds_unsaved(group):
            return
        for page in self.open_pages.take_group(group):
            close_page(page)
            page.deleteLater()
        self._subjects.pop(group, None)
        if not self.pages.count():
            self.show_start()

    def ask_recording_rig(self) -> None:
        """Asks for a rig file by which the recording that is seen is judged, instead of its own."""
        group = self.open_pages.group
        if group in self._subjects:
            self.rig_choice.ask(f"rig for {group}", lambda path: self.judge_by(group, path))
        else:
            self.statusBar().showMessage("no recording is seen: open one, then choose the rig that it is judged by")

    def judge_by(self, group: str, path: Path) -> None:
        """The pages of an open recording anew, by the rig at ``path``; one that is no rig changes nothing."""
        try:
            _, text = read_rig(path)
        except BenchError as error:
            self.statusBar().showMessage(str(error))
            return
        subject = self._subjects.pop(group)
        for page in self.open_pages.take_group(group):
            close_page(page)
            page.deleteLater()
        if subject.recording is not None:
            self.open_recording(subject.recording, subject.beside, text, str(path))

    def ask_recording(self) -> None:
        """Asks for a recording and opens it."""
        # Qt's own dialogue, not modal: a live session's clock must go on, and its power cut be in reach
        dialog = QtWidgets.QFileDialog(self, "open a recording", "", "recordings (*.h5);;all files (*)")
        dialog.setOption(QtWidgets.QFileDialog.DontUseNativeDialog)
        dialog.setFileMode(QtWidgets.QFileDialog.ExistingFiles)
        dialog.setAttribute(QtCore.Qt.WidgetAttribute.WA_DeleteOnClose)
        dialog.filesSelected.connect(self.open_files)
        dialog.show()

    def open_files(self, paths: Sequence[str | Path]) -> None:
        """Opens every recording named."""
        for path in paths:
            self.open_recording(Path(path))

    def open_file(self, path: Path) -> None:
        """Opens the recording at ``path``."""
        self.open_recording(path)

    def dragEnterEvent(self, event: QtGui.QDragEnterEvent) -> None:
        """Files may be dropped."""
        if event.mimeData().hasUrls():
            event.acceptProposedAction()

    def dropEvent(self, event: QtGui.QDropEvent) -> None:
        """Opens every file that was dropped."""
        self.open_files([url.toLocalFile() for url in event.mimeData().urls() if url.isLocalFile()])

    def offer_analyses(
        self, subject: Subject, has_rig: bool, group: str = STAND, without: Collection[str] = ()
    ) -> None:
        """Adds the pages that ``subject`` could answer but those named in ``without``, to ``group``.

        Each is computed when it is first opened.
        """
        for name, page in analysis_pages(subject, has_rig, without):
            page.shown.connect(self._link_cursors)
            page.rig_wanted.connect(self.ask_recording_rig)
            self.add_page(name, page, group)

    def _link_cursors(self, panel: QtWidgets.QWidget) -> None:
        """The diagnoses and the replay of the same run share one place in time."""
        found = [page.panel if isinstance(page, AnalysisPage) else page for page in self.open_pages.all()]
        others = [other for other in found if other is not panel and _source(other) == _source(panel) != ""]
        for other in others:
            if isinstance(panel, DiagnosisPanel) != isinstance(other, DiagnosisPanel):
                replay, diagnosis = (other, panel) if isinstance(panel, DiagnosisPanel) else (panel, other)
                replay.moved.connect(diagnosis.move_to)
                diagnosis.moved.connect(replay.move_to)

    # --- start ------------------------------------------------------------------------------------------------------

    def show_start(self) -> None:
        """The page from which everything else is opened."""
        if self.start_page is None:
            self.start_page = StartPage(self.stand.start is not None)
            self.start_page.open_wanted.connect(self.ask_recording)
            self.start_page.file_chosen.connect(self.open_file)
            self.start_page.stand_chosen.connect(self.choose_stand)
            self.start_page.look_again.connect(self._look_for_stands)
            self.start_page.rig_wanted.connect(self.choose_rig)
            self.start_page.rig_form_wanted.connect(self.show_rig_form)
            self.add_page("start", self.start_page, START)
        self._look_for_stands()
        self.start_page.show_rig(self.rig_choice.path)
        self.start_page.show_recent(self.settings.recent() if self.settings is not None else ())
        self.open_pages.show_group(START)

    def _look_for_stands(self) -> None:
        if self.start_page is not None:
            self.start_page.show_ports(self.stand.ports())

    def _leave_start(self) -> None:
        """Once something is open, the start page has done its work."""
        if self.start_page is not None:
            self.open_pages.take_group(START)
            self.start_page.deleteLater()
            self.start_page = None

    def choose_stand(self, port: str) -> None:
        """Starts a session at ``port`` with the rig chosen; a stand with hardware needs one, which is asked for."""
        if port == SIMULATED or self.rig_choice.path is not None:
            self.connect_stand(port, self.rig_choice.path)
        else:
            self.rig_choice.ask(f"rig of the stand at {port}", lambda path: self._connect_with(port, path))

    def _connect_with(self, port: str, path: Path) -> None:
        if self.rig_choice.take(path):
            self.connect_stand(port, path)

    def choose_rig(self) -> None:
        """Asks for the rig file that sessions are started with."""
        self.rig_choice.ask("rig of the stand", self._take_rig)

    def _take_rig(self, path: Path) -> None:
        self.rig_choice.take(path)

    def _rig_chosen(self, path: Path) -> None:
        self.statusBar().showMessage(f"rig: {path}")
        if self.start_page is not None:
            self.start_page.show_rig(path)
            self.start_page.tell("")

    def show_rig_form(self, new: bool) -> None:
        """The rig file as a form; not beside a live session, where the space bar cuts the power and types nothing."""
        if self._session_lives():
            self.statusBar().showMessage("a session is running, and holds the rig as it was: end it first")
            return
        if not self.open_pages.rows(RIG):
            form = self.rig_choice.form(new)
            if form is None:
                return
            self.add_page("rig", form, RIG)
        self.open_pages.show_group(RIG)

    def _holds_unsaved(self, group: str = "") -> bool:
        """Whether a form of the group (empty: any) would be lost, said once: the second time it is given up."""
        pages = self.open_pages.of_group(group) if group else self.open_pages.all()
        for page in pages:
            if isinstance(page, RigForm) and page.is_touched and page not in self._warned_of:
                self._warned_of.add(page)
                self.open_pages.show_group(RIG)
                self.statusBar().showMessage("the rig is not saved: save it, or close once more to give it up")
                return True
        return False

    def _session_lives(self) -> bool:
        return self.bridge is not None and self.bridge.session.outcome() is None

    def connect_stand(self, port: str, rig_path: Path | None) -> None:
        """Starts a session; the pages of one that has ended make room for it. One that lives is left alone."""
        if self._session_lives():
            self.statusBar().showMessage("a session is running: end it first")
            return
        if self.stand.start is None:
            self.statusBar().showMessage("no stand can be reached from here: start `whirlbench window`")
            return
        self._forget_session()
        self.statusBar().clearMessage()  # of an earlier one: how it ended, or why it was not started
        try:
            self.stand.start(self, port, rig_path)
        except BenchError as error:
            self.statusBar().showMessage(str(error))
            if not self.pages.count():
                self.show_start()
            if self.start_page is not None:
                self.start_page.tell(f"no session was started: {error}")
            return
        self.connected(port, rig_path)
        self._leave_start()

    def connected(self, port: str, rig_path: Path | None) -> None:
        """A session was started at ``port``: `reconnect` goes there again."""
        self._connected = (port, rig_path)

    def reconnect(self) -> None:
        """The stand of the last session once more, without a restart of the program."""
        if self._connected is None:
            self.statusBar().showMessage("no stand was connected yet: choose one on the start page")
        else:
            self.connect_stand(*self._connected)

    def _forget_session(self) -> None:
        """Takes away the pages of a session that has ended; its recording stays open."""
        if self.bridge is not None:
            self.band_place.removeWidget(self.bridge.panel.band)
            self.bridge.panel.band.deleteLater()
            self.bridge.close()
            self.bridge = None
        for page in self.open_pages.take_group(STAND):
            close_page(page)
            page.deleteLater()

    # --- session ----------------------------------------------------------------------------------------------------

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
        self.abort_bar.take_space_bar()
        self.abort_bar.show()
        self.band_place.addWidget(panel.band)  # across the whole width, whatever page is open
        self.add_page("spin", panel, STAND)
        self.open_pages.show_group(STAND)
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

    def _cut(self) -> None:
        """The power cut of the session that lives now."""
        if self.bridge is not None:
            self.bridge.abort()

    def _follow(self, state: LiveState) -> None:
        self.abort_bar.offer(state.may(CommandKind.ABORT), not state.unknown_why())

    def _session_ended(self, outcome: Outcome) -> None:
        self.abort_bar.offer(may_cut=False, known=False)
        self.abort_bar.leave_space_bar()
        entered = self.bridge.panel.finish(outcome) if self.bridge is not None else ""
        told = ": ".join(filter(None, ("session ended", outcome.ending, spoken(outcome.reason))))
        self.statusBar().showMessage("; ".join(filter(None, (told, entered))))
        if self._closing:
            self.close()
        elif outcome.ending not in (Ending.REFUSED, Ending.FAILED):
            self._offer_session()

    def _offer_session(self) -> None:
        """Pages of the run that has just ended, without leaving the page that is seen."""
        if self._recording is None or not self._recording.exists():
            return
        here = self.page_names.currentRow()
        self.open_recording(self._recording)
        self.page_names.setCurrentRow(here)

    def cut_and_close(self) -> None:
        """The way out in a hurry, asked for from outside: the power is cut, the window closes once that is recorded."""
        if self.bridge is not None:
            self.bridge.abort()
        self._closing = True  # nothing else holds it up
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
        if not self._closing and self._holds_unsaved():
            event.ignore()
            return
        self.abort_bar.leave_space_bar()
        if bridge is not None:
            bridge.close()
        for page in self.open_pages.all():
            close_page(page)
        if self.settings is not None:
            self.settings.geometry = self.saveGeometry()
            self.settings.save()
        event.accept()


def close_page(page: QtWidgets.QWidget) -> None:
    """Ends what a page has under way."""
    if isinstance(page, AnalysisPage | CalibrationPage | TrialPage):
        page.close_work()
    page.close()


def _source(page: object) -> str:
    """The recording that a page with a place in time is about; empty for any other page."""
    if isinstance(page, ReplayPanel):
        return page.replay.run.source
    return page.diagnosis.view.source if isinstance(page, DiagnosisPanel) else ""
