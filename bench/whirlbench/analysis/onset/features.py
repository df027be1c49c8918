"""What a run shows of its condition, four times a second: the signals in which an onset is looked for."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from whirlbench.analysis.onset.commands import TURNING_RPM, commands, driven, frame_mean, loose_commands, tripped
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
from whirlbench.samples import SLOW_CHANNELS, Run, SlowSamples, VibrationSamples, speed_from_pulses

STEP_S = 0.25
HIGHEST_ORDER = 8
VECTOR_ORDERS = (1, 2, 3)
VIBRATION, LOAD, SPEED = "vibration", "load", "speed"  # kinds of signals, see Signal
LEAST_JITTER = 3e-4  # of speed from turn to turn: less is the tach's own; our choice


@dataclass(frozen=True)
class Signal:
    """A named group of feature columns that move together, such as both parts of 1P on every axis.

    ``floor`` is the least scatter, as a share of the level, that is believed: smaller wandering is not damage. ``kind``
    is what it answers to: speed and stand (VIBRATION), the air's load (LOAD), or the drive (SPEED). A ``gusty`` one
    wanders with the air. Its values times a ``speed_power`` of rpm/1000 are in ``unit``; "%" is of their logarithm.
    ``axes`` are those of its columns, for a vector two columns an axis.
    """

    name: str
    columns: tuple[int, ...]
    floor: float
    kind: str = VIBRATION
    gusty: bool = False
    unit: str = "%"
    speed_power: float = 0.0
    axes: tuple[str, ...] = ()

    def phasors(self, values: np.ndarray, axis: int) -> complex:
        """Vector of one of its axes out of all columns' ``values``; the amplitude alone where there is no phase."""
        each = len(self.columns) // len(self.axes)
        parts = values[list(self.columns)][axis * each : (axis + 1) * each]
        return complex(*parts)


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

    def add(self, signal: Signal, columns: list[np.ndarray], levels: list[np.ndarray]) -> None:
        """Adds a signal unless none of its columns was ever seen."""
        kept = [(v, w) for v, w in zip(columns, levels, strict=True) if np.isfinite(v).sum() >= 8]
        if kept:
            first = len(self.values)
            self.signals.append(replace(signal, columns=tuple(range(first, first + len(kept)))))
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
    driving = driven(run, slow_grid) & ~tripped(run, centre_s, rpm, step_s)
    command = _leading(commands(run, slow_grid), rpm, driving, step_s, notes)
    columns = _Columns()
    scale = (np.where(rpm > TURNING_RPM, rpm, np.nan) / 1000.0) ** 2
    _add_vibration(columns, run, rig, FrameGrid(run.vibration.time_s, step_s, start_s, blocks), scale, notes)
    _add_slow(columns, run, slow_grid, scale, notes)
    _add_speed(
        columns, run, rpm, bool(np.isfinite(command[:, 0]).any()), _tach_grid(run, step_s, start_s, blocks), notes
    )
    if not columns.signals:
        raise AnalysisError(_why_no_signal(rpm))
    return Features(
        time_s=centre_s,
        step_s=step_s,
        rpm=rpm,
        command=command,
        driven=driving,
        pitch_deg=frame_mean(run, slow_grid, "pitch_deg"),
        values=np.column_stack(columns.values),
        level=np.column_stack(columns.levels),
        signals=tuple(columns.signals),
        notes=tuple(notes),
    )


def feature_sets(run: Run, rig: Rig | None = None) -> tuple[Features, ...]:
    """Features of ``run`` in frames as fine as its streams bear: one set, or where the slow log is slower, two.

    Vibration and tach pulses are seen four times a second; thrust, current and speed no oftener than they were logged.
    Raises AnalysisError as ``run_features``.
    """
    slow_step_s = max(STEP_S, _log_step_s(run.slow))
    if slow_step_s == STEP_S or not (run.vibration.axes() or len(run.tach.time_s) >= 8):
        return (run_features(run, rig, slow_step_s),)
    fast = run_features(replace(run, slow=_dense(run.slow)), rig, STEP_S)
    slow = run_features(replace(run, vibration=VibrationSamples()), rig, slow_step_s)
    each = f"{slow_step_s:.3g} s"
    note = f"the slow channels hold a sample every {each}: thrust, current and speed are told no oftener"
    return (
        replace(fast, signals=tuple(one for one in fast.signals if one.kind == VIBRATION), notes=(*fast.notes, note)),
        replace(slow, signals=tuple(one for one in slow.signals if one.kind != VIBRATION), notes=()),
    )


def _log_step_s(slow: SlowSamples) -> float:
    """Usual time between slow samples; zero for less than two."""
    return float(np.median(np.diff(slow.time_s))) if len(slow.time_s) > 1 else 0.0


