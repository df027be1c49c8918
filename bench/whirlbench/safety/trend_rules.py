"""Trends while the propeller turns: rules that fire on what slowly, or clearly, leaves a run's own healthy behaviour.

They are fed like every rule and answer alike; the rig decides whether an answer is a caution or a trip
(``limits.trend_trips``). Each judges steady frames only (``safety.steady_frames``) and knows nothing before: what was
damaged when a point was learned is not seen. Temperatures are not streamed, and so no rule watches one.
"""

from __future__ import annotations

import math
from collections import deque
from collections.abc import Callable
from itertools import pairwise

import numpy as np

from whirlbench.rig.description import Rig
from whirlbench.safety.batch import Batch, Rule, Trip, VibrationBlock
from whirlbench.safety.own_band import OperatingPoint, OwnBand, Sameness
from whirlbench.safety.steady_frames import Frame, SteadyFrames, mean_of, median_of

CONFIRM_FRAMES = 2  # in a row beyond the limit: a lone frame is a knock
BACK_SHARE = 0.8  # of the limit, below which a trend has to come before it fires anew
LATE_S = 2.0  # a frame whose vibration or tach has not come by then is not judged
# Our choices, proved by tests/benchmarks/safety/trends.py. Near a lightly damped resonance of the stand 1P turns and
# swells with the speed: 25 is what a damping of 4 % makes of it at its peak (1 / damping; any text on vibration).
BAND_1P = Sameness(same_rpm=0.01, same_command=math.inf, per_rpm=25.0, per_pitch=0.5, pitch_slope=0.0)
LEAST_1P_G = 0.05  # shares of less than this say nothing: the noise of a part of this class, and no load on a blade
# Thrust of a propeller at rest goes about with the blade angle, power a little steeper; Reynolds number of the blades
# and losses of the drive change the coefficients with speed.
OWN_THRUST = Sameness(same_rpm=math.inf, same_command=6.0, per_rpm=0.3, per_pitch=0.6, pitch_slope=1.0)
OWN_CURRENT = Sameness(same_rpm=math.inf, same_command=6.0, per_rpm=0.9, per_pitch=1.0, pitch_slope=1.2)
LEAST_TURNS = 3
SAME_TURN = 1.25  # longest over shortest turn of a frame in which the angle is believed
LEAST_SAMPLES_PER_TURN = 8
HUNTING_FRAMES = 6  # 3 s: slower swings are gusts and a pack that tires
HUNTING_PARTS = 4  # of a frame
BENT_LINE = np.linalg.qr(np.vander(np.linspace(-1.0, 1.0, HUNTING_FRAMES * HUNTING_PARTS), 3))[0]


class Trend:
    """Common to all trends: the latest finding in % (NaN: not judged), and when it fires."""

    name = ""
    phase = 0.0  # of its frames: each trend has another
    confirm_frames = CONFIRM_FRAMES

    def __init__(self, name: str, limit_pct: float, rig: Rig, channels: tuple[str, ...]) -> None:
        self.name, self.limit = name, limit_pct
        self._frames = SteadyFrames(rig, channels, self.phase)
        self.reset()

    def reset(self) -> None:
        """Forgets the run."""
        self._frames.reset()
        self.value = math.nan
        self.judged_frames = 0
        self._beyond, self._fired = 0, False

    def feed(self, batch: Batch) -> Trip | None:
        """First trip in ``batch``, or None; fires anew only after it came back."""
        first = None
        for frame in self._frames.feed(batch):
            trip = self._take(frame.to_s, self._find(frame))
            first = first or trip
        return first

    def _find(self, frame: Frame) -> float:
        raise NotImplementedError(type(self).__name__)

    def _take(self, at_s: float, value: float) -> Trip | None:
        """The finding of one frame, in %; NaN leaves off a row that was beginning, and never ends an alarm."""
        self.value = value
        self.judged_frames += not math.isnan(value)
        self._beyond = self._beyond + 1 if value > self.limit else 0
        if value < BACK_SHARE * self.limit:
            self._fired = False
        if self._beyond < self.confirm_frames or self._fired:
            return None
        self._fired = True
        return Trip(self.name, at_s, value, self.limit)


