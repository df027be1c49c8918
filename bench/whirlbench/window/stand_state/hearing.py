"""How old what a surface shows is, by the surface's own clock, and whether a heartbeat can leave. No Qt here."""

from __future__ import annotations

import math
import time
from collections.abc import Callable
from dataclasses import dataclass

from whirlbench.session.engine import Progress

HELD_BACK_S = 0.15  # a heartbeat held back for a turn or two is no news: the next sample frees it
NONE_YET = "none has left yet"


@dataclass(frozen=True)
class Heard:
    """What is heard now: age of the newest sample in s (inf: none yet), and why no heartbeat leaves (empty: one does).

    ``session_lives``: its process runs.
    """

    age_s: float = math.inf
    session_lives: bool = True
    no_heartbeat: str = NONE_YET

    def how_long(self) -> str:
        """For how long nothing has been heard, as it follows "has not been heard"."""
        return "" if self.age_s == math.inf else f" for {self.age_s:.1f} s"


class Hearing:
    """Looks at the session with every frame; ``clock`` gives seconds that never run back."""

    def __init__(self, clock: Callable[[], float] = time.monotonic) -> None:
        self._clock = clock
        self._newest: tuple[str, float] | None = None  # state and time of the newest sample
        self._newest_at_s = -math.inf
        self._held_back_at_s: float | None = None

    def look(self, progress: Progress, session_lives: bool) -> Heard:
        """What is heard with ``progress``, which a dead session leaves as it was."""
        now_s = self._clock()
        newest = (progress.state, progress.time_s)
        if progress.state and newest != self._newest:
            self._newest, self._newest_at_s = newest, now_s
        return Heard(now_s - self._newest_at_s, session_lives, self._no_heartbeat(progress, now_s))

    def _no_heartbeat(self, progress: Progress, now_s: float) -> str:
        if not progress.counters.get("heartbeats"):
            return progress.withheld or NONE_YET
        if not progress.withheld:
            self._held_back_at_s = None
        elif self._held_back_at_s is None:
            self._held_back_at_s = now_s
        lasting = self._held_back_at_s is not None and now_s - self._held_back_at_s >= HELD_BACK_S
        return progress.withheld if lasting else ""
