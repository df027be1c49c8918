"""The one crossing between the session's process and Qt: a timer that gives the sign of life and draws.

The sign of life comes from the same timer that draws: if the window hangs, the device hears it within its limit.
"""

from __future__ import annotations

from PyQt5 import QtCore

from whirlbench.session.engine import CommandKind
from whirlbench.session.process import SessionHandle
from whirlbench.window.live.spin_panel import SpinPanel
from whirlbench.window.stand_state.live_state import LiveState

FRAME_MS = 33
FIGURES_EVERY = 6  # frames: figures that change more than five times a second are not read (common practice, no source)
STRIPS_EVERY = 2  # frames: a pixel of the minute lasts 60 ms on a strip of 1000


def due(frame: int) -> dict[str, bool]:
    """What is drawn in a frame beside words: strips and figures, never both, so that no frame takes long."""
    return {"strips": frame % STRIPS_EVERY == 0, "figures": frame % FIGURES_EVERY == 1}


class Bridge(QtCore.QObject):
    """Keeps a spin panel and its session together until the session has ended."""

    changed = QtCore.pyqtSignal(object)  # LiveState, after each frame
    ended = QtCore.pyqtSignal(object)  # Outcome, once

    def __init__(self, session: SessionHandle, panel: SpinPanel) -> None:
        super().__init__()
        self.session, self.panel = session, panel
        self._frames = 0
        self._clock = QtCore.QTimer(self)
        self._clock.setTimerType(QtCore.Qt.TimerType.PreciseTimer)
        self._clock.setInterval(FRAME_MS)
        self._clock.timeout.connect(self._frame)
        self._clock.start()

    def _frame(self) -> None:
        self.session.heard()
        state: LiveState = self.panel.advance(**due(self._frames))
        self._frames += 1
        self.changed.emit(state)
        if state.outcome is not None:
            self._clock.stop()
            self.panel.advance()  # the last of it, whole: no other frame comes
            self.ended.emit(state.outcome)

    def abort(self) -> None:
        """The operator's power cut."""
        self.session.command(CommandKind.ABORT)

    def finish(self) -> None:
        """Asks the session to end through rest; ``ended`` tells when it has."""
        self.session.command(CommandKind.FINISH)

    def close(self) -> None:
        """Stops drawing and gives the session's resources back; one that still runs sees its surface die."""
        self._clock.stop()
        self.session.close()
