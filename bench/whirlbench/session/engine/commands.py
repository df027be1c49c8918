"""What the operator's surface may command, and in which phase of a session it is carried out."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from enum import StrEnum

from whirlbench.session.engine.phases import Phase


class CommandKind(StrEnum):
    """Kinds of command; the comment says what ``value`` and ``text`` mean."""

    ARM = "arm"
    START = "start"  # begins the plan
    CONTINUE = "continue"  # after an inspection
    DISARM = "disarm"
    ABORT = "abort"
    RESET = "reset"  # leaves tripped, at rest
    THROTTLE = "throttle"  # value: pulse in us
    SERVO = "servo"  # value: pulse in us
    PITCH = "pitch"  # value: blade angle in degrees
    REQUEST = "request"  # value: rpm
    GOVERNOR = "governor"  # text: key of [governor] in the rig, value: its new value
    NOTE = "note"  # text
    FINISH = "finish"  # ends the session: through rest when something turns


@dataclass(frozen=True)
class Command:
    """One command of the operator."""

    kind: CommandKind
    value: float = 0.0
    text: str = ""


ALWAYS = frozenset({CommandKind.ABORT, CommandKind.FINISH, CommandKind.GOVERNOR, CommandKind.NOTE})
BY_HAND = frozenset({CommandKind.THROTTLE, CommandKind.SERVO, CommandKind.PITCH, CommandKind.REQUEST})

# phase -> commands that are carried out in it; every other is refused, in the words below
PERMITTED: Mapping[str, frozenset[CommandKind]] = {
    Phase.CONNECTING: ALWAYS,
    Phase.AGREEING: ALWAYS,
    Phase.READY: ALWAYS | {CommandKind.ARM, CommandKind.CONTINUE},  # a device that restarts during an inspection
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
    **dict.fromkeys(BY_HAND, "only while armed, the session is {phase}"),
}
