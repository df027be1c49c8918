"""The heartbeat rule: when the host may tell the device that all is well.

Only after fresh telemetry was checked, only while that telemetry is not late, and only while the operator's surface
was heard within its limit. Withholding it is all it takes to cut the power.
"""

from __future__ import annotations

from whirlbench.link.conversation import Conversation
from whirlbench.link.messages import ReadLimits
from whirlbench.link.outbox import Exchange

PER_LIMIT = 4  # heartbeats within the device's limit: one may be lost, and the next comes in time
LATE_S = 0.05  # telemetry older than this is a backlog, not news
SUSPICIOUS_S = LATE_S / 2
# Ceramic resonators of small boards are off by up to 0.5 % (common practice, no source).
CLOCK_DRIFT = 0.006


class Lateness:
    """How late telemetry is against its own quickest arrival, the two clocks' drift allowed for.

    A device whose clock is slower than that looks like a backlog that grows. An answer tells them apart: what arrives
    after the answer to a question is younger than the question (``prove``).
    """

    def __init__(self) -> None:
        self._floor_s: float | None = None  # least (host time - device time), leaking upwards with the drift
        self._at_s = 0.0

    def of(self, now_s: float, device_s: float) -> float:
        """Lateness in s of the sample that the device dated ``device_s`` and that is in hand at ``now_s``."""
        offset_s = now_s - device_s
        if self._floor_s is None:
            self._floor_s = offset_s
        else:
            self._floor_s = min(self._floor_s + (now_s - self._at_s) * CLOCK_DRIFT, offset_s)
        self._at_s = now_s
        return offset_s - self._floor_s

    def prove(self, now_s: float, device_s: float, asked_s: float) -> float:
        """Lateness, knowing that the sample ``device_s`` is younger than the question asked at ``asked_s``."""
        self.of(now_s, device_s)
        least_s = (now_s - device_s) - (now_s - asked_s)
        self._floor_s = least_s if self._floor_s is None else max(self._floor_s, least_s)
        return self.of(now_s, device_s)

    def reset(self) -> None:
        """Forgets the past, after a restart of the device."""
        self._floor_s = None


class HeartbeatKeeper:
    """Decides in every turn whether a heartbeat leaves, and says why not.

    ``heartbeat_s`` is the device's limit of silence, ``surface_s`` that of the operator's surface.
    """

    def __init__(self, heartbeat_s: float, surface_s: float) -> None:
        self.period_s = heartbeat_s / PER_LIMIT
        self.surface_s = surface_s
        self.withheld = ""  # why the latest one due was not sent; empty when it was
        self.sent = 0
        self._lateness = Lateness()
        self._fresh = False  # telemetry was checked since the latest heartbeat
        self._late_s = 0.0
        self._sent_at_s: float | None = None

    def checked(self, now_s: float, device_s: float) -> None:
        """Notes that telemetry up to ``device_s`` has passed all checks."""
        self._late_s = self._lateness.of(now_s, device_s)
        self._fresh = True

    @property
    def suspicious(self) -> bool:
        """Whether telemetry seems late enough to ask the device something, and see how soon it answers."""
        return self._late_s > SUSPICIOUS_S

    def answered(self, now_s: float, device_s: float, asked_s: float) -> None:
        """Notes that a question of ``asked_s`` was answered before the sample of ``device_s`` came in."""
        self._late_s = self._lateness.prove(now_s, device_s, asked_s)

    def due(self, now_s: float, surface_age_s: float) -> bool:
        """Whether a heartbeat leaves now."""
        if self._sent_at_s is not None and now_s - self._sent_at_s < self.period_s:
            return False
        self.withheld = self._objection(surface_age_s)
        if self.withheld:
            return False
        self._fresh, self._sent_at_s = False, now_s
        self.sent += 1
        return True

    def _objection(self, surface_age_s: float) -> str:
        if not surface_age_s <= self.surface_s:  # an age that is no number is no sign of life
            return f"the operator's surface was silent for {surface_age_s:.2f} s"
        if not self._fresh:
            return "no fresh telemetry"
        if not self._late_s <= LATE_S:
            return f"telemetry is {self._late_s:.2f} s late"
        return ""

    def flowing(self, now_s: float) -> bool:
        """Whether a heartbeat left lately: the host's side of the condition for arming."""
        return self._sent_at_s is not None and now_s - self._sent_at_s < 2 * self.period_s

    def restart(self) -> None:
        """The device's clock began again."""
        self._lateness.reset()


class LatenessCheck:
    """Asks whenever telemetry seems late, one question at a time.

    The answer tells a backlog from a device's clock that runs slow. The line keeps its sequence: what arrives after an
    answer is younger than the question. The question reads the limits again, which changes nothing and shows once
    more what the device holds.
    """

    def __init__(self, conversation: Conversation, keeper: HeartbeatKeeper) -> None:
        self._conversation, self._keeper = conversation, keeper
        self._question: Exchange | None = None
        self._asked_s = 0.0

    def turn(self, now_s: float, device_s: float, may_ask: bool) -> None:
        """Looks at the answer with the newest sample, dated ``device_s``, in hand; asks anew if need be."""
        question = self._question
        if question is not None and not question.pending:
            if question.answer is not None:
                self._keeper.answered(now_s, device_s, self._asked_s)
            self._question = None
        if self._question is None and may_ask and self._keeper.suspicious:
            self._question, self._asked_s = self._conversation.send(ReadLimits()), now_s
