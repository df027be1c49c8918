"""The live run: strips that read "seconds ago", margins, events, and the few controls a run needs."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

from PyQt5 import QtCore, QtWidgets

from whirlbench.errors import BenchError
from whirlbench.log import EntryKind
from whirlbench.rig.description import Rig
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
from whirlbench.window.drawing.margin_panel import MarginPanel
from whirlbench.window.drawing.state_chain import StateChain
from whirlbench.window.drawing.strip_charts import StripStack
from whirlbench.window.drawing.strips import STRIPS, describe, limit_lines
from whirlbench.window.live.check_list_card import CheckListCard
from whirlbench.window.live.dial import Dial
from whirlbench.window.live.gate_card import GateCard
from whirlbench.window.live.live_state import SHOWN_S, LiveState, LiveTrail
from whirlbench.window.live.words_field import WordsField

BUTTONS = (
    (CommandKind.ARM, "arm"),
    (CommandKind.START, "start the plan"),
    (CommandKind.CONTINUE, "inspected, continue"),
    (CommandKind.DISARM, "throttle down and lock"),
    (CommandKind.RESET, "reset after the trip"),
)


LONGEST_NOTE = 400
NOTE_KEY = "F2"
AFTER_RUN = "inspection after the run, into the log: what you looked at and found, Enter"


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
        self.note = WordsField(f"note at this moment: {NOTE_KEY}, words, Enter", LONGEST_NOTE)
        self.note.returnPressed.connect(self._send_note)
        self.trail = LiveTrail(session.view)
        self.chain = StateChain()
        self.check_list = CheckListCard(check_list(rig) if fitted is None else check_list(rig, fitted.proof()))
        self._was_armed = self._saw_armed = False  # since the check-list was asked; ever
        self.strips = StripStack(STRIPS, "seconds ago")
        self.margin_panel = MarginPanel()
        self.events = QtWidgets.QListWidget()
        self.events.setWordWrap(True)
        self.events.setResizeMode(QtWidgets.QListView.Adjust)
        self.losses = QtWidgets.QLabel()
        self.buttons: dict[CommandKind, QtWidgets.QPushButton] = {}
        self.throttle = self._dial("throttle (us)", rig.throttle.safe_us, rig.throttle.max_us, CommandKind.THROTTLE)
        self.pitch = self._dial("pitch (deg)", *self._pitch_span(), CommandKind.PITCH)
        self._shown_events = 0
        self._arrange()
        self.strips.show_span(-SHOWN_S, 0.0)
        self.strips.show_limits(limit_lines(rig))
        self.check_list.changed.connect(self._show_latest)
        self._show_latest()

    def _pitch_span(self) -> tuple[float, float]:
        angles = [row[1] for row in self.rig.pitch.table or ((0.0, 0.0), (0.0, 0.0))]
        return min(angles), max(angles)

    def _dial(self, label: str, low: float, high: float, kind: CommandKind) -> Dial:
        box = Dial(label, low, high, decimals=1 if kind is CommandKind.PITCH else 0)
        box.valueChanged.connect(lambda value: self.session.command(kind, value))
        return box

    def _arrange(self) -> None:
        side = QtWidgets.QVBoxLayout()
        side.addWidget(QtWidgets.QLabel("share of each limit in use"))
        side.addWidget(self.margin_panel)
        side.addWidget(QtWidgets.QLabel("events"))
        side.addWidget(self.events, stretch=1)
        side.addWidget(self.losses)
        middle = QtWidgets.QHBoxLayout()
        middle.addWidget(self.strips, stretch=4)
        middle.addLayout(side, stretch=1)
        layout = QtWidgets.QVBoxLayout(self)
        layout.addWidget(self.chain)
        layout.addWidget(self.gate)
        layout.addWidget(self.check_list)
        layout.addLayout(middle, stretch=1)
        layout.addLayout(self._controls())

    def _controls(self) -> QtWidgets.QHBoxLayout:
        row = QtWidgets.QHBoxLayout()
        for kind, label in BUTTONS:
            button = QtWidgets.QPushButton(label)
            button.setFocusPolicy(
                QtCore.Qt.FocusPolicy.NoFocus
            )  # the space bar cuts the power and must press nothing else
            button.clicked.connect(lambda _checked, kind=kind: self._press(kind))
            self.buttons[kind] = button
            row.addWidget(button)
        row.addWidget(self.note, stretch=1)
        QtWidgets.QShortcut(NOTE_KEY, self, self.note.setFocus)
        row.addWidget(self.throttle)
        row.addWidget(self.pitch)
        return row

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
        self.show_state(LiveState(self.session.state(), self.session.outcome(), self.rig))

    def advance(self) -> LiveState:
        """Draws what is new and returns the state it was drawn from."""
        state = LiveState(self.session.state(), self.session.outcome(), self.rig)
        self.trail.advance()
        self._draw()
        self.show_state(state)
        return state

    def show_state(self, state: LiveState) -> None:
        """Chain, margins, events and controls; the strips are left alone."""
        self.chain.show_state(state.state(), state.remark())
        self.margin_panel.show_margins(state.margins())
        self.losses.setText(state.losses())
        self._ask_check_list(state)
        self._show_gate(state)
        self.note.setEnabled(state.outcome is None or self.ran)
        for kind, button in self.buttons.items():
            button.setEnabled(state.may(kind) and (kind is not CommandKind.ARM or self._may_arm()))
        self._follow(self.throttle, state.may(CommandKind.THROTTLE), state.readings().get("throttle_us"))
        may_pitch = state.may(CommandKind.PITCH) and bool(self.rig.pitch.table)
        self._follow(self.pitch, may_pitch, state.readings().get("pitch_deg"))
        self._list_events()

    def _ask_check_list(self, state: LiveState) -> None:
        """The check-list stands in the page until the session's first arming, and again after each trip."""
        if state.state() == "tripped" and self._was_armed:
            self._was_armed = False
            self.check_list.ask_again()
        is_armed = state.state() in ("armed", "turning")
        self._was_armed, self._saw_armed = self._was_armed or is_armed, self._saw_armed or is_armed
        self.check_list.setVisible(not self._was_armed and state.outcome is None)

    def _may_arm(self) -> bool:
        return not self.against() and (self._was_armed or self.check_list.complete())

    def _follow(self, box: Dial, enabled: bool, value: float | None) -> None:
        """A box that nobody is typing in shows what the stand does; showing it is no command."""
        box.setEnabled(enabled)
        if value is not None and value == value and not box.hasFocus():
            blocked = box.blockSignals(True)
            box.setValue(value)
            box.blockSignals(blocked)

    def _draw(self) -> None:
        age_s = self.trail.seconds_ago()
        for (channel, companion), chart in zip(STRIPS, self.strips.charts.values(), strict=True):
            if channel.name == "vibration_g":
                chart.draw(*self.trail.vibration())
            else:
                behind = self.trail.channel(companion.name) if companion else None
                chart.draw(age_s, self.trail.channel(channel.name), behind)

    def _list_events(self) -> None:
        if self.session.outcome() is not None and not self.session.alive():
            return
        events = self.session.view.events()
        for event in events[self._shown_events :]:
            self.events.addItem(describe(event))
        if len(events) != self._shown_events:
            self.events.scrollToBottom()
        self._shown_events = len(events)
