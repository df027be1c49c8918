"""The heartbeat rule: when the host may tell the device that all is well, and who it was when that came late.

Only after fresh telemetry was checked, only while that telemetry is not late, and only while the operator's surface
was heard within its limit. Withholding it is all it takes to cut the power.

The device can only say how long the host was silent. ``ChainWatch`` keeps who in the chain made it so: the computer,
which did not run the session; the session, whose own turn took long; the port; the surface; telemetry.
"""

from __future__ import annotations

import math
from collections import deque
from collections.abc import Sequence
from dataclasses import dataclass, field
from enum import StrEnum

from whirlbench.link.conversation import Conversation
from whirlbench.link.messages import ReadLimits
from whirlbench.link.outbox import Exchange

PER_LIMIT = 4  # heartbeats within the device's limit: one may be lost, and the next comes in time
LATE_S = 0.05  # telemetry older than this is a backlog, not news
SUSPICIOUS_S = LATE_S / 2
# Ceramic resonators of small boards are off by up to 0.5 % (common practice, no source).
CLOCK_DRIFT = 0.006
LOOK_BACK_S = 1.0  # beyond the limit: how far before the news of a trip the late heartbeat is looked for
WORTH_TELLING_S = 0.005
MOST_BYTES = 200
SELF_TEST_S = 2.0
WARN_SHARE = 0.5  # of the delay that the limit bears


class Part(StrEnum):
    """Who in the chain from the operator's surface to the device can make a heartbeat late; for people."""

    COMPUTER = "the computer (it did not run the session)"
    SESSION = "the session (its own turn took so long)"
    PORT = "the port (it took bytes so slowly)"
    SURFACE = "the operator's surface (it was silent)"
    TELEMETRY = "telemetry (nothing fresh came from the device)"
    LINE = "the line or the device (heartbeats left before)"


LOCAL = (Part.COMPUTER, Part.SESSION, Part.PORT)  # what the loop measures of itself


@dataclass
class Gap:
    """Time between two heartbeats that left, host's seconds, and the shares of it that parts of the chain took."""

    from_s: float
    to_s: float
    shares_s: dict[Part, float] = field(default_factory=dict)

    @property
    def length_s(self) -> float:
        """From the one to the next."""
        return self.to_s - self.from_s


@dataclass(frozen=True)
class SelfTest:
    """How late the computer was within the latest two seconds, and how late the heartbeat limit lets it be, in s."""

    worst_s: float
    borne_s: float

    @property
    def passed(self) -> bool:
        """Whether a delay like the worst one would leave the power on; what is no number would not."""
        return self.worst_s < self.borne_s

    @property
    def close(self) -> bool:
        """Passed, but with little to spare."""
        return self.passed and self.worst_s >= WARN_SHARE * self.borne_s

    def text(self) -> str:
        """One line for events and screens."""
        told = (
            f"the computer was late by up to {self.worst_s * 1e3:.1f} ms within {SELF_TEST_S:g} s, "
            f"the heartbeat limit bears {self.borne_s * 1e3:.0f} ms"
        )
        return told if self.passed and not self.close else f"{told}: end what keeps it busy"


