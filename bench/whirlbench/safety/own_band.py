"""What a run learned of itself at each operating point, and how far it has left that since."""

from __future__ import annotations

import math
from dataclasses import dataclass, field

import numpy as np

LEARNED_FRAMES = 16  # 8 s of steady running teach a point; our choice
JUDGED_FRAMES = 4  # 2 s are averaged before they are compared, as a gust lasts
SCATTERS = (
    3.0  # of one frame, granted to a mean of four: gusts outlast a frame; proved by tests/benchmarks/safety/trends.py
)
MOST_POINTS = 400  # a run that wanders for hours takes no more memory than that
FINE_PITCH_DEG = 3.0  # finer blades count as these: what they carry is not nought where the angle is


@dataclass(frozen=True)
class OperatingPoint:
    """Where the stand runs: speed in rpm, blade angle in degrees, and the levers that hold it."""

    rpm: float
    pitch_deg: float
    command: tuple[float, float] = (0.0, 0.0)


@dataclass(frozen=True)
class Sameness:
    """What counts as one point, and what a healthy stand may differ by elsewhere, as shares of the level.

    ``same_rpm``: relative difference of speed within one point, infinite where only the levers tell. ``same_command``
    in us or rpm. ``per_rpm``: share granted for each unit of relative speed; ``per_pitch`` for each unit of relative
    blade angle; ``pitch_slope``: relative change of the level that is expected with the blade angle's.
    """

    same_rpm: float
    same_command: float
    per_rpm: float
    per_pitch: float
    pitch_slope: float
    same_pitch_deg: float = 0.75


@dataclass
class _Learned:
    place: OperatingPoint
    values: list[Value] = field(default_factory=list)
    level: Value | None = None
    scatter: float = math.nan

    def take(self, value: Value) -> None:
        self.values.append(value)
        if len(self.values) == LEARNED_FRAMES:
            taught = np.array(self.values)
            self.level = taught.mean(axis=0) if taught.ndim > 1 else float(taught.mean())
            self.scatter = float(np.sqrt((np.abs(taught - self.level) ** 2).sum() / (LEARNED_FRAMES - 1)))
            self.values = []


Value = float | np.ndarray


def _size(value: Value) -> float:
    return abs(value) if isinstance(value, float) else math.sqrt(float(np.vdot(value, value).real))


def _pitch_share(there: OperatingPoint, place: OperatingPoint) -> float:
    """Relative difference of the blade angles."""
    return (place.pitch_deg - there.pitch_deg) / max(abs(there.pitch_deg), FINE_PITCH_DEG)


class OwnBand:
    """Levels learned at first at each point, and never after: what grows slowly must not be taken for healthy.

    A value is a number, or an array of any fixed length, real or complex; sizes are Euclidean. ``floor`` is the least
    level that shares are taken of.
    """

    def __init__(self, sameness: Sameness, floor: float = 0.0) -> None:
        self._sameness, self._floor = sameness, floor
        self.reset()

    def reset(self) -> None:
        """Forgets all points."""
        self._points: list[_Learned] = []
        self._recent: list[Value] = []
        self._last = -2

    def departure(self, number: int, place: OperatingPoint, value: Value) -> float:
        """Takes the frame ``number``; how far the mean of the latest four is beyond what is explained, as a share.

        Explained are scatter, and what speed and blade angle may do between the nearest point that was learned and
        ``place``. NaN as long as nothing near was learned, or four frames did not follow each other; a value that is
        not finite is neither judged nor learned.
        """
        if not math.isfinite(_size(value)):
            return math.nan
        self._recent = [*self._recent, value][-JUDGED_FRAMES:] if number == self._last + 1 else [value]
        self._last = number
        judged = self._judge(place) if len(self._recent) == JUDGED_FRAMES else math.nan
        self._learn(place, value)
        return judged

    def _judge(self, place: OperatingPoint) -> float:
        """Departure from the point at which the least has to be granted."""
        learned = [point for point in self._points if point.level is not None]
        if not learned:
            return math.nan
        granted = [self._granted(point.place, place) for point in learned]
        mean, least = sum(self._recent[1:], self._recent[0]) / len(self._recent), min(granted)
        nearest = (point for point, share in zip(learned, granted, strict=True) if share == least)
        return min(self._against(point, place, mean, least) for point in nearest)

    def _granted(self, there: OperatingPoint, place: OperatingPoint) -> float:
        """Share that what lies between two places may make."""
        rule = self._sameness
        return rule.per_rpm * abs(math.log(place.rpm / there.rpm)) + rule.per_pitch * abs(_pitch_share(there, place))

    def _against(self, point: _Learned, place: OperatingPoint, mean: Value, granted: float) -> float:
        """Departure of the latest frames' ``mean`` from one point, beyond the share ``granted``."""
        assert point.level is not None
        expected = point.level * max(1.0 + self._sameness.pitch_slope * _pitch_share(point.place, place), 0.0)
        size = max(_size(expected), self._floor, 1e-12)
        away = _size(mean - expected)
        return max(0.0, (away - SCATTERS * point.scatter) / size - granted)

    def _learn(self, place: OperatingPoint, value: Value) -> None:
        here = next((point for point in self._points if self._same(point.place, place)), None)
        if here is None and len(self._points) < MOST_POINTS:
            here = _Learned(place)
            self._points.append(here)
        if here is not None and here.level is None:
            here.take(value)

    def _same(self, one: OperatingPoint, other: OperatingPoint) -> bool:
        rule = self._sameness
        return (
            abs(other.pitch_deg - one.pitch_deg) <= rule.same_pitch_deg
            and abs(one.command[0] - other.command[0]) <= rule.same_command
            and abs(one.command[1] - other.command[1]) <= rule.same_command
            and abs(math.log(other.rpm / one.rpm)) <= rule.same_rpm
        )
