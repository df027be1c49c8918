"""Orders of the shaft in vibration: amplitude and phase, frame by frame, through holds and ramps alike."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator, Sequence
from dataclasses import dataclass
from itertools import pairwise

import numpy as np

from whirlbench.analysis.orders.rotation import ShaftAngle, angle_from_pulses, angle_from_speed
from whirlbench.errors import AnalysisError
from whirlbench.samples import Run, VibrationSamples, usual_interval_s

HIGHEST_SHARE_OF_RATE = 0.45  # an order above this share of the sample rate is not reported
TURNS_IN_WINDOW = 4.0  # a Hann window tells neighbouring orders apart from four turns on (main lobe, any DSP text)
LEAST_COVERAGE = 0.8  # share of a frame's samples that must be there
PIECE_SAMPLES = 1 << 15  # that go through memory at a time: a long run takes no more than a short one


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


@dataclass(frozen=True)
class Piece:
    """Some neighbouring steps of a grid: their ``blocks``, their samples among those ``used``, and among all."""

    blocks: slice
    used: slice
    samples: slice


def _pieces(size: int) -> Iterator[slice]:
    return (slice(first, first + PIECE_SAMPLES) for first in range(0, size, PIECE_SAMPLES))


class FrameGrid:
    """Hann-weighted sums over frames of two steps that overlap by one, for samples at any times.

    ``time_s``: increasing sample times ``(n,)`` in s; frames are centred every ``step_s`` seconds from ``start_s`` on
    (default: the first sample), over ``blocks`` steps (default: to the last sample). Lost samples only lower
    ``coverage``. Fewer samples than one frame give an empty grid.
    """

    def __init__(self, time_s: np.ndarray, step_s: float, start_s: float | None = None, blocks: int = 0) -> None:
        start_s = start_s if start_s is not None else float(time_s[0]) if len(time_s) else 0.0
        last = (float(time_s[-1]) - start_s) / step_s if len(time_s) else 0.0
        self.blocks = blocks or int(np.floor(last + 1e-9))
        edges = np.arange(self.blocks + 1)
        phases = (((time_s[part] - start_s) / step_s) for part in _pieces(len(time_s)))
        bounds = sum((np.searchsorted(phase, edges) for phase in phases), start=np.zeros(len(edges), int))
        self._used = slice(int(bounds[0]), int(bounds[-1])) if self.blocks > 0 else slice(0)
        self._bounds = bounds - bounds[0]
        used_s = time_s[self._used]
        self.rise = np.empty(len(used_s), dtype=np.float32)
        for part in _pieces(len(used_s)):
            self.rise[part] = np.sin(np.pi / 2 * (((used_s[part] - start_s) / step_s) % 1.0)) ** 2
        self.time_s = start_s + step_s * np.arange(1, self.blocks) if self.blocks > 1 else np.empty(0)
        self.weight = self.sums(np.broadcast_to(np.float32(1.0), len(time_s)))

    def pieces(self) -> Iterator[Piece]:
        """The samples in pieces of whole steps, some hundred thousand at a time."""
        first = 0
        while first < self.blocks:
            most = self._bounds[first] + PIECE_SAMPLES
            last = max(first + 1, int(np.searchsorted(self._bounds, most, side="right")) - 1)
            rows = slice(int(self._bounds[first]), int(self._bounds[last]))
            yield Piece(slice(first, last), rows, slice(rows.start + self._used.start, rows.stop + self._used.start))
            first = last

    def sums(self, values: np.ndarray) -> np.ndarray:
        """Sums of window * values per frame; ``values`` has the length of the sample times."""
        found: np.ndarray = self.sums_of(lambda samples: [values[samples]], values.dtype)[0]
        return found

    def sums_of(
        self, rows: Callable[[slice], Iterable[np.ndarray]], dtype: np.dtype | type = float, count: int = 1
    ) -> np.ndarray:
        """Sums of window * values per frame for ``count`` series at once, ``(count, frames)``.

        ``rows`` gives the values of each series for a slice of the samples: only a piece of them is ever in memory.
        """
        rising, falling = (np.zeros((count, max(self.blocks, 1)), dtype) for _ in range(2))
        for piece in self.pieces() if self.blocks > 1 else ():
            rise = self.rise[piece.used]
            for number, values in enumerate(rows(piece.samples)):
                up = values * rise
                rising[number, piece.blocks] = self._block_sums(up, piece)
                falling[number, piece.blocks] = self._block_sums(values - up, piece)
        result: np.ndarray = rising[:, : len(self.time_s)] + falling[:, 1 : len(self.time_s) + 1]
        return result

    def product_sums(
        self, rows: Callable[[slice], tuple[np.ndarray, np.ndarray]], shape: tuple[int, int]
    ) -> np.ndarray:
        """Sums of window * one * other per frame for each pair of two kinds of series, complex ``(*shape, frames)``.

        ``rows`` gives both kinds for a slice of the samples, ``(shape[0], n)`` complex and ``(shape[1], n)`` real: all
        pairs of a block are one product of matrices, and no pair is ever written out sample by sample.
        """
        halves = np.zeros((max(self.blocks, 1), shape[0], 2, shape[1]), np.complex128)
        for piece in self.pieces() if self.blocks > 1 else ():
            ones, others = rows(piece.samples)
            rise = self.rise[piece.used]
            windowed = np.concatenate((others * rise, others * (1 - rise))).T.astype(ones.dtype)
            bounds = (self._bounds[piece.blocks.start : piece.blocks.stop + 1] - piece.used.start).tolist()
            for block, (first, end) in enumerate(pairwise(bounds), piece.blocks.start):
                halves[block] = (ones[:, first:end] @ windowed[first:end]).reshape(halves.shape[1:])
        frames = len(self.time_s)
        result: np.ndarray = np.moveaxis(halves[:frames, :, 0] + halves[1 : frames + 1, :, 1], 0, -1)
        return result

    def means(self, values: np.ndarray) -> np.ndarray:
        """Weighted mean of ``values`` per frame; NaN for a frame without samples."""
        with np.errstate(invalid="ignore", divide="ignore"):
            return np.where(self.weight > 0, self.sums(values) / self.weight, np.nan)

    def coverage(self, rate_hz: float) -> np.ndarray:
        """Share of the samples expected in each frame that are there."""
        whole = rate_hz * (self.time_s[1] - self.time_s[0]) if len(self.time_s) > 1 else np.inf
        return self.weight / whole

    def peaks(self, magnitude: Callable[[slice], np.ndarray]) -> np.ndarray:
        """Largest of ``magnitude`` per frame, without window; zero where there are no samples.

        ``magnitude`` gives the values for a slice of the samples.
        """
        block = np.zeros(max(self.blocks, 1))
        for piece in self.pieces() if self.blocks > 1 else ():
            values = magnitude(piece.samples)
            if len(values):
                starts, there = self._starts(piece, len(values))
                block[piece.blocks] = np.where(there, np.maximum.reduceat(values, starts), 0)
        found: np.ndarray = np.maximum(block[:-1], block[1:])[: len(self.time_s)]
        return found

    def _starts(self, piece: Piece, size: int) -> tuple[np.ndarray, np.ndarray]:
        """First row of each block within the piece, and whether the block holds any."""
        bounds = self._bounds[piece.blocks.start : piece.blocks.stop + 1] - piece.used.start
        return np.minimum(bounds[:-1], max(size - 1, 0)), bounds[1:] > bounds[:-1]

    def _block_sums(self, values: np.ndarray, piece: Piece) -> np.ndarray:
        starts, there = self._starts(piece, len(values))
        if not len(values):
            return np.zeros(len(starts))
        summed: np.ndarray = np.where(there, np.add.reduceat(values, starts), 0)
        return summed


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
    axes = vibration.axes()
    middles = [middle(getattr(vibration, axis)) for axis in axes]

    def series(samples: slice) -> tuple[np.ndarray, np.ndarray]:
        """Of a piece: the shaft turning, each order's phasor (zero where the angle is not known), and each axis."""
        turn = angle.at(vibration.time_s[samples])
        turning = np.isfinite(turn)
        spin = _unit_phasor(np.where(turning, turn, 0.0)) * turning
        signals = [centred(getattr(vibration, axis)[samples], mean) for axis, mean in zip(axes, middles, strict=True)]
        return np.array([turning, *_phasors(spin, sorted(orders)), *signals]), np.array([np.ones_like(turn), *signals])

    with np.errstate(invalid="ignore", divide="ignore"):
        sums = grid.product_sums(series, (1 + len(orders) + len(axes), 1 + len(axes)))
        means = np.where(grid.weight > 0, sums / grid.weight, np.nan)
    turned, ranked = means[0, 0].real, 2 * means[1 : 1 + len(orders), 1:]
    whole = grid.coverage(rate_hz) >= LEAST_COVERAGE
    covered = whole & (turned > LEAST_COVERAGE)
    phasor = ranked.transpose(1, 2, 0)[:, :, np.argsort(np.argsort(orders))]
    speed_hz = angle.speed_hz(grid.time_s)
    reach = _in_reach(speed_hz, orders, rate_hz, step_s)
    phasor[:, ~(reach & covered[:, None])] = np.nan
    power = np.array([means[1 + len(orders) + axis, 1 + axis].real for axis in range(len(axes))])
    power[:, ~whole] = np.nan
    return OrderTracks(grid.time_s, speed_hz * 60.0, tuple(orders), axes, phasor, power, angle.marked)


