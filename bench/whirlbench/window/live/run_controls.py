"""What a run needs of hands: five buttons, a note, and two set-points that have to be meant."""

from __future__ import annotations

import math

from PyQt5 import QtCore, QtWidgets

from whirlbench.rig.description import Rig
from whirlbench.session.engine import CommandKind
from whirlbench.window.live.set_point_box import Bounds, HoldButton, SetPointBox
from whirlbench.window.live.words_field import WordsField
from whirlbench.window.stand_state.live_state import LiveState

BUTTONS = (
    (CommandKind.ARM, "arm"),
    (CommandKind.START, "start the plan"),
    (CommandKind.CONTINUE, "inspected, continue"),
    (CommandKind.DISARM, "throttle down and lock"),
    (CommandKind.RESET, "reset after the trip"),
)
LONGEST_NOTE = 400
NOTE_KEY = "F2"
TYPING = "_ types a blank; the space bar cuts the power"
NOTE = f"note at this moment: {NOTE_KEY}, words, Enter"
# Steps of one command: an eighth of a usual throttle's travel, so that one wrong digit does not open it (common
# practice, no source).
THROTTLE_STEP_US, HELD_THROTTLE_US = 100.0, 10.0
PITCH_STEP_DEG, HELD_PITCH_DEG = 3.0, 0.5


class RunControls(QtWidgets.QWidget):
    """Two rows under the run; ``pressed`` comes with a button's command, ``commanded`` with a set-point's and value.

    The buttons take no keyboard: the space bar cuts the power and must press nothing else.
    """

    pressed = QtCore.pyqtSignal(object)  # CommandKind
    commanded = QtCore.pyqtSignal(object, float)

    def __init__(self, rig: Rig) -> None:
        super().__init__()
        self._has_pitch = bool(rig.pitch.table)
        self.buttons = {kind: self._button(kind, label) for kind, label in BUTTONS}
        self.note = WordsField(NOTE, LONGEST_NOTE)
        self.note.typing.connect(lambda on: self.said.setText(TYPING if on else ""))
        self.said, self.awaited = QtWidgets.QLabel(), QtWidgets.QLabel()
        for label in (self.said, self.awaited):
            label.setProperty("ink", "caution")
        throttle = rig.throttle
        self.throttle = self._box(
            "throttle (us)", CommandKind.THROTTLE, 0,
            Bounds(throttle.safe_us, throttle.max_us, THROTTLE_STEP_US, HELD_THROTTLE_US, True, throttle.min_us),
        )  # fmt: skip
        angles = [row[1] for row in rig.pitch.table or ((0.0, 0.0),)]
        bounds = Bounds(min(angles), max(angles), PITCH_STEP_DEG, HELD_PITCH_DEG)
        self.pitch = self._box("pitch (deg)", CommandKind.PITCH, 1, bounds)
        self.holds = tuple(HoldButton(box, sign) for box in (self.throttle, self.pitch) for sign in (-1, 1))
        self._arrange()

    def _tell_awaited(self, awaited: str) -> None:
        """Beside the buttons, and where the pointer rests: what the one that cannot be pressed waits for."""
        words = f"arm waits: {awaited}" if awaited else ""
        if words != self.awaited.text():
            self.awaited.setText(words)
            self.buttons[CommandKind.ARM].setToolTip(words)
            self.buttons[CommandKind.ARM].setAccessibleDescription(words)

    def _button(self, kind: CommandKind, label: str) -> QtWidgets.QPushButton:
        button = QtWidgets.QPushButton(label)
        button.setFocusPolicy(QtCore.Qt.FocusPolicy.NoFocus)
        button.clicked.connect(lambda _checked: self.pressed.emit(kind))
        return button

    def _box(self, label: str, kind: CommandKind, decimals: int, bounds: Bounds) -> SetPointBox:
        box = SetPointBox(label, bounds, decimals)
        box.commanded.connect(self.said.clear)
        box.commanded.connect(lambda value: self.commanded.emit(kind, value))
        box.refused.connect(self.said.setText)
        return box

    def _arrange(self) -> None:
        top, low = QtWidgets.QHBoxLayout(), QtWidgets.QHBoxLayout()
        for button in self.buttons.values():
            top.addWidget(button)
        top.addStretch(1)
        for place, box in enumerate((self.throttle, self.pitch)):
            low.addWidget(box)
            for hold in self.holds[2 * place : 2 * place + 2]:
                low.addWidget(hold)
        low.addWidget(self.note, stretch=1)
        column = QtWidgets.QVBoxLayout(self)
        column.setContentsMargins(0, 0, 0, 0)
        column.setSpacing(4)
        column.addLayout(top)
        column.addLayout(low)
        top.addWidget(self.awaited)
        top.addWidget(self.said)

    def show_state(self, state: LiveState, awaited: str, may_note: bool) -> None:
        """What may be commanded now; the set-points show what the stand does. ``awaited`` comes before any arming."""
        for kind, button in self.buttons.items():
            button.setEnabled(state.may(kind) and (kind is not CommandKind.ARM or not awaited))
        self._tell_awaited(state.arming_awaits() or awaited if state.state() == "locked" else "")
        self.note.setEnabled(may_note)
        readings = state.readings()
        may_pitch = state.may(CommandKind.PITCH) and self._has_pitch
        self.throttle.show_present(readings.get("throttle_us", math.nan), state.may(CommandKind.THROTTLE))
        self.pitch.show_present(readings.get("pitch_deg", math.nan), may_pitch)
        for place, hold in enumerate(self.holds):
            hold.setEnabled((self.throttle, self.pitch)[place // 2].isEnabled())
