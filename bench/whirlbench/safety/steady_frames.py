"""Slow samples cut into frames of half a second, and which of them hold steady: what every trend is judged on."""

from __future__ import annotations

import math
from collections.abc import Iterator, Mapping
from typing import NamedTuple

import numpy as np

from whirlbench.rig.description import Rig
from whirlbench.safety.batch import Batch

FRAME_S = 0.5
SETTLED_FRAMES = 6  # after a command moved: rotor, air and load cell have answered within 3 s; our choice
SAME_COMMAND = 3.0  # us or rpm: rounding, and no move of a lever
LEAST_RPM = 300.0  # below, the rotor comes from rest or goes to it
LEAST_SAMPLES = 4
COMMANDS = ("throttle_us", "servo_us", "speed_request_rpm")
PIECE_ROWS = 4096  # that a batch is taken in, and for which there is room from the beginning


class Frame(NamedTuple):
    """Samples with ``from_s <= time < to_s``, number by number; a channel that is absent is NaN throughout.

    They are the ``rows`` of ``slow``, times and channels of many frames; ``means`` of the channels are this one's.
    ``steady``: turning and driven, and no command has moved for a while. ``command`` is the lever that holds the speed:
    the speed asked of a governor, else the throttle pulse; and the servo pulse, unless a governor moves it.
    """

    number: int
    from_s: float
    to_s: float  # when the frame ends, and its finding is known
    steady: bool
    driven: bool
    command: tuple[float, float]
    means: Mapping[str, float]
    slow: Mapping[str, np.ndarray]
    rows: slice

    def mean(self, name: str) -> float:
        """Mean of a channel; NaN where a sample is missing."""
        return self.means[name]

    def samples(self, name: str) -> np.ndarray:
        """Samples of a channel, or their times, "time_s"."""
        return self.slow[name][self.rows]


def mean_of(values: np.ndarray) -> float:
    """Mean of ``(n,)`` numbers: in so short a row the library's own takes longer for its preparations."""
    return float(np.add.reduce(values)) / len(values)


def median_of(values: np.ndarray) -> float:
    """Median of ``(n,)`` numbers without NaN, for the same reason."""
    ranked, middle = np.sort(values), len(values) // 2
    return float(ranked[middle]) if len(values) % 2 else float(ranked[middle - 1] + ranked[middle]) / 2.0