class FirstOrderRule(Trend):
    """Fires when the 1P vector, all axes together, leaves what this run learned at this speed and blade angle.

    The vector is taken over whole turns between marks of the tach, so that neither gravity nor other orders leak in.
    With several marks a turn nobody knows which is the first after a lost one: then its size alone is judged.
    """

    def __init__(self, name: str, limit_pct: float, rig: Rig) -> None:
        self._per_turn = rig.tach.pulses_per_rev
        self._band = OwnBand(BAND_1P, LEAST_1P_G)
        super().__init__(name, limit_pct, rig, ("pitch_deg",))

    def reset(self) -> None:
        """Forgets the run."""
        super().reset()
        self._band.reset()
        self._waiting: deque[Frame] = deque()
        self._edges: deque[np.ndarray] = deque()
        self._blocks: deque[VibrationBlock] = deque()

    def feed(self, batch: Batch) -> Trip | None:
        """First trip in ``batch``, or None; a frame waits until tach and vibration have passed its end."""
        first = None
        if len(batch.edges_s):
            self._edges.append(batch.edges_s)
        self._blocks.extend(batch.vibration)
        now_s = -math.inf
        for frame in self._frames.feed(batch):
            self._waiting.append(frame)
            now_s = frame.to_s
        while self._waiting and (self._heard(self._waiting[0].to_s) or self._waiting[0].to_s < now_s - LATE_S):
            frame = self._waiting.popleft()
            trip = self._take(frame.to_s, self._find(frame))
            first = first or trip
            self._forget_before(frame.to_s)
        return first

    def _heard(self, end_s: float) -> bool:
        edge_s = self._edges[-1][-1] if self._edges else -math.inf
        return bool(edge_s >= end_s and self._blocks and self._blocks[-1].time_s[-1] >= end_s)

    def _forget_before(self, time_s: float) -> None:
        """A turn that lies across the end of a frame still needs its first mark, and no frame needs more."""
        while len(self._edges) > 1 and self._edges[1][0] <= time_s:
            self._edges.popleft()
        while self._blocks and self._blocks[0].time_s[-1] < time_s:
            self._blocks.popleft()

    def _find(self, frame: Frame) -> float:
        vector = self._vector_g(frame) if frame.steady else None
        if vector is None:
            return math.nan
        pitch_deg = frame.mean("pitch_deg")
        place = OperatingPoint(frame.mean("rpm"), 0.0 if math.isnan(pitch_deg) else pitch_deg)
        return 100.0 * self._band.departure(frame.number, place, vector)

    def _vector_g(self, frame: Frame) -> np.ndarray | None:
        """1P of each axis in g peak, complex ``(axes,)``; None where turns or samples are missing."""
        parts_s = [part[_inside(part, frame.from_s, frame.to_s)] for part in self._edges]
        marks_s = (parts_s[0] if len(parts_s) == 1 else np.concatenate(parts_s or [np.empty(0)]))[:: self._per_turn]
        turns_s = marks_s[1:] - marks_s[:-1]
        if len(turns_s) < LEAST_TURNS or turns_s.max() > SAME_TURN * turns_s.min():
            return None
        cuts = [(block, _inside(block.time_s, marks_s[0], marks_s[-1])) for block in self._blocks]
        taken = [(block.time_s[rows], block.acceleration_g[rows]) for block, rows in cuts if rows.stop > rows.start]
        if len({acceleration_g.shape[1] for _, acceleration_g in taken}) != 1:
            return None
        time_s, acceleration_g = taken[0]
        if len(taken) > 1:
            time_s, acceleration_g = (np.concatenate(column) for column in zip(*taken, strict=True))
        return self._projected(time_s, acceleration_g, marks_s) if _without_gap(time_s, marks_s) else None

    def _projected(self, time_s: np.ndarray, acceleration_g: np.ndarray, marks_s: np.ndarray) -> np.ndarray:
        turn = np.interp(time_s, marks_s, np.arange(len(marks_s)))
        angle, shaking_g = 2.0 * np.pi * turn, acceleration_g - np.add.reduce(acceleration_g) / len(acceleration_g)
        vector: np.ndarray = 2.0 * (np.cos(angle) @ shaking_g - 1j * (np.sin(angle) @ shaking_g))
        return (vector if self._per_turn == 1 else np.abs(vector)) / len(time_s)


def _inside(time_s: np.ndarray, from_s: float, to_s: float) -> slice:
    """The samples with from_s <= time < to_s."""
    first, end = time_s.searchsorted((from_s, to_s)).tolist()
    return slice(first, end)


def _without_gap(time_s: np.ndarray, marks_s: np.ndarray) -> bool:
    """Whether samples lie evenly from the first mark to the last, enough of them in each turn."""
    if len(time_s) < LEAST_SAMPLES_PER_TURN * (len(marks_s) - 1):
        return False
    held_s = np.concatenate((marks_s[:1], time_s, marks_s[-1:]))
    steps_s = held_s[1:] - held_s[:-1]
    longest_s = float(np.maximum.reduce(steps_s))  # below 2.5 of the shortest it is so of the median, too
    return longest_s < 2.5 * float(np.minimum.reduce(steps_s)) or longest_s < 2.5 * median_of(steps_s)


