"""The live run as the spin panel shows it: rolling arrays, readings and what the operator may do now. No Qt here."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np

from whirlbench.rig.description import Rig
from whirlbench.safety.margins import Margin, margins
from whirlbench.samples import SLOW_CHANNELS
from whirlbench.session.engine import PERMITTED, CommandKind, Outcome, Progress
from whirlbench.session.process import SharedView

SHOWN_S = 60.0
CHANNEL_NAMES = tuple(channel.name for channel in SLOW_CHANNELS)


class LiveTrail:
    """The last minute of slow samples and vibration envelope, taken from the shared view in small portions."""

    def __init__(self, view: SharedView) -> None:
        self._view = view
        # a row a channel, time first: what is drawn lies in one piece
        self._slow = np.empty((1 + len(SLOW_CHANNELS), 0))
        self._vibration = np.empty((2, 0))
        self._slow_count = self._envelope_count = 0
        self.lost = 0  # rows that the window was too slow to read

    def advance(self) -> None:
        """Takes what is new and forgets what has left the chart."""
        slow = self._view.slow_since(self._slow_count)
        envelope = self._view.envelope_since(self._envelope_count)
        self._slow_count, self._envelope_count = slow.total, envelope.total
        self.lost += slow.lost
        self._slow = _kept(np.concatenate((self._slow, slow.rows.T), axis=1))
        half_span = np.nan_to_num((envelope.rows["high_g"] - envelope.rows["low_g"]) / 2.0)
        swing = np.vstack((envelope.rows["time_s"], np.sqrt(np.sum(half_span**2, axis=1))))
        self._vibration = _kept(np.concatenate((self._vibration, swing), axis=1))

    def seconds_ago(self) -> np.ndarray:
        """Age of the slow samples against the newest, ``(n,)``, zero or below."""
        return _ago(self._slow[0])

    def channel(self, name: str) -> np.ndarray:
        """Values of a slow channel, ``(n,)``."""
        values: np.ndarray = self._slow[1 + CHANNEL_NAMES.index(name)]
        return values

    def vibration(self) -> tuple[np.ndarray, np.ndarray]:
        """(age in s, swing in g): half the peak-to-peak of each block, over all axes."""
        return _ago(self._vibration[0]), self._vibration[1]


def _ago(time_s: np.ndarray) -> np.ndarray:
    return time_s - time_s[-1] if len(time_s) else time_s


def _kept(rows: np.ndarray) -> np.ndarray:
    """The columns of the last ``SHOWN_S`` by their times in the first row."""
    if not rows.shape[1]:
        return rows
    return rows[:, np.searchsorted(rows[0], rows[0, -1] - SHOWN_S) :]


@dataclass(frozen=True)
class LiveState:
    """One glance at the session: state, remark, margins, and which commands the controls offer."""

    progress: Progress
    outcome: Outcome | None
    rig: Rig

    def state(self) -> str:
        """Stand state for the chain."""
        return self.progress.state

    def remark(self) -> str:
        """The one line beside the chain: how it ended, why it tripped, or where the plan is."""
        progress = self.progress
        if self.outcome is not None:
            return f"{self.outcome.ending}: {self.outcome.reason}" if self.outcome.reason else str(self.outcome.ending)
        parts = [progress.message, f"reason: {progress.reason}" if progress.reason else ""]
        if progress.step:
            parts.append(f"step {progress.step} of {progress.steps}: {progress.step_text}")
        if progress.withheld:
            parts.append(f"no heartbeat: {progress.withheld}")
        return "   ".join(part for part in parts if part) or progress.phase

    def margins(self) -> tuple[Margin, ...]:
        """Margins of the latest sample."""
        return margins(self.rig, self.readings())

    def readings(self) -> Mapping[str, float]:
        """Latest values by channel name, NaN where there are none."""
        return {name: float(value) for name, value in self.progress.values.items()} or {"rpm": math.nan}

    def may(self, kind: CommandKind) -> bool:
        """Whether the control for a command is offered now; the power cut always is, while a session lives."""
        if self.outcome is not None:
            return False
        if kind is CommandKind.ABORT:
            return True
        if kind is CommandKind.CONTINUE:
            return self.progress.waits
        if kind is CommandKind.START and (self.progress.step or not self.progress.steps):
            return False
        return kind in PERMITTED.get(self.progress.phase, ())

    def losses(self) -> str:
        """Every loss counter that is not zero, in one line."""
        quiet = ("good", "heartbeats", "longest_turn_us")
        found = [f"{name.replace('_', ' ')} {count}" for name, count in self.progress.counters.items() if count]
        kept = [text for text in found if not text.startswith(tuple(name.replace("_", " ") for name in quiet))]
        return "lost or damaged: " + ", ".join(kept) if kept else "no losses"
