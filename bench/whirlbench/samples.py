"""What a run is made of, as plain arrays: the one shape that recordings, imports and analyses agree on.

All times are seconds of the device's own clock, counted from the start of the run; they are never arrival times.
A gap is NaN in a slow channel, and a jump in ``time_s`` of tach pulses or vibration.
"""

from __future__ import annotations

from dataclasses import dataclass, field, fields, replace
from typing import Any, NamedTuple

import numpy as np


class Channel(NamedTuple):
    """A named quantity: what files and charts print beside it."""

    name: str
    unit: str
    description: str


SLOW_CHANNELS = (
    Channel("rpm", "rpm", "shaft speed from the latest tach period"),
    Channel("current_a", "A", "pack current"),
    Channel("voltage_v", "V", "pack voltage under load"),
    Channel("thrust_n", "N", "load-cell thrust"),
    Channel("servo_us", "us", "pitch servo pulse that was sent"),
    Channel(
        "pitch_deg", "deg", "blade angle at 0.75 radius, from servo feedback where fitted, else from the pitch table"
    ),
    Channel("throttle_us", "us", "speed-controller pulse that was sent"),
    Channel("speed_request_rpm", "rpm", "speed asked of the governor"),
)
VIBRATION_AXES = (
    Channel("ax_g", "g", "acceleration along the shaft"),
    Channel("ay_g", "g", "acceleration across the shaft, horizontal"),
    Channel("az_g", "g", "acceleration across the shaft, vertical"),
)


PIECE_ROWS = 4096
TYPICAL_OF = 100_000  # intervals tell the usual one


def _empty() -> np.ndarray:
    return np.empty(0)


class ExtraChannel(NamedTuple):
    """A column of a foreign log that no analysis knows: kept as it came, told by its name, with its unit if it had one.

    ``name`` is a plain word (letters, digits, underscores), ``description`` the heading it had in its file.
    """

    name: str
    unit: str
    description: str
    values: np.ndarray


@dataclass(frozen=True)
class SlowSamples:
    """Slow channels on one common, increasing time base; every array has the length of ``time_s``.

    A channel that was not recorded is all NaN: ask ``has`` before use.
    """

    time_s: np.ndarray = field(default_factory=_empty)
    rpm: np.ndarray | None = None
    current_a: np.ndarray | None = None
    voltage_v: np.ndarray | None = None
    thrust_n: np.ndarray | None = None
    servo_us: np.ndarray | None = None
    pitch_deg: np.ndarray | None = None
    throttle_us: np.ndarray | None = None
    speed_request_rpm: np.ndarray | None = None
    extra: tuple[ExtraChannel, ...] = ()

    def __post_init__(self) -> None:
        for channel in SLOW_CHANNELS:
            values = getattr(self, channel.name)
            if values is None:
                values = np.broadcast_to(np.nan, len(self.time_s))  # takes no memory, however long the run
            elif len(values) != len(self.time_s):
                raise ValueError(f"{channel.name} has {len(values)} values, time_s has {len(self.time_s)}")
            object.__setattr__(self, channel.name, values)
        for other in self.extra:
            if len(other.values) != len(self.time_s):
                raise ValueError(f"{other.name} has {len(other.values)} values, time_s has {len(self.time_s)}")

    def has(self, name: str) -> bool:
        """Whether the channel ``name`` holds at least one finite value."""
        return _says_something(self.channel(name))

    def channel(self, name: str) -> np.ndarray:
        """The array of the channel ``name``; an unknown name raises AttributeError."""
        values: np.ndarray = getattr(self, name)
        return values

    def between(self, from_s: float, to_s: float) -> SlowSamples:
        """The samples with from_s <= time_s < to_s (views, not copies)."""
        first, last = np.searchsorted(self.time_s, (from_s, to_s), side="left")
        extra = tuple(one._replace(values=one.values[first:last]) for one in self.extra)
        return SlowSamples(**_cut(self, from_s, to_s), extra=extra)


@dataclass(frozen=True)
class TachPulses:
    """Times of the tach pulses, strictly increasing, ``(n,)``; ``pulses_per_rev`` of them make one revolution."""

    time_s: np.ndarray = field(default_factory=_empty)
    pulses_per_rev: int = 1

    def between(self, from_s: float, to_s: float) -> TachPulses:
        """The pulses with from_s <= time_s < to_s."""
        return replace(self, **_cut(self, from_s, to_s))