def sample_rate_hz(vibration: VibrationSamples) -> float:
    """Actual samples per second: the median spacing where no sample was lost; the nominal rate when too few."""
    if len(vibration.time_s) < 2:
        return vibration.rate_hz
    time_s = vibration.time_s
    longest_s = 1.5 * usual_interval_s(time_s)
    total_s, count = 0.0, 0
    for part in _pieces(len(time_s) - 1):
        spacing_s = np.diff(time_s[part.start : part.stop + 1])
        usual_s = spacing_s[spacing_s < longest_s]
        total_s, count = total_s + float(usual_s.sum()), count + len(usual_s)
    return count / total_s


def middle(values: np.ndarray) -> float:
    """Mean of the finite values (gravity, zero error)."""
    parts = [values[part] for part in _pieces(len(values))]
    good = [np.isfinite(part) for part in parts]
    count = sum(int(one.sum()) for one in good)
    total = sum(float(np.sum(part, where=one, dtype=float)) for part, one in zip(parts, good, strict=True))
    return total / count if count else float("nan")


def centred(values: np.ndarray, mean: float | None = None) -> np.ndarray:
    """Values without their mean, or without ``mean``; gaps as zero, single precision for speed."""
    good = np.isfinite(values)
    level = middle(values) if mean is None else mean
    less = values - values.dtype.type(level)
    return (less if good.all() else np.where(good, less, 0.0)).astype(np.float32)


def _unit_phasor(turn: np.ndarray) -> np.ndarray:
    """exp(-2 pi j turn), reduced to one turn before single precision."""
    phase = (2 * np.pi * (turn % 1.0)).astype(np.float32)
    spin = np.empty(len(phase), dtype=np.complex64)
    np.cos(phase, out=spin.real)
    spin.imag = -np.sin(phase)
    return spin


def _phasors(spin: np.ndarray, orders: Sequence[int]) -> Iterator[np.ndarray]:
    """The phasor of every order, multiplied up from one order to the next; rising ``orders``."""
    power, reached = np.ones_like(spin), 0
    for order in orders:
        while reached < order:
            power, reached = power * spin, reached + 1
        yield power


def _in_reach(speed_hz: np.ndarray, orders: tuple[int, ...], rate_hz: float, step_s: float) -> np.ndarray:
    """Which orders can be told in which frames, ``(frames, orders)``."""
    enough_turns = speed_hz * 2 * step_s >= TURNS_IN_WINDOW
    below = speed_hz[:, None] * np.asarray(orders) <= HIGHEST_SHARE_OF_RATE * rate_hz
    result: np.ndarray = enough_turns[:, None] & below
    return result
