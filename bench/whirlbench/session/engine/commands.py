"""What the operator's surface may command."""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum


class CommandKind(StrEnum):
    """Kinds of command; the comment says what ``value`` and ``text`` mean."""

    ARM = "arm"
    START = "start"  # begins the plan
    CONTINUE = "continue"  # after an inspection; text: what was looked at
    DISARM = "disarm"
    ABORT = "abort"
    RESET = "reset"  # leaves tripped, at rest
    THROTTLE = "throttle"  # value: pulse in us
    SERVO = "servo"  # value: pulse in us
    PITCH = "pitch"  # value: blade angle in degrees
    REQUEST = "request"  # value: rpm
    GOVERNOR = "governor"  # text: key of [governor] in the rig, value: its new value
    NOTE = "note"  # text
    CONFIRM = "confirm"  # text: a line of the check-list, as it was answered
    OVERRIDE = "override"  # of the gate; blade_set: the set's name as typed, text: the reason
    FINISH = "finish"  # ends the session: through rest when something turns


@dataclass(frozen=True)
class Command:
    """One command of the operator."""

    kind: CommandKind
    value: float = 0.0
    text: str = ""
    operator: str = ""  # who says so
    blade_set: str = ""
