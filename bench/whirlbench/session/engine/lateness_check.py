"""Is late telemetry a backlog, or does the device's clock run slow? A question and its answer decide.

The line keeps its order: what arrives after an answer is younger than the question. The question reads the limits
again, which changes nothing and shows once more what the device holds.
"""

from __future__ import annotations

from whirlbench.link.conversation import Conversation
from whirlbench.link.messages import ReadLimits
from whirlbench.link.outbox import Exchange
from whirlbench.session.engine.heartbeat import HeartbeatKeeper


class LatenessCheck:
    """Asks whenever telemetry seems late, one question at a time."""

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
