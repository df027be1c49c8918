"""Where a session stands, as the host sees it, and which commands are carried out there."""

from __future__ import annotations

from collections.abc import Mapping
from enum import StrEnum

from whirlbench.session.engine.commands import CommandKind


class Phase(StrEnum):
    """Phases of a session; the values are for people."""

    CONNECTING = "connecting"
    AGREEING = "agreeing on limits"
    READY = "ready"  # limits agreed, locked: may be armed
    ARMING = "arming"
    RUNNING = "running"  # armed or turning, by plan or by hand
    STOPPING = "stopping"  # throttle safe, locked at rest
    COASTING = "coasting down"  # after a trip: recording until rest
    TRIPPED = "tripped"  # at rest, waiting for a reset
    ENDED = "ended"


LIVE_PHASES = (Phase.READY, Phase.ARMING, Phase.RUNNING, Phase.STOPPING)  # limits are agreed, nothing has tripped

ALWAYS = frozenset({CommandKind.ABORT, CommandKind.FINISH, CommandKind.GOVERNOR, CommandKind.NOTE, CommandKind.CONFIRM})
BY_HAND = frozenset({CommandKind.THROTTLE, CommandKind.SERVO, CommandKind.PITCH, CommandKind.REQUEST})

# phase -> commands that are carried out in it; every other is refused, in the words below
PERMITTED: Mapping[str, frozenset[CommandKind]] = {
    Phase.CONNECTING: ALWAYS,
    Phase.AGREEING: ALWAYS,
    # CONTINUE: a device that restarts during an inspection
    Phase.READY: ALWAYS | {CommandKind.ARM, CommandKind.CONTINUE, CommandKind.OVERRIDE},
    Phase.ARMING: ALWAYS | {CommandKind.DISARM},
    Phase.RUNNING: ALWAYS | {CommandKind.START, CommandKind.CONTINUE, CommandKind.DISARM} | BY_HAND,
    Phase.STOPPING: ALWAYS,
    Phase.COASTING: ALWAYS,
    Phase.TRIPPED: ALWAYS | {CommandKind.RESET},
    Phase.ENDED: ALWAYS,
}
REFUSALS: Mapping[CommandKind, str] = {
    CommandKind.ARM: "only from ready, the session is {phase}",
    CommandKind.START: "only once, while armed",
    CommandKind.CONTINUE: "no inspection is waiting for it",
    CommandKind.DISARM: "nothing is armed, the session is {phase}",
    CommandKind.RESET: "only when tripped and at rest",
    CommandKind.OVERRIDE: "only from ready, the session is {phase}",
    **dict.fromkeys(BY_HAND, "only while armed, the session is {phase}"),
}