@dataclass(frozen=True)
class VibrationSamples:
    """Acceleration in g on up to three axes, ``(n,)`` each, nominally every ``1 / rate_hz`` seconds.

    ``time_s`` jumps by more than one period where samples were lost; an axis that was not recorded is all NaN.
    ``first_index`` is the device's running number of the first sample: its vibration rule's windows begin at multiples.
    """

    time_s: np.ndarray = field(default_factory=_empty)
    ax_g: np.ndarray | None = None
    ay_g: np.ndarray | None = None
    az_g: np.ndarray | None = None
    rate_hz: float = 0.0
    first_index: int = 0

    def __post_init__(self) -> None:
        for axis in VIBRATION_AXES:
            values = getattr(self, axis.name)
            if values is None:
                values = np.broadcast_to(np.float32(np.nan), len(self.time_s))
            elif len(values) != len(self.time_s):
                raise ValueError(f"{axis.name} has {len(values)} values, time_s has {len(self.time_s)}")
            object.__setattr__(self, axis.name, values)

    def has(self, name: str) -> bool:
        """Whether the axis ``name`` holds at least one finite value."""
        return _says_something(getattr(self, name))

    def axes(self) -> tuple[str, ...]:
        """Names of the axes that were recorded."""
        return tuple(axis.name for axis in VIBRATION_AXES if self.has(axis.name))

    def running_numbers(self) -> np.ndarray:
        """Running numbers as the device counted, int64 ``(n,)``: lost samples, told by the times, are counted, too."""
        numbers = np.empty(len(self.time_s), dtype=np.int64)
        if len(numbers):
            numbers[0] = self.first_index
            np.cumsum(self._steps(self.time_s), dtype=np.int64, out=numbers[1:])
            numbers[1:] += self.first_index
        return numbers

    def _steps(self, time_s: np.ndarray) -> np.ndarray:
        """From each sample to the next, whole and at least 1; single steps, for the accelerometer has its own clock."""
        steps = np.diff(time_s)
        steps *= self.rate_hz
        np.rint(steps, out=steps)
        return np.maximum(steps, 1.0, out=steps)

    def between(self, from_s: float, to_s: float) -> VibrationSamples:
        """The samples with from_s <= time_s < to_s."""
        first = int(np.searchsorted(self.time_s, from_s))
        skipped = int(self._steps(self.time_s[: first + 1]).sum())
        return replace(self, **_cut(self, from_s, to_s), first_index=self.first_index + skipped)


class Event(NamedTuple):
    """Something at an instant; ``kind`` is "state", "trip", "abort", "plan", "link", "note", "limit" or "caution"."""

    time_s: float
    kind: str
    name: str
    detail: str = ""


@dataclass(frozen=True)
class Run:
    """One spin, from armed to rest, as arrays: what every analysis is given.

    ``source`` names the file it came from; ``problems`` says in plain lines what was missing or damaged there.
    ``rig_text`` and ``plan_text`` are the TOML that was in force, empty when unknown.
    """

    slow: SlowSamples = field(default_factory=SlowSamples)
    tach: TachPulses = field(default_factory=TachPulses)
    vibration: VibrationSamples = field(default_factory=VibrationSamples)
    events: tuple[Event, ...] = ()
    source: str = ""
    rig_text: str = ""
    plan_text: str = ""
    problems: tuple[str, ...] = ()

    def between(self, from_s: float, to_s: float) -> Run:
        """The part of the run with from_s <= time < to_s; times are not shifted."""
        kept = tuple(event for event in self.events if from_s <= event.time_s < to_s)
        return replace(
            self,
            slow=self.slow.between(from_s, to_s),
            tach=self.tach.between(from_s, to_s),
            vibration=self.vibration.between(from_s, to_s),
            events=kept,
        )

    def duration_s(self) -> float:
        """Seconds from the first to the last sample of any stream; 0 for an empty run."""
        ends = [stream.time_s[[0, -1]] for stream in (self.slow, self.tach, self.vibration) if len(stream.time_s)]
        return float(max(end[1] for end in ends) - min(end[0] for end in ends)) if ends else 0.0


def _says_something(values: np.ndarray) -> bool:
    """Whether any value is finite; most often the first ones tell, and an hour has millions."""
    pieces = (values[first : first + PIECE_ROWS] for first in range(0, len(values), PIECE_ROWS))
    return any(bool(np.isfinite(piece).any()) for piece in pieces)


def _cut(stream: SlowSamples | TachPulses | VibrationSamples, from_s: float, to_s: float) -> dict[str, Any]:
    """Every array of ``stream`` limited to the half-open time span."""
    first, last = np.searchsorted(stream.time_s, (from_s, to_s), side="left")
    arrays = {item.name: getattr(stream, item.name) for item in fields(stream)}
    return {name: values[first:last] for name, values in arrays.items() if isinstance(values, np.ndarray)}


def usual_interval_s(time_s: np.ndarray) -> float:
    """Median time between neighbours, of a long series by some of them; NaN for fewer than two."""
    every = len(time_s) // TYPICAL_OF | 1  # odd: one vibration sample in sixteen carries the poll's own time
    return float(np.median(time_s[1::every] - time_s[:-1:every])) if len(time_s) > 1 else float("nan")


def speed_from_pulses(pulses: TachPulses) -> tuple[np.ndarray, np.ndarray]:
    """Shaft speed between neighbouring pulses: (mid times in s, speed in rpm), each ``(n - 1,)``.

    Fewer than two pulses give empty arrays. A missed pulse shows as half the speed: it is not repaired here.
    """
    if len(pulses.time_s) < 2:
        return np.empty(0), np.empty(0)
    period_s = np.diff(pulses.time_s)
    return pulses.time_s[:-1] + period_s / 2, 60.0 / (period_s * pulses.pulses_per_rev)
