"""What a run shows of its condition, four times a second: the signals in which an onset is looked for."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from whirlbench.analysis.orders import (
    FrameGrid,
    OrderTracks,
    centred,
    middle,
    sample_rate_hz,
    shaft_angle,
    track_vibration,
)
from whirlbench.errors import AnalysisError
from whirlbench.rig.description import Rig
from whirlbench.samples import Run, speed_from_pulses

STEP_S = 0.25
HIGHEST_ORDER = 8
IDLE_SHARE = 0.02  # of the largest current: below, the rotor coasts
THROTTLE_RANGE_US = 100.0  # a throttle that moved less was never closed
VECTOR_ORDERS = (1, 2, 3)
VIBRATION, LOAD, SPEED = "vibration", "load", "speed"  # kinds of signals, see Signal
LEAST_JITTER = 3e-4  # of speed from turn to turn: less is the tach's own; our choice
TURNING_RPM = 200.0  # below this the frames are not judged; our choice


@dataclass(frozen=True)
class Signal:
    """A named group of feature columns that move together, such as both parts of 1P on every axis.

    ``floor`` is the least scatter, as a share of the level, that is believed: smaller wandering is not damage. ``kind``
    is what it answers to: speed and stand (VIBRATION), the air's load (LOAD), or the drive (SPEED). A ``gusty`` one
    wanders with the air.
    """

    name: str
    columns: tuple[int, ...]
    floor: float
    kind: str = VIBRATION
    gusty: bool = False


@dataclass(frozen=True)
class Features:
    """Feature ``values`` ``(frames, columns)`` with their ``level`` (same shape), and the operating point per frame.

    Orders and thrust are per (rpm/1000)^2, current (as power at a steady voltage) per its cube; broadband, crest
    factor, higher orders and unsteadiness are natural logarithms; speed is 100 ln(rpm). ``command`` holds what was
    asked (request or throttle pulse, servo pulse), NaN where not recorded. ``notes`` say what could not be judged.
    """

    time_s: np.ndarray
    step_s: float
    rpm: np.ndarray
    command: np.ndarray  # (frames, 2)
    driven: np.ndarray  # whether the motor drives, as far as is known
    pitch_deg: np.ndarray
    values: np.ndarray
    level: np.ndarray
    signals: tuple[Signal, ...]
    notes: tuple[str, ...]

    def signal(self, name: str) -> Signal:
        """The signal called ``name``; KeyError when the run does not have it."""
        for one in self.signals:
            if one.name == name:
                return one
        raise KeyError(name)


class _Columns:
    """Collects columns and the signals made of them."""

    def __init__(self) -> None:
        self.values: list[np.ndarray] = []
        self.levels: list[np.ndarray] = []
        self.signals: list[Signal] = []

    def add(
        self,
        name: str,
        floor: float,
        columns: list[np.ndarray],
        levels: list[np.ndarray],
        kind: str = VIBRATION,
        gusty: bool = False,
    ) -> None:
        """Adds a signal unless none of its columns was ever seen."""
        kept = [(v, w) for v, w in zip(columns, levels, strict=True) if np.isfinite(v).sum() >= 8]
        if kept:
            first = len(self.values)
            self.signals.append(Signal(name, tuple(range(first, first + len(kept))), floor, kind, gusty))
            self.values += [value for value, _ in kept]
            self.levels += [level for _, level in kept]


def run_features(run: Run, rig: Rig | None = None, step_s: float = STEP_S) -> Features:
    """Features of ``run`` in overlapping frames every ``step_s`` seconds.

    ``rig`` only names the blade-pass order. Raises AnalysisError without any speed. Streams that are missing lower what
    can be seen, and ``notes`` name them; frames in gaps are NaN.
    """
    start_s, blocks = _span(run, step_s)
    centre_s = start_s + step_s * np.arange(1, blocks)
    if len(centre_s) < 1:
        raise AnalysisError("the run is shorter than one frame: nothing can be judged")
    notes: list[str] = []
    slow_grid = FrameGrid(run.slow.time_s, step_s, start_s, blocks)
    rpm = _frame_speed(run, slow_grid, centre_s)
    columns = _Columns()
    scale = (np.where(rpm > TURNING_RPM, rpm, np.nan) / 1000.0) ** 2
    _add_vibration(columns, run, rig, FrameGrid(run.vibration.time_s, step_s, start_s, blocks), scale, notes)
    _add_slow(columns, run, slow_grid, scale, notes)
    _add_speed(columns, run, rpm, start_s, step_s, blocks, notes)
    if not columns.signals:
        raise AnalysisError(_why_no_signal(rpm))
    return Features(
        time_s=centre_s,
        step_s=step_s,
        rpm=rpm,
        command=_commands(run, slow_grid),
        driven=_driven(run, slow_grid) & ~_tripped(run, centre_s, rpm, step_s),
        pitch_deg=_mean(run, slow_grid, "pitch_deg"),
        values=np.column_stack(columns.values),
        level=np.column_stack(columns.levels),
        signals=tuple(columns.signals),
        notes=tuple(notes),
    )


def _why_no_signal(rpm: np.ndarray) -> str:
    if (rpm > TURNING_RPM).any():
        return "speed alone was recorded: without vibration, thrust or current there is nothing to judge it by"
    return f"the shaft never turned faster than {TURNING_RPM:g} rpm: nothing can be judged"


def _span(run: Run, step_s: float) -> tuple[float, int]:
    """Start of the earliest stream and whole steps to the end of the latest."""
    ends = [s.time_s[[0, -1]] for s in (run.slow, run.tach, run.vibration) if len(s.time_s)]
    if not ends:
        raise AnalysisError("the recording holds no samples")
    start_s = float(min(end[0] for end in ends))
    return start_s, int((max(end[1] for end in ends) - start_s) / step_s)


def _frame_speed(run: Run, grid: FrameGrid, centre_s: np.ndarray) -> np.ndarray:
    """Mean rpm per frame: from tach pulses, else from the rpm channel; zero at rest."""
    middle_s, speed = speed_from_pulses(run.tach)
    if len(middle_s) >= 4:
        step_s = centre_s[1] - centre_s[0] if len(centre_s) > 1 else STEP_S
        rpm = np.interp(centre_s, middle_s, speed, left=0.0, right=0.0)
        before = np.searchsorted(run.tach.time_s, centre_s - step_s)
        after = np.searchsorted(run.tach.time_s, centre_s + step_s)
        count = after - before - 1
        last, first = np.clip(after - 1, 0, None), np.clip(before, 0, len(run.tach.time_s) - 1)
        span_s = run.tach.time_s[last] - run.tach.time_s[first]
        with np.errstate(invalid="ignore", divide="ignore"):
            mean = 60.0 * count / (span_s * run.tach.pulses_per_rev)
        known = (count >= 2) & (span_s > step_s)
        return np.where(known, mean, np.where(count < 1, 0.0, rpm))
    if run.slow.has("rpm"):
        return _mean(run, grid, "rpm")
    raise AnalysisError("neither tach pulses nor an rpm channel: behaviour against speed cannot be judged")


def _mean(run: Run, grid: FrameGrid, name: str) -> np.ndarray:
    """Frame means of a slow channel over its finite samples; NaN where fewer than half are there."""
    values = run.slow.channel(name)
    good = np.isfinite(values)
    if not good.any():
        return np.full(len(grid.time_s), np.nan)
    share = grid.means(good.astype(float))
    with np.errstate(invalid="ignore", divide="ignore"):
        return np.where(share > 0.5, grid.means(np.where(good, values, 0.0)) / share, np.nan)


def _commands(run: Run, grid: FrameGrid) -> np.ndarray:
    """What was asked: the request where a governor had one, else the throttle pulse; and the servo pulse."""
    request, throttle = (_mean(run, grid, name) for name in ("speed_request_rpm", "throttle_us"))
    servo = _mean(run, grid, "servo_us")
    asked = np.where(np.isfinite(request) & (request > 0), request, throttle)
    return np.column_stack([asked, servo])


def _driven(run: Run, grid: FrameGrid) -> np.ndarray:
    """Frames in which the motor draws current, or where that is not recorded, the throttle is above its lowest."""
    current, throttle = (_mean(run, grid, name) for name in ("current_a", "throttle_us"))
    if np.isfinite(current).any():
        result: np.ndarray = ~(current < IDLE_SHARE * np.nanmax(current))
        return result
    if np.isfinite(throttle).any() and np.nanmax(throttle) - np.nanmin(throttle) > THROTTLE_RANGE_US:
        result = ~(throttle < np.nanmin(throttle) + 0.05 * THROTTLE_RANGE_US)
        return result
    return np.ones(len(grid.time_s), bool)


def _tripped(run: Run, centre_s: np.ndarray, rpm: np.ndarray, step_s: float) -> np.ndarray:
    """Frames that reach past a recorded trip or abort, until the shaft has come to rest: the power was cut there."""
    result = np.zeros(len(centre_s), bool)
    for event in run.events:
        if event.kind in ("trip", "abort"):
            after = centre_s > event.time_s - 1.5 * step_s
            rest_s = centre_s[after & (rpm < TURNING_RPM)]
            result |= after & (centre_s < (rest_s[0] if len(rest_s) else np.inf))
    return result


def _add_vibration(
    columns: _Columns, run: Run, rig: Rig | None, grid: FrameGrid, scale: np.ndarray, notes: list[str]
) -> None:
    if not run.vibration.axes():
        notes.append("no vibration was recorded: orders, broadband and crest factor are not judged")
        return
    angle = shaft_angle(run)
    tracks = track_vibration(run.vibration, angle, tuple(range(1, HIGHEST_ORDER + 1)), grid_step(grid), grid)
    if not tracks.marked:
        notes.append("no single tach mark: orders are judged by amplitude, without phase")
    blades = rig.propeller.blades if rig is not None else None
    vectors = VECTOR_ORDERS + ((blades,) if blades and 3 < blades <= HIGHEST_ORDER else ())
    for order in vectors:
        _add_order(columns, tracks, order, "blade pass" if order == blades else f"{order}P", scale)
    _add_higher(columns, tracks, vectors, scale)
    rate_hz = sample_rate_hz(run.vibration)
    _add_broadband(columns, run, tracks, grid, grid.coverage(rate_hz) > 0.8, scale)


def grid_step(grid: FrameGrid) -> float:
    """Seconds between frames; the usual step for a single frame."""
    return float(grid.time_s[1] - grid.time_s[0]) if len(grid.time_s) > 1 else STEP_S


def _add_order(columns: _Columns, tracks: OrderTracks, order: int, name: str, scale: np.ndarray) -> None:
    parts, levels = [], []
    for axis in tracks.axes:
        with np.errstate(invalid="ignore"):
            phasor = tracks.phasor(axis, order) / scale
        size = np.abs(phasor)
        parts += [phasor.real, phasor.imag] if tracks.marked else [size]
        levels += [size, size] if tracks.marked else [size]
    columns.add(name, 0.012 if order == 1 else 0.02, parts, levels)


def _add_higher(columns: _Columns, tracks: OrderTracks, vectors: tuple[int, ...], scale: np.ndarray) -> None:
    """Logarithm of the joint amplitude of the orders not followed singly, per axis."""
    rest = [column for column, order in enumerate(tracks.orders) if order not in vectors]
    logs = []
    for axis in range(len(tracks.axes)):
        square = np.nansum(np.abs(tracks.phasor_g[axis][:, rest]) ** 2, axis=1)
        square = np.where(np.isfinite(tracks.phasor_g[axis][:, rest]).any(axis=1), square, np.nan)
        logs.append(0.5 * np.log(np.maximum(square, 1e-12)) - np.log(scale))
    columns.add("higher orders", 0.03, logs, [np.ones_like(log) for log in logs])


def _add_broadband(
    columns: _Columns, run: Run, tracks: OrderTracks, grid: FrameGrid, covered: np.ndarray, scale: np.ndarray
) -> None:
    rough, crest = [], []
    for axis in tracks.axes:
        residual = np.where(covered, tracks.residual_rms_g(axis), np.nan)
        rms = np.sqrt(tracks.mean_square_g2[tracks.axes.index(axis)])
        peak = _peaks(grid, getattr(run.vibration, axis))
        with np.errstate(invalid="ignore", divide="ignore"):
            rough.append(np.log(np.maximum(residual, 1e-6)) - np.log(scale))
            crest.append(np.where(covered, np.log(np.maximum(peak / rms, 1e-3)), np.nan) + 0.0 * scale)
    columns.add("broadband", 0.03, rough, [np.ones_like(log) for log in rough])
    columns.add("crest factor", 0.03, crest, [np.ones_like(log) for log in crest])


def _peaks(grid: FrameGrid, values: np.ndarray) -> np.ndarray:
    """Largest size of ``values`` about their mean, per frame."""
    mean = middle(values)
    return grid.peaks(lambda samples: np.abs(centred(values[samples], mean)))


def _add_slow(columns: _Columns, run: Run, grid: FrameGrid, scale: np.ndarray, notes: list[str]) -> None:
    for name, channel, floor, power in (("thrust", "thrust_n", 0.006, 1.0), ("current", "current_a", 0.008, 1.5)):
        if run.slow.has(channel):
            value = _mean(run, grid, channel) / scale**power
            columns.add(name, floor, [value], [np.abs(value)], LOAD, gusty=True)
        else:
            notes.append(f"no {channel} was recorded: {name} is not judged")
    if run.slow.has("pitch_deg") and run.slow.has("servo_us"):
        pitch = _mean(run, grid, "pitch_deg") + 0.0 * scale
        columns.add("pitch", 0.15, [pitch], [np.ones_like(pitch)], LOAD)


def _add_speed(
    columns: _Columns, run: Run, rpm: np.ndarray, start_s: float, step_s: float, blocks: int, notes: list[str]
) -> None:
    turning = np.where(rpm > TURNING_RPM, rpm, np.nan)
    if run.slow.has("throttle_us") or run.slow.has("speed_request_rpm"):
        columns.add("speed", 0.1, [100.0 * np.log(turning)], [np.ones_like(rpm)], SPEED, gusty=True)
    middle_s, speed = speed_from_pulses(run.tach)
    if len(middle_s) < 8:
        notes.append("no tach pulses were recorded: unsteadiness within the turn is not judged")
        return
    change = np.diff(np.log(speed))
    grid = FrameGrid(middle_s[1:], step_s, start_s, blocks)
    usual = np.abs(change) < 0.2  # a missed or extra pulse is a matter of the tach, not of the rotor
    share = grid.means(usual.astype(float))
    with np.errstate(invalid="ignore", divide="ignore"):
        change = np.where(usual, change, 0.0)
        spread = grid.means(change**2) / share - (grid.means(change) / share) ** 2  # a ramp's even change is none
        jitter = np.sqrt(np.maximum(spread, 0.0))
        logs = np.where(grid.weight >= 4, np.log(np.hypot(jitter, LEAST_JITTER)), np.nan) + 0.0 * turning
    columns.add("unsteadiness", 0.2, [logs], [np.ones_like(logs)])
