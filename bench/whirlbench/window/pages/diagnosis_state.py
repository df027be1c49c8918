"""What the replay view shows of a diagnosis: order map, markers, and a second run laid beside the first. No Qt here."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from whirlbench.analysis.onset import OnsetReport
from whirlbench.analysis.orders import OrderMap, map_orders, track_orders
from whirlbench.errors import AnalysisError
from whirlbench.samples import Run

LEAST_SPAN_S = 0.5
MAP_FLOOR_G = 1e-3
SLOWEST, FASTEST = 0.1, 100.0  # times real time
RPM_STEP = 50.0
ORDER_STEP_S = 0.1  # short frames, so that a ramp fills every step of speed


@dataclass(frozen=True)
class Marker:
    """A moment worth jumping to: ``kind`` is "onset", "caution", "trip", "failure" or the kind of a recorded event.

    ``from_s`` to ``to_s`` is its interval where it has one, else the moment itself.
    """

    at_s: float
    kind: str
    text: str
    from_s: float
    to_s: float


@dataclass(frozen=True)
class MapPicture:
    """An order map ready to draw: ``level_db[frame, order]`` re 1 mg peak, NaN as the lowest; axes of both
    directions."""

    time_s: np.ndarray
    rpm: np.ndarray
    order: np.ndarray
    level_db: np.ndarray
    axis: str

    def cursor(self, time_s: float, order: float) -> tuple[float, float, float, float]:
        """(time in s, rpm, order, amplitude in g peak) of the cell nearest to a place under the cursor."""
        row = int(np.argmin(np.abs(self.time_s - time_s)))
        column = int(np.argmin(np.abs(self.order - order)))
        amplitude_g = MAP_FLOOR_G * 10.0 ** (self.level_db[row, column] / 20.0)
        return float(self.time_s[row]), float(self.rpm[row]), float(self.order[column]), float(amplitude_g)


@dataclass(frozen=True)
class Alignment:
    """For each moment of the first run, the moment of the second with the same speed in the same direction; NaN
    where none."""

    first_s: np.ndarray
    second_s: np.ndarray

    def second_at(self, first_s: float) -> float:
        """Moment of the second run that belongs to ``first_s``; NaN outside or where the second never had that
        speed."""
        if not len(self.first_s) or not self.first_s[0] <= first_s <= self.first_s[-1]:
            return float("nan")
        return float(self.second_s[int(np.argmin(np.abs(self.first_s - first_s)))])


@dataclass(frozen=True)
class OrderComparison:
    """Amplitude of one order against rpm for two runs, median over all frames in each step of speed, in g peak; NaN
    unvisited."""

    rpm: np.ndarray
    first_g: np.ndarray
    second_g: np.ndarray


@dataclass(frozen=True)
class Playback:
    """Position and pace of a replay; every change gives a new one, so that the view only draws."""

    from_s: float
    to_s: float
    at_s: float
    pace: float = 1.0
    playing: bool = False

    def advanced(self, elapsed_s: float) -> Playback:
        """After ``elapsed_s`` of wall time; stops at the end."""
        if not self.playing:
            return self
        at_s = self.at_s + self.pace * elapsed_s
        return self._with(at_s, self.pace, at_s < self.to_s)

    def moved_to(self, at_s: float) -> Playback:
        """At another moment, held inside the run."""
        return self._with(at_s, self.pace, self.playing)

    def paced(self, pace: float) -> Playback:
        """At another pace, held between 0.1 and 100 times real time."""
        return self._with(self.at_s, pace, self.playing)

    def started(self, playing: bool = True) -> Playback:
        """Playing or paused; starting at the end begins anew."""
        at_s = self.from_s if playing and self.at_s >= self.to_s else self.at_s
        return self._with(at_s, self.pace, playing)

    def at_next(self, markers: tuple[Marker, ...], forward: bool = True) -> Playback:
        """At the next marker (or the one before), or unmoved where there is none."""
        times = [marker.at_s for marker in markers]
        ahead = [one for one in times if (one > self.at_s + 1e-6 if forward else one < self.at_s - 1e-6)]
        return self.moved_to((min if forward else max)(ahead)) if ahead else self

    def _with(self, at_s: float, pace: float, playing: bool) -> Playback:
        held_s = float(np.clip(at_s, self.from_s, self.to_s))
        return Playback(self.from_s, self.to_s, held_s, float(np.clip(pace, SLOWEST, FASTEST)), playing)


def playback_of(run: Run) -> Playback:
    """Playback of the whole of ``run``, paused at its start; at least half a second long."""
    streams = [stream.time_s for stream in (run.slow, run.tach, run.vibration) if len(stream.time_s)]
    from_s = float(min((time_s[0] for time_s in streams), default=0.0))
    to_s = float(max((time_s[-1] for time_s in streams), default=0.0))
    return Playback(from_s, max(to_s, from_s + LEAST_SPAN_S), from_s)


def markers(run: Run, report: OnsetReport | None, trips: tuple[tuple[str, float], ...] = ()) -> tuple[Marker, ...]:
    """Everything to jump to, in order of time: recorded events, onset, caution, failure and back-tested ``trips``."""
    found = [
        Marker(event.time_s, event.kind, f"{event.name} {event.detail}".strip(), event.time_s, event.time_s)
        for event in run.events
    ]
    found += [Marker(at_s, "trip", f"{rule} would trip", at_s, at_s) for rule, at_s in trips]
    if report is not None and report.onset is not None:
        onset = report.onset
        text = f"onset of {onset.kind}: {onset.signal} moved first"
        found.append(Marker(onset.at_s, "onset", text, onset.from_s, onset.to_s))
        found.append(Marker(onset.caution_s, "caution", "past doubt", onset.caution_s, onset.caution_s))
    if report is not None and report.failure is not None:
        at_s = report.failure.at_s
        found.append(Marker(at_s, "failure", report.failure.kind, at_s, at_s))
    return tuple(sorted(found, key=lambda marker: marker.at_s))


def map_picture(run: Run, axis: str | None = None, highest_order: int = 12) -> MapPicture:
    """Order map of ``axis`` (default: the one that shakes most) in decibels; AnalysisError as ``map_orders``."""
    axis = axis or _strongest_axis(run)
    drawn = map_orders(run, axis, highest_order=highest_order)
    return MapPicture(drawn.time_s, drawn.rpm, drawn.order, _decibels(drawn), axis)


def align_on_rpm(first: Run, second: Run, step_s: float = 0.1) -> Alignment:
    """Lays ``second`` beside ``first`` by speed: at every moment of the first, the nearest moment of like speed.

    Among the second's moments within 2 % of speed, those that move the same way (rising, holding, falling) are
    preferred,
    then the one that keeps time flowing on most evenly. Raises AnalysisError when either has no rpm channel.
    """
    (time1, rpm1, way1), (time2, rpm2, way2) = (_speed_course(run, step_s) for run in (first, second))
    matched = np.full(len(time1), np.nan)
    last_s = time2[0] - step_s
    for index in range(len(time1)):
        like = np.flatnonzero(np.abs(rpm2 / rpm1[index] - 1.0) < 0.02)
        if not len(like):
            continue
        cost = np.abs(time2[like] - (last_s + step_s)) + 1e3 * (way2[like] != way1[index])
        matched[index] = last_s = time2[like[int(np.argmin(cost))]]
    return Alignment(time1, matched)


def compare_order(first: Run, second: Run, axis: str, order: int = 1) -> OrderComparison:
    """Amplitude of ``order`` on ``axis`` against speed for both runs; AnalysisError as ``track_orders``."""
    binned = [_against_rpm(run, axis, order) for run in (first, second)]
    keys = sorted(set(binned[0]) | set(binned[1]))
    columns = [np.array([one.get(key, np.nan) for key in keys]) for one in binned]
    return OrderComparison((np.array(keys) + 0.5) * RPM_STEP, columns[0], columns[1])


def _against_rpm(run: Run, axis: str, order: int) -> dict[int, float]:
    tracks = track_orders(run, (order,), ORDER_STEP_S)
    if axis not in tracks.axes:
        raise AnalysisError(
            f"no {axis} was recorded in {run.source or 'the run'}: choose one of {', '.join(tracks.axes)}"
        )
    amplitude = np.abs(tracks.phasor(axis, order))
    good = np.isfinite(amplitude) & np.isfinite(tracks.rpm)
    step = np.floor(tracks.rpm[good] / RPM_STEP).astype(int)
    return {int(key): float(np.median(amplitude[good][step == key])) for key in np.unique(step)}


def _strongest_axis(run: Run) -> str:
    axes = run.vibration.axes()
    if not axes:
        raise AnalysisError("no vibration was recorded: there is no order map to draw")
    return max(axes, key=lambda axis: float(np.nanstd(getattr(run.vibration, axis))))


def _decibels(drawn: OrderMap) -> np.ndarray:
    return 20.0 * np.log10(np.maximum(np.nan_to_num(drawn.amplitude_g), MAP_FLOOR_G) / MAP_FLOOR_G)


def _speed_course(run: Run, step_s: float) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """(times, rpm, direction -1, 0, 1) of turning moments on an even grid."""
    rpm = run.slow.channel("rpm")
    good = np.isfinite(rpm)
    if good.sum() < 2:
        raise AnalysisError(f"{run.source or 'the run'} has no rpm channel: runs cannot be aligned on speed")
    time_s = np.arange(run.slow.time_s[good][0], run.slow.time_s[good][-1], step_s)
    course = np.interp(time_s, run.slow.time_s[good], rpm[good])
    change = np.gradient(course) / step_s if len(course) > 1 else np.zeros(len(course))
    way = np.where(np.abs(change) < 0.02 * np.maximum(course, 1.0), 0, np.sign(change)).astype(int)
    turning = course > 1.0
    if not turning.any():
        raise AnalysisError(f"{run.source or 'the run'} never turned: runs cannot be aligned on speed")
    return time_s[turning], course[turning], way[turning]
