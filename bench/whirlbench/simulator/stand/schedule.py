"""What is asked of a simulated stand over time: set points joined by holds and straight ramps."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import NamedTuple

import numpy as np

from whirlbench.simulator.stand.actuators import request_table
from whirlbench.simulator.stand.settings import PlantSettings


@dataclass(frozen=True)
class SetPoint:
    """From ``at_s`` on the named quantities go to new values, in a straight line over ``ramp_s`` (0: a step).

    A quantity that is None stays as it was. ``servo_us`` or ``pitch_deg`` (by the rig's pitch table). A pulse for
    what a governor moves ends the request, as on the device: the throttle's, or the servo's where it governs by pitch.
    """

    at_s: float
    throttle_us: float | None = None
    request_rpm: float | None = None
    servo_us: float | None = None
    pitch_deg: float | None = None
    ramp_s: float = 0.0

    def __post_init__(self) -> None:
        if self.servo_us is not None and self.pitch_deg is not None:
            raise ValueError(f"set point at {self.at_s} s: give servo_us or pitch_deg, not both")


@dataclass(frozen=True)
class Schedule:
    """Set points in order of time, and how long the run lasts."""

    points: tuple[SetPoint, ...]
    duration_s: float

    @classmethod
    def holds(cls, holds: Sequence[SetPoint], each_s: float, ramp_s: float = 1.0, first_s: float = 1.0) -> Schedule:
        """One hold after another, ``each_s`` seconds each with its ramp; the ``at_s`` of ``holds`` are replaced."""
        points = tuple(
            SetPoint(
                first_s + number * each_s, hold.throttle_us, hold.request_rpm, hold.servo_us, hold.pitch_deg, ramp_s
            )
            for number, hold in enumerate(holds)
        )
        return cls(points, first_s + len(holds) * each_s)


@dataclass(frozen=True)
class Commands:
    """A schedule as arrays ``(n,)`` on a common time base; ``request_rpm`` is NaN where no speed is asked for."""

    time_s: np.ndarray
    throttle_us: np.ndarray
    servo_us: np.ndarray
    request_rpm: np.ndarray


def commands(schedule: Schedule, settings: PlantSettings, step_s: float) -> Commands:
    """The pulses of ``schedule`` every ``step_s``; before the first set point the throttle is safe, the pitch at rest.

    A request becomes a throttle pulse by the rig's request table where the speed controller governs.
    """
    rig = settings.rig
    time = np.arange(math.ceil(schedule.duration_s / step_s - 1e-9)) * step_s
    throttle = np.full(len(time), float(rig.throttle.safe_us))
    servo = np.full(len(time), float(rig.pitch.safe_us or settings.pitch_table()[0][0]))
    request = np.full(len(time), np.nan)
    track = _Track(time, throttle, servo, request, governs_pitch(settings), rig.speed_controller.governs)
    for point in schedule.points:
        pulse = point.servo_us
        if point.pitch_deg is not None:
            pulse = float(settings.pulse_for_pitch(np.array(point.pitch_deg)))
        track.move(point, pulse)
    if rig.speed_controller.governs:
        asked = np.isfinite(request)
        throttle[asked] = pulse_for_request(settings, request[asked])
    return Commands(time, throttle, servo, request)


def pulse_for_request(settings: PlantSettings, request_rpm: np.ndarray) -> np.ndarray:
    """Throttle pulse asking a governing controller for speeds in rpm; the safe pulse below half of its least."""
    pulses, speeds = np.asarray(request_table(settings)).T
    pulse = np.interp(request_rpm, speeds, pulses)
    return np.where(request_rpm < 0.5 * speeds[0], settings.rig.throttle.safe_us, pulse)


def governs_pitch(settings: PlantSettings) -> bool:
    """Whether a request moves the pitch servo."""
    return settings.rig.governor.mode == "pitch" and not settings.rig.speed_controller.governs


class _Track(NamedTuple):
    """The arrays of ``commands`` while they are being filled."""

    time_s: np.ndarray
    throttle_us: np.ndarray
    servo_us: np.ndarray
    request_rpm: np.ndarray
    governs_pitch: bool
    starts_at_rest: bool  # a first request grows from zero; the bench's governor takes over a running rotor instead

    def move(self, point: SetPoint, servo_us: float | None) -> None:
        """From the set point on, everything it names goes to its new value."""
        first = int(np.searchsorted(self.time_s, point.at_s - 1e-9))
        if first == len(self.time_s):
            return
        share = np.clip((self.time_s[first:] - point.at_s) / point.ramp_s, 0.0, 1.0) if point.ramp_s else 1.0
        taken_back = servo_us if self.governs_pitch else point.throttle_us
        if taken_back is not None:
            self.request_rpm[first:] = np.nan
        if point.request_rpm is not None and math.isnan(self.request_rpm[first]):
            self.request_rpm[first:] = 0.0 if self.starts_at_rest else point.request_rpm
        for values, goal in (
            (self.throttle_us, point.throttle_us),
            (self.servo_us, servo_us),
            (self.request_rpm, point.request_rpm),
        ):
            if goal is not None:
                values[first:] = values[first] + (goal - values[first]) * share
