"""A set-point of the stand: a number that is sent on Enter alone, and buttons that step it while they are held."""

from __future__ import annotations

import math
from dataclasses import dataclass

from PyQt5 import QtCore, QtGui, QtWidgets

HOLD_MS, REPEAT_MS = 600, 300  # a touch in passing commands nothing (common practice, no source)
ENTER = (QtCore.Qt.Key.Key_Return, QtCore.Qt.Key.Key_Enter)


@dataclass(frozen=True)
class Bounds:
    """What one command may do: range, greatest step at once, and the step of a held button, in the box's unit.

    ``down_free``: a step down may be of any size, as that of a throttle. ``idle``: below it nothing turns yet, and a
    step up counts from there: a motor that is driven and does not start soon is a lost tach.
    """

    low: float
    high: float
    step: float
    held_step: float
    down_free: bool = False
    idle: float = -math.inf

    def start(self, present: float) -> float:
        """What a step up counts from."""
        return max(present, self.idle)

    def objection(self, present: float, asked: float) -> str:
        """Why ``asked`` is not sent while the stand is at ``present`` (NaN: not known); empty when it is."""
        if self.down_free and asked <= self.low:
            return ""
        if math.isnan(present):
            return "not sent: the present value is not known"
        start = self.start(present) if asked > present else present
        if (self.down_free and asked <= present) or abs(asked - start) <= self.step * (1 + 1e-9):
            return ""
        return f"not sent: from {start:g} to {asked:g} is more than {self.step:g} at once"


class SetPointBox(QtWidgets.QDoubleSpinBox):
    """``commanded`` comes on Enter, once, with a value within ``bounds``; ``refused`` says why one is not sent.

    Typing, arrows and page keys only prepare a value. Escape, and leaving the box for whatever reason, give it up:
    the box then shows what the stand does. A wheel turned over it on the way down a page does nothing.
    """

    commanded = QtCore.pyqtSignal(float)
    refused = QtCore.pyqtSignal(str)

    def __init__(self, label: str, bounds: Bounds, decimals: int) -> None:
        super().__init__()
        self.bounds = bounds
        self.present = math.nan  # what the stand does
        self.setFocusPolicy(QtCore.Qt.FocusPolicy.StrongFocus)  # not by the wheel
        self.setRange(bounds.low, bounds.high)
        self.setSingleStep(bounds.held_step)
        self.setDecimals(decimals)
        self.setPrefix(f"{label}  ")
        self.setAccessibleName(label)
        self.setToolTip(f"type, then Enter; Escape gives it up; at most {bounds.step:g} at once")
        self.setButtonSymbols(QtWidgets.QAbstractSpinBox.NoButtons)
        self.setKeyboardTracking(False)

    def show_present(self, value: float, enabled: bool) -> None:
        """What the stand does (NaN: not known), and whether a command is taken; shown where nobody is typing."""
        self.present = value
        if self.isEnabled() != enabled:
            self.setEnabled(enabled)
        if not self.hasFocus():
            self._revert()

    def _revert(self) -> None:
        if not math.isnan(self.present):
            self.setValue(self.present)
        else:
            self.lineEdit().setText(f"{self.prefix()}—")

    def ask(self, value: float) -> bool:
        """Sends ``value`` (true), or says why not."""
        objection = self.bounds.objection(self.present, value)
        if objection:
            self.refused.emit(objection)
            self._revert()
        elif self.isEnabled():
            self.commanded.emit(value)
        return self.isEnabled() and not objection

    def stepBy(self, steps: int) -> None:
        """One step with every key, those that would take ten included."""
        super().stepBy(max(-1, min(1, steps)))

    def keyPressEvent(self, event: QtGui.QKeyEvent) -> None:
        """Enter sends what is typed, Escape gives it up."""
        if event.key() in ENTER:
            self.interpretText()
            if not event.isAutoRepeat():
                self.ask(self.value())
            self.selectAll()
        elif event.key() == QtCore.Qt.Key.Key_Escape:
            self._revert()
            self.clearFocus()
        else:
            super().keyPressEvent(event)

    def focusOutEvent(self, event: QtGui.QFocusEvent) -> None:
        """Whatever was typed and not sent is given up."""
        super().focusOutEvent(event)
        self._revert()

    def wheelEvent(self, event: QtGui.QWheelEvent) -> None:
        """A wheel that passes over commands nothing."""
        event.ignore()


class HoldButton(QtWidgets.QPushButton):
    """Steps a box up (``sign`` 1) or down (-1) for as long as it is held, from the first ``HOLD_MS`` on."""

    def __init__(self, box: SetPointBox, sign: int) -> None:
        super().__init__("hold +" if sign > 0 else "hold −")
        self._box, self._sign, self._sent = box, sign, math.nan
        self.setFocusPolicy(QtCore.Qt.FocusPolicy.NoFocus)  # the space bar cuts the power and must press nothing else
        self.setAccessibleName(f"{box.accessibleName()}: {'up' if sign > 0 else 'down'} while held")
        self.setToolTip(f"hold it down: {box.bounds.held_step:g} every {REPEAT_MS / 1e3:g} s")
        self._clock = QtCore.QTimer(self)
        self._clock.timeout.connect(self._step)
        self.pressed.connect(self._begin)

    def _begin(self) -> None:
        present = self._box.present
        self._sent = self._box.bounds.start(present) if self._sign > 0 else present
        self._clock.start(HOLD_MS)

    def _step(self) -> None:
        """One bounded step; a button that was let go, disabled (Qt lifts it then) or hidden steps no further."""
        self._clock.setInterval(REPEAT_MS)
        if not (self.isDown() and self.window().isActiveWindow()):
            self._clock.stop()
            return
        bounds = self._box.bounds
        value = min(max(self._sent + self._sign * bounds.held_step, bounds.low), bounds.high)
        if self._box.ask(value):
            self._sent = value  # one that was refused is asked again, not left behind