def _dense(slow: SlowSamples) -> SlowSamples:
    """A slow log joined by straight lines at eight samples a second; a gap stays one."""
    time_s = np.arange(slow.time_s[0], slow.time_s[-1] + 1e-9, STEP_S / 2)
    names = [one.name for one in SLOW_CHANNELS if slow.has(one.name)]
    return SlowSamples(time_s, **{name: np.interp(time_s, slow.time_s, slow.channel(name)) for name in names})


def _tach_grid(run: Run, step_s: float, start_s: float, blocks: int) -> FrameGrid:
    """Frames for what is told between neighbouring periods of the tach."""
    return FrameGrid(speed_from_pulses(run.tach)[0][1:], step_s, start_s, blocks)


def _leading(command: np.ndarray, rpm: np.ndarray, driving: np.ndarray, step_s: float, notes: list[str]) -> np.ndarray:
    """Commands without those that only follow the shaft, which are noted."""
    loose = loose_commands(command, rpm, driving, step_s)
    for name, follows in zip(("throttle or request", "pitch servo's pulse"), loose, strict=True):
        if follows:
            notes.append(f"the {name} moves a little all the time: what is steady is told by the shaft, not by it")
    return np.where(loose, np.nan, command)


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
        return frame_mean(run, grid, "rpm")
    raise AnalysisError("neither tach pulses nor an rpm channel: behaviour against speed cannot be judged")


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
    floor = 0.012 if order == 1 else 0.02
    columns.add(Signal(name, (), floor, unit="g", speed_power=2.0, axes=tracks.axes), parts, levels)


def _add_higher(columns: _Columns, tracks: OrderTracks, vectors: tuple[int, ...], scale: np.ndarray) -> None:
    """Logarithm of the joint amplitude of the orders not followed singly, per axis."""
    rest = [column for column, order in enumerate(tracks.orders) if order not in vectors]
    logs = []
    for axis in range(len(tracks.axes)):
        square = np.nansum(np.abs(tracks.phasor_g[axis][:, rest]) ** 2, axis=1)
        square = np.where(np.isfinite(tracks.phasor_g[axis][:, rest]).any(axis=1), square, np.nan)
        logs.append(0.5 * np.log(np.maximum(square, 1e-12)) - np.log(scale))
    columns.add(Signal("higher orders", (), 0.03), logs, [np.ones_like(log) for log in logs])


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
    columns.add(Signal("broadband", (), 0.03), rough, [np.ones_like(log) for log in rough])
    columns.add(Signal("crest factor", (), 0.03), crest, [np.ones_like(log) for log in crest])


def _peaks(grid: FrameGrid, values: np.ndarray) -> np.ndarray:
    """Largest size of ``values`` about their mean, per frame."""
    mean = middle(values)
    return grid.peaks(lambda samples: np.abs(centred(values[samples], mean)))


def _add_slow(columns: _Columns, run: Run, grid: FrameGrid, scale: np.ndarray, notes: list[str]) -> None:
    thrust = Signal("thrust", (), 0.006, LOAD, gusty=True, unit="N", speed_power=2.0)
    current = Signal("current", (), 0.008, LOAD, gusty=True, unit="A", speed_power=3.0)
    for signal, channel in ((thrust, "thrust_n"), (current, "current_a")):
        if run.slow.has(channel):
            value = frame_mean(run, grid, channel) / scale ** (signal.speed_power / 2.0)
            columns.add(signal, [value], [np.abs(value)])
        else:
            notes.append(f"no {channel} was recorded: {signal.name} is not judged")
    if run.slow.has("pitch_deg") and run.slow.has("servo_us"):
        pitch = frame_mean(run, grid, "pitch_deg") + 0.0 * scale
        columns.add(Signal("pitch", (), 0.15, LOAD, unit="deg"), [pitch], [np.ones_like(pitch)])


def _add_speed(
    columns: _Columns, run: Run, rpm: np.ndarray, commanded: bool, grid: FrameGrid, notes: list[str]
) -> None:
    turning = np.where(rpm > TURNING_RPM, rpm, np.nan)
    if commanded:
        columns.add(
            Signal("speed", (), 0.1, SPEED, gusty=True, unit="% of speed"),
            [100.0 * np.log(turning)],
            [np.ones_like(rpm)],
        )
    _, speed = speed_from_pulses(run.tach)
    if len(speed) < 8:
        notes.append("no tach pulses were recorded: unsteadiness within the turn is not judged")
        return
    change = np.diff(np.log(speed))
    usual = np.abs(change) < 0.2  # a missed or extra pulse is a matter of the tach, not of the rotor
    share = grid.means(usual.astype(float))
    with np.errstate(invalid="ignore", divide="ignore"):
        change = np.where(usual, change, 0.0)
        spread = grid.means(change**2) / share - (grid.means(change) / share) ** 2  # a ramp's even change is none
        jitter = np.sqrt(np.maximum(spread, 0.0))
        logs = np.where(grid.weight >= 4, np.log(np.hypot(jitter, LEAST_JITTER)), np.nan) + 0.0 * turning
    columns.add(Signal("unsteadiness", (), 0.2), [logs], [np.ones_like(logs)])