class OwnLoadRule(Trend):
    """Fires when a load leaves its own model at this speed and blade angle, upwards or downwards.

    ``coefficient`` makes of a frame a number that speed alone hardly changes; NaN where it cannot.
    """

    def __init__(
        self,
        name: str,
        limit_pct: float,
        rig: Rig,
        sameness: Sameness,
        channels: tuple[str, ...],
        coefficient: Callable[[Frame], float],
        phase: float,
    ) -> None:
        self.phase = phase
        self._band, self._coefficient = OwnBand(sameness), coefficient
        super().__init__(name, limit_pct, rig, ("pitch_deg", *channels))

    def reset(self) -> None:
        """Forgets the run."""
        super().reset()
        self._band.reset()

    def _find(self, frame: Frame) -> float:
        value = self._coefficient(frame) if frame.steady else math.nan
        if math.isnan(value):
            return math.nan
        pitch_deg = frame.mean("pitch_deg")
        place = OperatingPoint(frame.mean("rpm"), 0.0 if math.isnan(pitch_deg) else pitch_deg, frame.command)
        return 100.0 * self._band.departure(frame.number, place, value)


def thrust_coefficient(frame: Frame) -> float:
    """Thrust over the square of the speed, in N/rpm2."""
    return frame.mean("thrust_n") / mean_of(frame.samples("rpm") ** 2)


def power_coefficient(frame: Frame) -> float:
    """Electric power over the cube of the speed, in W/rpm3: a tiring pack changes the current, not this."""
    rpm = frame.samples("rpm")
    return mean_of(frame.samples("current_a") * frame.samples("voltage_v")) / mean_of(rpm * rpm * rpm)


class HuntingRule(Trend):
    """Fires when the speed swings by itself: peak of what swings at 0.5 to 4 Hz, in % of the speed."""

    phase = 0.6
    confirm_frames = 1  # of three seconds each: a governor that hunts may double its swing twice in a second

    def __init__(self, name: str, limit_pct: float, rig: Rig) -> None:
        super().__init__(name, limit_pct, rig, ())

    def reset(self) -> None:
        """Forgets the run."""
        super().reset()
        self._kept: deque[np.ndarray] = deque(maxlen=HUNTING_FRAMES)
        self._last = -2

    def _find(self, frame: Frame) -> float:
        if not frame.steady or frame.number != self._last + 1:
            self._kept.clear()
        self._last = frame.number
        if frame.steady:
            self._kept.append(_medians(frame.samples("rpm")))
        return self._swing_pct() if len(self._kept) == HUNTING_FRAMES else math.nan

    def _swing_pct(self) -> float:
        """Peak of a sine with the mean square of what a bent line through the speed leaves over.

        Medians of an eighth of a second: one missed tach pulse must not pass for a swing.
        """
        speed = np.concatenate(self._kept)
        left = speed - BENT_LINE @ (BENT_LINE.T @ speed)
        return 100.0 * math.sqrt(2.0 * float(left @ left) / len(left)) / mean_of(speed)


def _medians(speed: np.ndarray) -> np.ndarray:
    """Medians of the parts of a frame, the first of which take what does not divide."""
    size, more = divmod(len(speed), HUNTING_PARTS)
    ends = [(part + 1) * size + min(part + 1, more) for part in range(HUNTING_PARTS)]
    return np.array([median_of(speed[begin:end]) for begin, end in pairwise((0, *ends))])


class PackSagRule(Trend):
    """Fires when the pack gives so much less under load than it gave at rest in this run, before it was driven."""

    phase = 0.8

    def __init__(self, name: str, limit_pct: float, rig: Rig) -> None:
        super().__init__(name, limit_pct, rig, ("voltage_v",))

    def reset(self) -> None:
        """Forgets the run."""
        super().reset()
        self._rest_v = math.nan

    def _find(self, frame: Frame) -> float:
        voltage_v = frame.mean("voltage_v")
        if not frame.driven:
            if voltage_v > 0.0 and not self._rest_v >= voltage_v:
                self._rest_v = voltage_v
            return math.nan
        sag = 1.0 - voltage_v / self._rest_v if voltage_v > 0.0 else math.nan
        return 100.0 * float(np.maximum(sag, 0.0))  # which keeps NaN, as max does not


def _own_thrust(name: str, limit_pct: float, rig: Rig) -> Rule:
    return OwnLoadRule(name, limit_pct, rig, OWN_THRUST, ("thrust_n",), thrust_coefficient, 0.2)


def _own_current(name: str, limit_pct: float, rig: Rig) -> Rule:
    return OwnLoadRule(name, limit_pct, rig, OWN_CURRENT, ("current_a", "voltage_v"), power_coefficient, 0.4)


# rule of a row in rig.limits -> how it is made for that row's key, its number and the rig
TREND_RULES: dict[str, Callable[[str, float, Rig], Rule]] = {
    "own 1P band": FirstOrderRule,
    "own thrust": _own_thrust,
    "own current": _own_current,
    "hunting": HuntingRule,
    "pack sag": PackSagRule,
}
