"""The coast-down after the link or the session was lost: the port is tried again, and what comes is recorded to rest.

Nothing leaves but an Abort and the question who is there. No heartbeat, no set-point: whatever is found is cut, and
nothing that could keep it turning is sent.
"""

from __future__ import annotations

import time
from collections.abc import Callable, Sequence

from whirlbench.errors import LinkError
from whirlbench.link.conversation import Conversation, Restarted
from whirlbench.link.messages import Abort, Message, Reason, Slow
from whirlbench.session.engine import COAST_MOST_S, REST_SHOWN_S, Record, StandWatch, Telemetry
from whirlbench.session.process.spec import Port, SessionSpec

RETRY_S = 0.25
TURN_S = 0.005
TELL_S = 0.25
GAP_S = 0.05  # more than a few samples
LEAST_S = 1.0  # of samples, before rest is believed


class CoastDown:
    """One attempt to see a stand to rest; ``record`` does it.

    ``telemetry`` and ``watch`` carry on where the session left off, ``keep`` takes records (and may raise
    RecordingError), ``tell`` takes a line for the surface, several times a second.
    """

    def __init__(
        self,
        spec: SessionSpec,
        telemetry: Telemetry,
        watch: StandWatch,
        keep: Callable[[Sequence[Record]], None],
        tell: Callable[[str], None],
    ) -> None:
        self._spec, self._telemetry, self._watch = spec, telemetry, watch
        self._keep, self._tell = keep, tell
        self._began_s = time.monotonic()
        self._told_s = float("-inf")
        self._lost_s = telemetry.time_s  # run time
        self._gap_s = 0.0  # of run time that nobody heard
        self._back_at_s: float | None = None  # first sample after the loss
        self._rest_since_s: float | None = None
        self._joined = False  # the device's clock has been found again on this opening of the port

    def record(self) -> str:
        """Tries until rest, or until the patience of the spec is over; returns in words what became of it."""
        while (left_s := self._left_s()) > 0:
            try:
                port = self._spec.open_port()
            except LinkError:
                self._say(f"trying the port again for {left_s:.0f} s")
                time.sleep(RETRY_S)
                continue
            if getattr(port, "ends_with_session", False):  # what opens now is another stand
                port.close()
                return "the simulated stand ended with it"
            try:
                if self._listen(port):
                    break
            except LinkError:
                time.sleep(RETRY_S)
            finally:
                port.close()
        return self._in_words()

    def _left_s(self) -> float:
        """Until the first sample the patience of the spec counts, from then on the longest coast-down."""
        if self._back_at_s is None:
            return self._spec.reconnect_s - (time.monotonic() - self._began_s)
        return COAST_MOST_S - (time.monotonic() - self._back_at_s)

    def _listen(self, port: Port) -> bool:
        """Records until rest (true), or until time is up; LinkError when the port fails."""
        conversation = Conversation(patience_s=float("inf"))
        conversation.send(Abort(Reason.HOST_RULE))
        self._joined = False
        while self._left_s() > 0:
            now_s = time.monotonic()
            messages = conversation.receive(port.read(), now_s)
            self._take(messages, now_s)
            if self._at_rest(now_s):
                return True
            port.write(conversation.due(now_s))
            self._say("the coast-down is being recorded" if self._back_at_s else "the port is open, nothing heard yet")
            time.sleep(TURN_S)
        return False

    def _take(self, messages: list[Message], now_s: float) -> None:
        heard = self._telemetry.take(self._joined_on(messages), now_s)
        events = self._watch.follow(heard)
        if heard.slow and self._back_at_s is None:
            self._back_at_s, self._gap_s = now_s, heard.slow[0].time_s - self._lost_s
        if heard.records or events:
            self._keep([*heard.records, *events])

    def _joined_on(self, messages: list[Message]) -> list[Message]:
        """Puts a restart before the first sample of a device whose clock runs behind where it was.

        Everything before that sample has no place in time yet and is left out.
        """
        if self._joined:
            return messages
        first = next((place for place, message in enumerate(messages) if isinstance(message, Slow)), None)
        if first is None:
            return []
        self._joined = True
        slow, later = messages[first], messages[first:]
        if isinstance(slow, Slow) and self._telemetry.runs_behind(slow):
            return [Restarted(None), *later]
        return later

    def _at_rest(self, now_s: float) -> bool:
        if self._back_at_s is None or not self._watch.at_rest:
            self._rest_since_s = None
            return False
        if self._rest_since_s is None:
            self._rest_since_s = now_s
        return now_s - self._rest_since_s >= REST_SHOWN_S and now_s - self._back_at_s >= LEAST_S

    def _say(self, text: str) -> None:
        now_s = time.monotonic()
        if now_s - self._told_s >= TELL_S:
            self._told_s = now_s
            self._tell(text)

    def _in_words(self) -> str:
        if self._back_at_s is None:
            return f"nothing came back within {self._spec.reconnect_s:g} s, the coast-down is not recorded"
        how = "to rest" if self._rest_since_s is not None else "but not to rest"
        missing = f", {self._gap_s:.1f} s of it are missing" if self._gap_s > GAP_S else ""
        return f"the device was heard again and recorded {how}{missing}"