class ChainWatch:
    """Follows heartbeats that left, and why none did; answers who was late.

    ``heartbeat_s`` is the device's limit of silence, ``period_s`` the time between two heartbeats. The loop tells what
    it measured of itself (``delayed``); on a clock that is not real nobody does, and nothing local can be late.
    """

    def __init__(self, heartbeat_s: float, period_s: float) -> None:
        self._limit_s, self._period_s = heartbeat_s, period_s
        self.measured = False  # whether a loop tells its delays
        self._open: Gap | None = None
        self._gaps: deque[Gap] = deque()
        self._delays_s: dict[Part, float] = {}  # of the turn that comes
        self._late: deque[tuple[float, float]] = deque()  # when, and how late all local parts together were
        self._now_s: float | None = None
        self._test_from_s: float | None = None

    def delayed(self, part: Part, late_s: float) -> None:
        """Before a step: how much ``part`` delayed it."""
        if late_s > 0:
            self._delays_s[part] = self._delays_s.get(part, 0.0) + late_s

    def turn(self, now_s: float, withheld_by: Part | None) -> None:
        """First in a step: the time since the last one is shared out; ``withheld_by`` is who held back heartbeats."""
        passed_s = now_s - self._now_s if self._now_s is not None else 0.0
        delays_s, self._delays_s, self._now_s = self._delays_s, {}, now_s
        local_s = sum(delays_s.values())
        if self.measured:
            self._late.append((now_s, local_s))
            while now_s - self._late[0][0] > SELF_TEST_S:
                self._late.popleft()
        if self._open is None:
            return
        self._open.to_s = now_s
        if withheld_by is not None:
            delays_s[withheld_by] = max(0.0, passed_s - local_s)
        for part, late_s in delays_s.items():
            self._open.shares_s[part] = self._open.shares_s.get(part, 0.0) + late_s

    def sent(self, now_s: float) -> None:
        """A heartbeat leaves."""
        if self._open is not None:
            self._open.to_s = now_s
            self._gaps.append(self._open)
        while self._gaps and now_s - self._gaps[0].to_s > self._limit_s + LOOK_BACK_S:
            self._gaps.popleft()
        self._open = Gap(now_s, now_s)

    def verdict(self) -> str:
        """Who was late, after the device has told that it missed the heartbeat: one line, the latest part first.

        At most ``MOST_BYTES`` long: what the file holds of an event's detail.
        """
        gaps = [gap for gap in (*self._gaps, self._open) if gap is not None and self._lately(gap)]
        if not gaps:
            return "no heartbeat had left"
        longest = max(gaps, key=lambda gap: gap.length_s)
        shares_s = {**longest.shares_s, Part.LINE: self._limit_s - longest.length_s}
        late = sorted((share for share in shares_s.items() if share[1] >= WORTH_TELLING_S), key=lambda share: -share[1])
        apart = f"heartbeats left up to {longest.length_s * 1e3:.0f} ms apart"
        if not late:
            return f"nobody known was late; {apart}"
        texts = (f"late: {_in_words(late, named)}; {apart}" for named in range(len(late), 0, -1))
        return next((text for text in texts if len(text.encode()) <= MOST_BYTES), f"late: {_in_words(late, 1)}")

    def _lately(self, gap: Gap) -> bool:
        return self._now_s is not None and self._now_s - gap.to_s <= self._limit_s + LOOK_BACK_S

    def begin_test(self, now_s: float) -> None:
        """What was late before now, while the session began, does not count for the self-test."""
        self._test_from_s = now_s

    def self_test(self, now_s: float) -> SelfTest | None:
        """How late the computer was in the latest two seconds; None before they have passed."""
        borne_s = self._limit_s - self._period_s
        if not self.measured:
            return SelfTest(0.0, borne_s)
        if self._test_from_s is None or now_s - self._test_from_s < SELF_TEST_S:
            return None
        return SelfTest(max((late_s for _, late_s in self._late), default=math.nan), borne_s)


def _in_words(late: Sequence[tuple[Part, float]], named: int) -> str:
    """The first ``named`` parts by name, the others together."""
    told = [f"{part} by {late_s * 1e3:.0f} ms" for part, late_s in late[:named]]
    others_s = sum(late_s for _, late_s in late[named:])
    return ", ".join([*told, f"others by {others_s * 1e3:.0f} ms"] if others_s else told)


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
        self.chain = ChainWatch(heartbeat_s, self.period_s)
        self._withheld_by: Part | None = None
        self.sent = 0
        self._lateness = Lateness()
        self._fresh = False  # telemetry was checked since the latest heartbeat
        self._late_s = 0.0
        self._sent_at_s: float | None = None

    def turn(self, now_s: float) -> None:
        """First in a step: shares out the time since the last one."""
        self.chain.turn(now_s, self._withheld_by)

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
        self._withheld_by, self.withheld = self._objection(surface_age_s)
        if self.withheld:
            return False
        self._fresh, self._sent_at_s = False, now_s
        self.sent += 1
        self.chain.sent(now_s)
        return True

    def _objection(self, surface_age_s: float) -> tuple[Part | None, str]:
        """Who holds the heartbeat back, and why."""
        if not surface_age_s <= self.surface_s:  # an age that is no number is no sign of life
            known = math.isfinite(surface_age_s)
            how = f"was silent for {surface_age_s:.2f} s" if known else "is not heard at all"
            return Part.SURFACE, f"the operator's surface {how}"
        if not self._fresh:
            return Part.TELEMETRY, "no fresh telemetry"
        if not self._late_s <= LATE_S:
            return Part.TELEMETRY, f"telemetry is {self._late_s:.2f} s late"
        return None, ""

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