class SteadyFrames:
    """Cuts a stream into frames at fixed times, so that batches of any size give the same ones.

    Frames end ``phase`` (0 to 1) of a frame after the whole half seconds: trends of different phases never have work
    in one turn of the decision loop.
    """

    def __init__(self, rig: Rig, names: tuple[str, ...], phase: float = 0.0) -> None:
        self._phase = phase
        self._names = tuple(dict.fromkeys(("rpm", *COMMANDS, *names)))
        self._governs_pitch = rig.governor.mode == "pitch" and not rig.speed_controller.governs
        self._safe_us = rig.throttle.safe_us
        self.reset()

    def reset(self) -> None:
        """Forgets samples and commands."""
        self._held = np.empty((1 + len(self._names), 2 * PIECE_ROWS))  # times, then the channels: no frame is glued
        self._rows = 0
        self._number: int | None = None  # of the frame that is filling
        self._done = -2  # number of the latest whole one
        self._command: tuple[float, float] | None = None
        self._settled = 0

    def feed(self, batch: Batch) -> Iterator[Frame]:
        """The frames that ``batch`` completes, in order of time; a frame without samples is left out."""
        for first in range(0, len(batch.time_s), PIECE_ROWS):
            yield from self._take(batch, slice(first, first + PIECE_ROWS))

    def _take(self, batch: Batch, piece: slice) -> Iterator[Frame]:
        time_s = batch.time_s[piece]
        self._hold(time_s, batch.slow, piece)
        last = self._place(float(time_s[-1]))
        if self._number is None:
            self._number = self._place(float(time_s[0]))
        if last > self._number:
            yield from self._completed(last)

    def _hold(self, time_s: np.ndarray, slow: Mapping[str, np.ndarray], piece: slice) -> None:
        """Puts the samples behind those that are held."""
        begin, self._rows = self._rows, self._rows + len(time_s)
        if self._rows > self._held.shape[1]:
            self._held = np.hstack([self._held, np.empty_like(self._held)])
        self._held[0, begin : self._rows] = time_s
        for row, name in enumerate(self._names, 1):
            self._held[row, begin : self._rows] = slow[name][piece] if name in slow else np.nan

    def _place(self, time_s: float) -> int:
        return math.floor(time_s / FRAME_S - self._phase)

    def _completed(self, last: int) -> Iterator[Frame]:
        """The frames before the one numbered ``last``; what all of them need is worked out at once."""
        held = self._held[:, : self._rows].copy()  # a frame may be kept for longer
        numbers = np.floor(held[0] / FRAME_S - self._phase).astype(int)
        borders = np.append(np.flatnonzero(np.diff(numbers, prepend=numbers[0] - 1)), len(numbers))
        rest = held[:, borders[-2] :]
        self._rows = rest.shape[1]
        self._held[:, : self._rows] = rest
        self._number = last
        slow, starts, ends = dict(zip(("time_s", *self._names), held, strict=True)), borders[:-2], borders[1:-1]
        whole = slice(0, int(ends[-1]))
        means = (np.add.reduceat(held[1:, whole], starts, axis=1) / (ends - starts)).T.tolist()
        levers = self._levers({name: column[whole] for name, column in slow.items()})
        low, high = (reduce.reduceat(levers, starts, axis=1).T.tolist() for reduce in (np.minimum, np.maximum))
        latest = levers[:, ends - 1].T.tolist()
        driven = np.logical_and.reduceat(slow["throttle_us"][whole] > self._safe_us, starts).tolist()
        turning = np.logical_and.reduceat(slow["rpm"][whole] > LEAST_RPM, starts).tolist()
        for at, (first, end) in enumerate(zip(starts.tolist(), ends.tolist(), strict=True)):
            self._follow(int(numbers[first]), low[at], high[at], latest[at])
            assert self._command is not None
            settled = self._settled >= SETTLED_FRAMES and end - first >= LEAST_SAMPLES
            from_s, steady = (self._done + self._phase) * FRAME_S, driven[at] and turning[at] and settled
            mean = dict(zip(self._names, means[at], strict=True))
            command, rows = self._command, slice(first, end)
            yield Frame(self._done, from_s, from_s + FRAME_S, steady, driven[at], command, mean, slow, rows)

    def _follow(self, number: int, low: list[float], high: list[float], latest: list[float]) -> None:
        """Whether the levers, from ``low`` to ``high`` in this frame, stand where they stood in the one before."""
        if number != self._done + 1:
            self._command = None  # nobody saw what the levers did in between
        self._done = number
        command = self._command
        if command is not None and all(
            most - at <= SAME_COMMAND and at - least <= SAME_COMMAND
            for least, most, at in zip(low, high, command, strict=True)
        ):
            self._settled += 1
        else:
            self._command, self._settled = (latest[0], latest[1]), 0

    def _levers(self, slow: dict[str, np.ndarray]) -> np.ndarray:
        """What an operator or a plan moves, ``(2, n)``: what a governor moves by itself is no command.

        NaN, and so never held, where the throttle was not recorded.
        """
        request, servo = slow["speed_request_rpm"], slow["servo_us"]
        servo = np.where(servo == servo, servo, 0.0)  # NaN, which was not recorded, moves nothing
        asked = request > 0.0
        lever = np.where(asked, request, slow["throttle_us"])
        return np.stack([lever, np.where(asked, 0.0, servo) if self._governs_pitch else servo])
