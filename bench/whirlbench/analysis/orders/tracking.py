"""Orders of the shaft in vibration: amplitude and phase, frame by frame, through holds and ramps alike."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from whirlbench.analysis.orders.rotation import ShaftAngle, angle_from_pulses, angle_from_speed
from whirlbench.errors import AnalysisError
from whirlbench.samples import Run, VibrationSamples

HIGHEST_SHARE_OF_RATE = 0.45  # an order above this share of the sample rate is not reported
TURNS_IN_WINDOW = 4.0  # a Hann window tells neighbouring orders apart from four turns on (main lobe, any DSP text)
LEAST_COVERAGE = 0.8  # share of a frame's samples that must be there


@dataclass(frozen=True)
class OrderTracks:
    """Phasors of shaft orders in overlapping frames.

    ``phasor_g[axis, frame, order]`` is complex, peak g: acceleration = real part of phasor * exp(2 pi j order * turn).
    NaN where the frame lacks samples or angle, where the shaft turns too slowly, or the order is too near half the
    sample rate. ``mean_square_g2[axis, frame]`` is the whole frame's, mean removed. ``marked`` says whether phase has a
    reference.
    """

    time_s: np.ndarray
    rpm: np.ndarray
    orders: tuple[int, ...]
    axes: tuple[str, ...]
    phasor_g: np.ndarray
    mean_square_g2: np.ndarray
    marked: bool

    def phasor(self, axis: str, order: int) -> np.ndarray:
        """Phasors of one order on one axis, ``(frames,)``."""
        return self.phasor_g[self.axes.index(axis), :, self.orders.index(order)]

    def residual_rms_g(self, axis: str) -> np.ndarray:
        """Rms in g of what the orders do not explain, ``(frames,)``: broadband, and all not locked to the shaft."""
        index = self.axes.index(axis)
        explained = np.nansum(np.abs(self.phasor_g[index]) ** 2, axis=1) / 2
        result: np.ndarray = np.sqrt(np.maximum(self.mean_square_g2[index] - explained, 0.0))
        return result


class FrameGrid:
    """Hann-weighted sums over frames of two steps that overlap by one, for samples at any times.

    ``time_s``: increasing sample times ``(n,)`` in s; frames are centred every ``step_s`` seconds from ``start_s`` on
    (default: the first sample), over ``blocks`` steps (default: to the last sample). Lost samples only lower
    ``coverage``. Fewer samples than one frame give an empty grid.
    """

    def __init__(self, time_s: np.ndarray, step_s: float, start_s: float | None = None, blocks: int = 0) -> None:
        start_s = start_s if start_s is not None else float(time_s[0]) if len(time_s) else 0.0
        phase = (time_s - start_s) / step_s
        self.blocks = blocks or (int(np.floor(phase[-1] + 1e-9)) if len(phase) else 0)
        self._bounds = np.searchsorted(phase, np.arange(self.blocks + 1))
        self._used = slice(int(self._bounds[0]), int(self._bounds[-1])) if self.blocks > 0 else slice(0)
        self._bounds = self._bounds - self._bounds[0]
        self.rise = (np.sin(np.pi / 2 * (phase[self._used] % 1.0)) ** 2).astype(np.float32)
        self.time_s = start_s + step_s * np.arange(1, self.blocks) if self.blocks > 1 else np.empty(0)
        self.weight = self.sums(np.ones(len(time_s), dtype=np.float32))

    def sums(self, values: np.ndarray) -> np.ndarray:
        """Sums of window * values per frame; ``values`` has the length of the sample times."""
        values = values[self._used]
        if self.blocks < 2 or not len(values):
            return np.zeros(len(self.time_s))
        rising = values * self.rise
        result: np.ndarray = self._block_sums(rising)[:-1] + self._block_sums(values - rising)[1:]
        return result

    def means(self, values: np.ndarray) -> np.ndarray:
        """Weighted mean of ``values`` per frame; NaN for a frame without samples."""
        with np.errstate(invalid="ignore", divide="ignore"):
            return np.where(self.weight > 0, self.sums(values) / self.weight, np.nan)

    def coverage(self, rate_hz: float) -> np.ndarray:
        """Share of the samples expected in each frame that are there."""
        whole = rate_hz * (self.time_s[1] - self.time_s[0]) if len(self.time_s) > 1 else np.inf
        return self.weight / whole

    def peaks(self, magnitude: np.ndarray) -> np.ndarray:
        """Largest of ``magnitude`` per frame, without window; zero where there are no samples."""
        magnitude = magnitude[self._used]
        if self.blocks < 2 or not len(magnitude):
            return np.zeros(len(self.time_s))
        starts = np.minimum(self._bounds[:-1], len(magnitude) - 1)
        block = np.where(self._bounds[1:] > self._bounds[:-1], np.maximum.reduceat(magnitude, starts), 0)
        return np.maximum(block[:-1], block[1:])

    def _block_sums(self, values: np.ndarray) -> np.ndarray:
        starts = self._bounds[:-1]
        summed = np.add.reduceat(values, np.minimum(starts, max(len(values) - 1, 0)))
        return np.where(self._bounds[1:] > starts, summed, 0)


def shaft_angle(run: Run) -> ShaftAngle:
    """Shaft angle of ``run``: from tach pulses where there are enough, else from the rpm channel, without phase."""
    if len(run.tach.time_s) >= 4:
        return angle_from_pulses(run.tach)
    return angle_from_speed(run.slow)


def track_orders(run: Run, orders: tuple[int, ...] = tuple(range(1, 9)), step_s: float = 0.25) -> OrderTracks:
    """Amplitude and phase of shaft ``orders`` (1 = 1P) in frames of 2 * ``step_s`` seconds.

    Each axis is multiplied by exp(-2 pi j order * turn) at its own sample times and averaged under a Hann window: a
    Fourier transform over shaft angle that needs no resampling, and so neither interpolates nor folds (the time-variant
    discrete Fourier transform of Blough, from memory). Raises AnalysisError without vibration or without any speed.
    Gaps, rest and orders out of reach are NaN.
    """
    if not run.vibration.axes():
        raise AnalysisError("no vibration was recorded: orders cannot be followed")
    return track_vibration(run.vibration, shaft_angle(run), orders, step_s)


def track_vibration(
    vibration: VibrationSamples,
    angle: ShaftAngle,
    orders: tuple[int, ...],
    step_s: float,
    grid: FrameGrid | None = None,
) -> OrderTracks:
    """Like ``track_orders`` for vibration and shaft angle that are already at hand, on a ``grid`` of one's own."""
    rate_hz = sample_rate_hz(vibration)
    grid = grid or FrameGrid(vibration.time_s, step_s)
    turn = angle.at(vibration.time_s)
    turning = np.isfinite(turn)
    spin = _unit_phasor(np.where(turning, turn, 0.0)) * turning
    axes = vibration.axes()
    signals = [centred(getattr(vibration, axis)) for axis in axes]
    covered = grid.coverage(rate_hz) >= LEAST_COVERAGE
    covered &= grid.means(turning.astype(np.float32)) > LEAST_COVERAGE
    phasor = _phasors(grid, signals, spin, orders)
    speed_hz = angle.speed_hz(grid.time_s)
    reach = _in_reach(speed_hz, orders, rate_hz, step_s)
    phasor[:, ~(reach & covered[:, None])] = np.nan
    power = np.array([grid.means(signal * signal) for signal in signals])
    power[:, ~(grid.coverage(rate_hz) >= LEAST_COVERAGE)] = np.nan
    return OrderTracks(grid.time_s, speed_hz * 60.0, tuple(orders), axes, phasor, power, angle.marked)


