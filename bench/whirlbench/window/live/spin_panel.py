"""The stand view: state, speed and nearest limit for two metres; strips, margins, events and controls under them."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import replace
from pathlib import Path

import numpy as np
from PyQt5 import QtCore, QtGui, QtWidgets

from whirlbench.errors import BenchError
from whirlbench.log import EntryKind
from whirlbench.results.vibration import OrderWatch
from whirlbench.rig.description import Rig
from whirlbench.safety.margins import margins
from whirlbench.samples import Event, Run
from whirlbench.session.engine import Command, CommandKind, Ending, Outcome, check_list
from whirlbench.session.plan import (
    NO_CLEARANCE,
    Clearance,
    FittedSet,
    Override,
    Plan,
    override_complaint,
    refusal,
    remedy,
)
from whirlbench.session.process import SessionHandle
from whirlbench.window.drawing.live_strips import LiveStrips
from whirlbench.window.drawing.strips import STRIPS, describe, limit_lines
from whirlbench.window.live.check_list_card import CheckListCard
from whirlbench.window.live.far_figures import FarFigures
from whirlbench.window.live.gate_card import GateCard
from whirlbench.window.live.nearness_panel import NearnessPanel
from whirlbench.window.live.operating_map import OperatingMap
from whirlbench.window.live.orders_panel import OrdersPanel
from whirlbench.window.live.run_controls import NOTE_KEY, RunControls
from whirlbench.window.live.state_band import StateBand
from whirlbench.window.scrolled_area import scrolled
from whirlbench.window.stand_state.hearing import Hearing
from whirlbench.window.stand_state.limit_watch import LimitWatch, Nearness
from whirlbench.window.stand_state.live_state import LiveState
from whirlbench.window.stand_state.live_trail import ROW_NAMES, EarlierRun, LiveTrail
from whirlbench.window.stand_state.trip_cause import TripCause

AFTER_RUN = "inspection after the run, into the log: what you looked at and found, Enter"
STRIP_PX = 58  # least height of a strip that can be read
# which strips stay where not all of them fit
STRIP_RANK = ("rpm", "vibration_g", "current_a", "thrust_n", "voltage_v", "pitch_deg", "throttle_us")
RUN_PX = 150  # least height of strips and margins


class RunRow(QtWidgets.QWidget):
    """Strips and margins side by side: they want little, and take what is left; ``resized`` tells how much that is."""

    resized = QtCore.pyqtSignal()

    def __init__(self) -> None:
        super().__init__()
        self.setMinimumHeight(RUN_PX)
        self.setSizePolicy(QtWidgets.QSizePolicy.Preferred, QtWidgets.QSizePolicy.Expanding)

    def sizeHint(self) -> QtCore.QSize:
        """The least, whatever the charts would like."""
        return QtCore.QSize(600, RUN_PX)

    def hasHeightForWidth(self) -> bool:
        """Words in it that wrap have no say either."""
        return False

    def resizeEvent(self, event: QtGui.QResizeEvent) -> None:
        """As many strips as have room now, whether or not another frame comes."""
        super().resizeEvent(event)
        self.resized.emit()


class SpinPanel(QtWidgets.QWidget):
    """Shows one session; ``advance`` is called by the bridge's clock.

    ``fitted`` is the blade set on the hub with its log: without one nothing can be armed. ``plan`` is what the session
    offers to run, ``recording`` where the run is kept.
    """

    def __init__(
        self,
        session: SessionHandle,
        rig: Rig,
        fitted: FittedSet | None = None,
        plan: Plan | None = None,
        recording: Path | None = None,
    ) -> None:
        super().__init__()
        self.session, self.rig = session, rig
        self.fitted, self.plan, self.recording = fitted, plan, recording or Path("not recorded")
        self.clearance: Clearance | None = fitted.clearance() if fitted is not None else None
        self.begun = False  # said in the log, so that the end has to be said, too
        self.ran = False  # and was entered: now somebody may look at the blades
        self._log_failure = ""
        self.gate = GateCard()
        self.gate.overridden.connect(self._override)
        self.trail = LiveTrail(session.view)
        self.hearing, self.cause = Hearing(), TripCause()
        self.limit_watch = LimitWatch(rig)
        self.found: tuple[Nearness, ...] = ()
        self.band = StateBand()
        self.figures = FarFigures([margin.label for margin in margins(rig, {})])
        self.check_list = CheckListCard(check_list(rig) if fitted is None else check_list(rig, fitted.proof()))
        self._was_armed = self._saw_armed = False  # since the check-list was asked; ever
        self.strips = LiveStrips(STRIPS, ROW_NAMES, self.trail.show_columns, "seconds ago")
        self.margin_panel = NearnessPanel()
        self.events = QtWidgets.QListWidget()
        self.events.setWordWrap(True)
        self.events.setResizeMode(QtWidgets.QListView.Adjust)
        bar = self.events.verticalScrollBar()  # the newest is seen, also where nobody looked when it came
        bar.rangeChanged.connect(lambda _, lowest: bar.setValue(lowest))
        permitted_rpm = self.clearance.permitted_rpm if self.clearance is not None else None
        self.map = OperatingMap(rig, permitted_rpm)
        self.orders, self.order_watch = OrdersPanel(), OrderWatch(rig.propeller.blades)
        self.losses = QtWidgets.QLabel()
        self.losses.setWordWrap(True)
        self.controls = RunControls(rig)
        self.buttons, self.note = self.controls.buttons, self.controls.note
        self.throttle, self.pitch = self.controls.throttle, self.controls.pitch
        self.controls.pressed.connect(self._press)
        self.controls.commanded.connect(session.command)
        self.note.returnPressed.connect(self._send_note)
        QtWidgets.QShortcut(NOTE_KEY, self, self.note.setFocus)
        self._event_count, self._is_over = 0, False
        self._words: tuple[object, ...] = ()
        self._arrange()
        self.strips.show_limits(limit_lines(rig))
        self.check_list.changed.connect(self._show_latest)
        self._show_latest()

    def _arrange(self) -> None:
        """Figures and controls are always there; what lies between them scrolls on a small screen."""
        self.run = RunRow()
        self.run.resized.connect(self._fit_strips)
        middle = QtWidgets.QHBoxLayout(self.run)
        middle.setContentsMargins(0, 0, 0, 0)
        middle.addWidget(self.strips, stretch=3)
        middle.addWidget(self._side(), stretch=2)
        self.scrolled = QtWidgets.QWidget()
        column = QtWidgets.QVBoxLayout(self.scrolled)
        column.setContentsMargins(0, 0, 0, 0)
        column.addWidget(self.gate)
        column.addWidget(self.check_list)
        column.addWidget(self.run, stretch=1)
        layout = QtWidgets.QVBoxLayout(self)
        layout.setContentsMargins(6, 0, 6, 4)
        layout.setSpacing(4)
        layout.addWidget(self.figures)
        self.area = scrolled(self.scrolled)
        layout.addWidget(self.area, stretch=1)
        layout.addWidget(self.controls)

    def _side(self) -> QtWidgets.QTabWidget:
        self.side = QtWidgets.QTabWidget()
        self.side.setMinimumWidth(280)
        self.side.setFocusPolicy(QtCore.Qt.FocusPolicy.NoFocus)
        happened = QtWidgets.QWidget()
        column = QtWidgets.QVBoxLayout(happened)
        column.setContentsMargins(0, 0, 0, 0)
        column.addWidget(self.events, stretch=1)
        column.addWidget(self.losses)
        self.side.addTab(scrolled(self.margin_panel), "limits")
        self.side.addTab(self.map, "map")
        self.side.addTab(scrolled(self.orders), "vibration")
        self.side.addTab(happened, "events")
        self.side.tabBar().setFocusPolicy(QtCore.Qt.FocusPolicy.NoFocus)
        self.side.currentChanged.connect(lambda _: self._show_latest())  # of an ended session no other frame comes
        return self.side

    def show_ghost(self, earlier: Run) -> None:
        """The last run of the set, behind this one on strips and map."""
        self.strips.show_ghost(EarlierRun(earlier).columns)
        self.map.show_ghost(earlier.slow.channel("rpm"), earlier.slow.channel("pitch_deg"))

    def _fit_strips(self) -> None:
        """As many strips as can be read in the room there is."""
        most = max(2, self.run.height() // STRIP_PX)
        self.strips.show_only(STRIP_RANK[:most])

    def _press(self, kind: CommandKind) -> None:
        """A button; arming first says in log and recording what was confirmed, a continuation who says so."""
        if kind is CommandKind.CONTINUE:
            self.session.command(Command(kind, text="continue", operator=self.check_list.operator.words()))
        elif kind is not CommandKind.ARM or self._begin():
            self.session.command(kind)

    def _begin(self) -> bool:
        """The check-list into log and recording; false when the log does not take it: then nothing is armed."""
        operator, answers = self.check_list.operator.words(), self.check_list.answers()
        if not self._was_armed:
            try:
                if not self.begun and self.fitted is not None:
                    self.fitted.begin(self.recording, answers, operator)
            except BenchError as error:
                self._log_failure = str(error)
                return False
            self.begun, self._log_failure = True, ""
            for answer in answers:
                self.session.command(Command(CommandKind.CONFIRM, text=answer, operator=operator))
        return True

    def _override(self, typed_name: str, reason: str) -> None:
        """Into the log first; the engine looks at the words once more."""
        if self.clearance is None or self.fitted is None:
            return
        word = Override(typed_name, reason, self.check_list.operator.words())
        overridden = replace(self.clearance, override=word)
        self._log_failure = override_complaint(overridden)
        if not self._log_failure:
            try:
                self.fitted.enter_override(overridden, self.plan)
            except BenchError as error:
                self._log_failure = str(error)
            else:
                self.clearance = overridden
                self.session.command(
                    Command(CommandKind.OVERRIDE, text=reason, operator=word.operator, blade_set=typed_name)
                )
        self._show_latest()

    def _send_note(self) -> None:
        """A note into the recording; once the session has ended, what was found at the blades into the log."""
        words, operator = self.note.words(), self.check_list.operator.words()
        if words and self.session.outcome() is None:
            self.session.command(Command(CommandKind.NOTE, text=words, operator=operator))
        elif words and self.fitted is not None:
            try:
                self.events.addItem(self.fitted.enter(EntryKind.INSPECTION, words, operator))
            except BenchError as error:
                self.events.addItem(str(error))
        self.note.clear()
        self.note.clearFocus()

    def finish(self, outcome: Outcome) -> str:
        """Enters the run in the log once the session has ended; what became of it in one line, empty without one."""
        if not self.begun or self.fitted is None:
            return ""
        self.begun, self.ran = False, True
        self.note.setPlaceholderText(AFTER_RUN)
        armed = self._saw_armed or outcome.ending is not Ending.REFUSED
        return self.fitted.finish(self.recording, self.check_list.operator.words(), armed).text

    def against(self) -> str:
        """Why nothing may be armed: the gate's objections, or what the log did not take; empty when nothing is."""
        return "; ".join(filter(None, (refusal(self.clearance, self.rig, self.plan), self._log_failure)))

    def _show_gate(self, state: LiveState) -> None:
        clearance = self.clearance
        if clearance is None:
            self.gate.show_gate(NO_CLEARANCE, NO_CLEARANCE, "", may_override=False)
            return
        may_override = state.may(CommandKind.OVERRIDE)
        against = self.against()
        told = f"{against}. {remedy(clearance, self.rig)}." if against else ""
        self.gate.show_gate(clearance.sentence, told, clearance.override_sentence, may_override)

    def _show_latest(self) -> None:
        self.show_state(self._look())

    def _look(self) -> LiveState:
        """What the session shows now; its events are taken over once each."""
        over = self.session.outcome() is not None and not self.session.alive()
        if not self._is_over:  # the last time after the end: what came with it is told, too
            self._event_count, news = self.session.view.events_since(self._event_count)
            self._list_events(news)
        self._is_over = over
        progress = self.session.state()
        heard = self.hearing.look(progress, self.session.alive())
        return LiveState(progress, self.session.outcome(), self.rig, heard, self.cause)

    def _list_events(self, news: Sequence[Event]) -> None:
        self.cause = self.cause.after(news)
        self.strips.take_events(news)
        for event in news:
            self.events.addItem(describe(event))
        if news:
            self.events.scrollToBottom()

    def advance(self, figures: bool = True, strips: bool = True) -> LiveState:
        """Draws what is new and returns the state it was drawn from.

        Figures that move all the time are brought up to date with ``figures`` alone, samples taken and drawn with
        ``strips``; whatever is told in words, at once: a state, a trip, a refusal, that nothing is heard any more.
        """
        if strips:
            self.trail.advance()
        state = self._look()
        if figures or state.words != self._words:
            self.show_state(state)
        if strips:
            self.strips.advance()
        return state

    def show_state(self, state: LiveState) -> None:
        """Band, figures, margins and controls; the strips are left alone."""
        self._words = state.words
        rpm = state.readings().get("rpm", math.nan)
        self.band.show_state(state.state(), state.headline(), state.remark(), rpm)
        self._show_nearness(state)
        self.losses.setText(state.losses())
        self._ask_check_list(state)
        self._show_gate(state)
        self.controls.show_state(state, self._awaited(), state.outcome is None or self.ran)

    def _show_nearness(self, state: LiveState) -> None:
        taken = self.trail.take_fresh()
        fresh = {name: values for name, values in taken.channels.items() if name not in state.doubted()}
        self.found = self.limit_watch.look(
            state.progress.time_s, state.margins(), state.state(), fresh, state.device_limits()
        )
        self.figures.show_nearest(self.found[0] if self.found else None)
        self.margin_panel.show_nearness(self.found)
        if self.orders.isVisible():
            watch, view = self.order_watch, self.session.view
            self.orders.show_levels(() if state.unknown_why() else watch.look(state.progress.time_s, view.tail))
        unknown = np.full(len(taken.time_s), math.nan)
        self.map.follow(taken.time_s, fresh.get("rpm", unknown), fresh.get("pitch_deg", unknown))
        readings = state.readings()
        self.map.show_point(readings.get("rpm", math.nan), readings.get("pitch_deg", math.nan))

    def _ask_check_list(self, state: LiveState) -> None:
        """The check-list stands in the page until the session's first arming, and again once a trip was reset.

        Before that the stand coasts down, and what it does is looked at.
        """
        if state.state() == "tripped" and self._was_armed:
            self._was_armed = False
            self.check_list.ask_again()
        is_armed = state.state() in ("armed", "turning")
        self._was_armed, self._saw_armed = self._was_armed or is_armed, self._saw_armed or is_armed
        asked = not self._was_armed and state.outcome is None
        self.check_list.setVisible(asked and (not self._saw_armed or state.state() == "locked"))

    def _awaited(self) -> str:
        """What has to be done in the page before anything is armed, in few words; empty when nothing has."""
        if self.against():
            return "not cleared"
        return "" if self._was_armed else self.check_list.missing()
