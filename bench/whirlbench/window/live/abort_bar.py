"""The operator's power cut: the full width of the window, and the space bar."""

from __future__ import annotations

from PyQt5 import QtCore, QtGui, QtWidgets

HEIGHT_PX = 60
CUT, CUT_UNHEARD = "CUT THE POWER   (space bar)", "CUT THE POWER   (space bar)   AND OPEN THE ISOLATOR"
NO_CUT = "NO CUT FROM HERE: OPEN THE ISOLATOR"
KEY_EVENTS = (QtCore.QEvent.Type.ShortcutOverride, QtCore.QEvent.Type.KeyPress, QtCore.QEvent.Type.KeyRelease)


class AbortBar(QtWidgets.QPushButton):
    """A wide bar that cuts the power on press, not on release, for the hand that comes down in a hurry.

    From ``take_space_bar`` to ``leave_space_bar``, and while the bar is enabled, the space bar does the same wherever
    the keyboard is: in a number box, a list, a button, a file dialogue. A shortcut would not do: a text field claims
    every key that prints before a shortcut is asked. Hence no blank can be typed anywhere while a session lives.
    """

    abort = QtCore.pyqtSignal()

    def __init__(self) -> None:
        super().__init__(CUT)
        self.setObjectName("abort_bar")
        self.setFocusPolicy(QtCore.Qt.FocusPolicy.NoFocus)  # else the space bar would also press it by focus
        self.setFixedHeight(HEIGHT_PX)
        self.setAccessibleName("cut the power")
        self.pressed.connect(self.abort)
        self._is_down = False  # this press has cut the power already

    def offer(self, may_cut: bool, known: bool) -> None:
        """Whether the cut is offered; ``known`` false: nobody knows whether it arrives, so a hand has to act, too."""
        self.setEnabled(may_cut)
        self.setText(NO_CUT if not may_cut else CUT if known else CUT_UNHEARD)

    def take_space_bar(self) -> None:
        """A session begins: every key of the application passes here first."""
        QtWidgets.QApplication.instance().installEventFilter(self)

    def leave_space_bar(self) -> None:
        """The session or its window has gone: the space bar types blanks again."""
        QtWidgets.QApplication.instance().removeEventFilter(self)

    def eventFilter(self, target: QtCore.QObject, event: QtCore.QEvent) -> bool:
        """Takes the space bar, as a claim and as a press, before any widget does."""
        if event.type() not in KEY_EVENTS or not isinstance(event, QtGui.QKeyEvent):
            return False
        if event.key() != QtCore.Qt.Key.Key_Space or not self.isEnabled():
            return False
        event.accept()
        if not event.isAutoRepeat():
            self._take(event.type())
        return True

    def _take(self, kind: QtCore.QEvent.Type) -> None:
        """One press comes twice, as a claim and as a key; an input method may swallow the second."""
        if kind == QtCore.QEvent.Type.ShortcutOverride or (kind == QtCore.QEvent.Type.KeyPress and not self._is_down):
            self.abort.emit()
        self._is_down = kind == QtCore.QEvent.Type.ShortcutOverride