def sample_rate_hz(vibration: VibrationSamples) -> float:
    """Actual samples per second: the median spacing where no sample was lost; the nominal rate when too few."""
    if len(vibration.time_s) < 2:
        return vibration.rate_hz
    spacing_s = np.diff(vibration.time_s)
    usual = spacing_s[spacing_s < 1.5 * np.median(spacing_s)]
    return float(1.0 / usual.mean())


def centred(values: np.ndarray) -> np.ndarray:
    """Values without their mean (gravity, zero error), gaps as zero, single precision for speed."""
    good = np.isfinite(values)
    centred = values - values[good].mean(dtype=float)
    return (centred if good.all() else np.where(good, centred, 0.0)).astype(np.float32)


def _unit_phasor(turn: np.ndarray) -> np.ndarray:
    """exp(-2 pi j turn), reduced to one turn before single precision."""
    phase = (2 * np.pi * (turn % 1.0)).astype(np.float32)
    spin = np.empty(len(phase), dtype=np.complex64)
    np.cos(phase, out=spin.real)
    spin.imag = -np.sin(phase)
    return spin


def _phasors(grid: FrameGrid, signals: list[np.ndarray], spin: np.ndarray, orders: tuple[int, ...]) -> np.ndarray:
    """Phasors of every order, by multiplying up from one order to the next."""
    result = np.full((len(signals), len(grid.time_s), len(orders)), np.nan, dtype=complex)
    power, reached = np.ones_like(spin), 0
    for column in np.argsort(orders):
        while reached < orders[column]:
            power, reached = power * spin, reached + 1
        for row, signal in enumerate(signals):
            result[row, :, column] = 2 * grid.means(power * signal)
    return result


def _in_reach(speed_hz: np.ndarray, orders: tuple[int, ...], rate_hz: float, step_s: float) -> np.ndarray:
    """Which orders can be told in which frames, ``(frames, orders)``."""
    enough_turns = speed_hz * 2 * step_s >= TURNS_IN_WINDOW
    below = speed_hz[:, None] * np.asarray(orders) <= HIGHEST_SHARE_OF_RATE * rate_hz
    result: np.ndarray = enough_turns[:, None] & below
    return result
