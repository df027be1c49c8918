"""The session's state machine: ``Engine.step`` turns bytes and commands into bytes, records and an outcome.

No clock, no thread, no I/O. ``engine`` is the machine, ``phases`` and ``commands`` its words and its table; the other
files are what one step passes through: telemetry, host ring, stand watch, set-points, heartbeat.
"""

from whirlbench.session.engine.actions import (
    Actions,
    CountersRecord,
    Ending,
    IdentityRecord,
    Outcome,
    Progress,
    Record,
    SlowRecord,
    TachRecord,
    VibrationRecord,
)
from whirlbench.session.engine.check_list import check_list
from whirlbench.session.engine.commands import Command, CommandKind
from whirlbench.session.engine.device_limits import device_limits
from whirlbench.session.engine.engine import COAST_MOST_S, REST_SHOWN_S, Engine
from whirlbench.session.engine.governor_parameters import governor_parameters
from whirlbench.session.engine.heartbeat import Part
from whirlbench.session.engine.host_ring import RecordingWatch
from whirlbench.session.engine.phases import BY_HAND, PERMITTED, Phase
from whirlbench.session.engine.stand_watch import OPEN_ISOLATOR, StandWatch
from whirlbench.session.engine.telemetry import Mark, Telemetry

__all__ = [
    "BY_HAND",
    "COAST_MOST_S",
    "OPEN_ISOLATOR",
    "PERMITTED",
    "REST_SHOWN_S",
    "Actions",
    "Command",
    "CommandKind",
    "CountersRecord",
    "Ending",
    "Engine",
    "IdentityRecord",
    "Mark",
    "Outcome",
    "Part",
    "Phase",
    "Progress",
    "Record",
    "RecordingWatch",
    "SlowRecord",
    "StandWatch",
    "TachRecord",
    "Telemetry",
    "VibrationRecord",
    "check_list",
    "device_limits",
    "governor_parameters",
]
