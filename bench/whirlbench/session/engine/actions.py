"""What one step of the engine asks of its surroundings: bytes to send, records to keep, how the run ended."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from enum import IntEnum, StrEnum
from typing import Any

import numpy as np

from whirlbench.link.messages import Accelerometer, Board, Hello, LoadConverter
from whirlbench.samples import Event


@dataclass(frozen=True)
class SlowRecord:
    """Slow samples: run times ``(n,)``, engineering values and wire counts by channel name."""

    time_s: np.ndarray
    values: Mapping[str, np.ndarray]
    counts: Mapping[str, np.ndarray]

    def __reduce__(self) -> tuple[Any, ...]:
        """Packed as three arrays instead of seventeen: this is done in every turn of the decision loop."""
        values, counts = (np.array(list(part.values())) for part in (self.values, self.counts))
        return _slow_record, (self.time_s, tuple(self.values), values, tuple(self.counts), counts)


def _slow_record(
    time_s: np.ndarray,
    value_names: tuple[str, ...],
    values: np.ndarray,
    count_names: tuple[str, ...],
    counts: np.ndarray,
) -> SlowRecord:
    return SlowRecord(time_s, dict(zip(value_names, values, strict=True)), dict(zip(count_names, counts, strict=True)))


@dataclass(frozen=True)
class TachRecord:
    """Tach edges in run time, ``(n,)``."""

    time_s: np.ndarray


@dataclass(frozen=True)
class VibrationRecord:
    """A block of accelerometer counts ``(n, axes)`` int16, the time of its first sample and the sample period."""

    first_time_s: float
    period_s: float
    first_index: int
    counts: np.ndarray


@dataclass(frozen=True)
class CountersRecord:
    """Loss counters of link and device, by name."""

    time_s: float
    values: Mapping[str, int]


@dataclass(frozen=True)
class IdentityRecord:
    """What the device said of itself, once it is known: before this, nobody can begin a recording."""

    firmware: Mapping[str, str | int]

    @classmethod
    def of(cls, hello: Hello) -> IdentityRecord:
        """The device's own description, by name."""
        return cls(
            {
                "board": _name(Board, hello.board, "board"),
                "firmware": f"{hello.firmware_major}.{hello.firmware_minor}",
                "build_id": f"{hello.build_id:08x}",
                "protocol": hello.protocol,
                "slow_rate_hz": hello.slow_rate_hz,
                "vibration_rate_hz": hello.vibration_rate_hz,
                "vibration_axes": hello.vibration_axes,
                "restart_cause": hello.restart_cause,
                "accelerometer": _name(Accelerometer, hello.accelerometer, "accelerometer"),
                "accelerometer_ug_per_count": hello.accelerometer_ug_per_count,
                "load_converter": _name(LoadConverter, hello.load_converter, "converter"),
                "load_counts_per_mv_v": hello.load_counts_per_mv_v,
            }
        )


def _name(kind: type[IntEnum], value: int, otherwise: str) -> str:
    """Name of a number that the device told; one that this host does not know stays a number."""
    known = {member.value: member.name.lower() for member in kind}
    return known.get(value, f"{otherwise} {value}")


Record = IdentityRecord | SlowRecord | TachRecord | VibrationRecord | CountersRecord | Event


class Ending(StrEnum):
    """How a session can end."""

    DONE = "done"
    TRIPPED = "tripped"
    ABORTED = "aborted"
    LINK_LOST = "link lost"  # of a device that had said who it is
    FAILED = "failed"  # a fault of this program
    REFUSED = "refused"  # never armed: no device, no agreement on limits, or a plan that does not fit


EXIT_STATUS = {
    Ending.DONE: 0,
    Ending.FAILED: 1,
    Ending.REFUSED: 2,
    Ending.LINK_LOST: 3,
    Ending.TRIPPED: 3,
    Ending.ABORTED: 3,
}


@dataclass(frozen=True)
class Outcome:
    """End of a session, the one line that explains it, and up to when it is recorded (empty when it is not)."""

    ending: Ending
    reason: str = ""
    saved: str = ""

    @property
    def exit_status(self) -> int:
        """Exit status of the verb that ran the session."""
        return EXIT_STATUS[self.ending]


@dataclass(frozen=True)
class Actions:
    """Result of one engine step; ``outcome`` is None while the session goes on."""

    to_device: bytes = b""
    records: tuple[Record, ...] = ()
    outcome: Outcome | None = None


@dataclass(frozen=True)
class Progress:
    """Where a session stands, for its surface."""

    phase: str
    state: str
    reason: str = ""
    time_s: float = 0.0
    step: int = 0  # number of the plan's step, from 1; 0 before the plan
    steps: int = 0
    step_text: str = ""
    values: Mapping[str, float] = field(default_factory=dict)
    counters: Mapping[str, int] = field(default_factory=dict)
    waits: bool = False  # for the operator's word after an inspection
    withheld: str = ""  # why no heartbeat leaves; empty when all is well
    message: str = ""  # latest remark: why a command was refused, what is waited for
    held: Mapping[str, int] = field(default_factory=dict)  # the device's limits by slot, as it read them back
