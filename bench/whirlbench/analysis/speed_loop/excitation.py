"""The loop at many frequencies at once, from a multisine or any other lively movement of a lever.

A multisine is fitted sine by sine, all of them together by least squares on the samples as they come, unevenly spaced
and averaged over tach periods: the sines do not leak into each other, which segments of a Fourier transform would let
them do. Anything else (a chirp, a hand on the lever) goes through averaged overlapping segments. Both give coherence
and a confidence band; set beside the step model they tell whether one linear model is the truth. Source: Bendat and
Piersol, Random Data, from memory.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from whirlbench.analysis.speed_loop.lever_steps import SMALLEST, Kind, pitch_lever
from whirlbench.analysis.speed_loop.models import LoopModel
from whirlbench.analysis.speed_loop.record import SpeedRecord, speed_record
from whirlbench.errors import AnalysisError
from whirlbench.samples import Run

GRID_S = 0.01
SEGMENTS = 8  # of half overlap; fewer averages would make the coherence look better than it is
LOWEST_COHERENCE = 0.6  # below it the band is wider than the response is worth
FADE_PART = 0.12  # of the excitation, its beginning, in which it fades in and the loop settles into it
LOWEST_LINE_COHERENCE = 0.9  # of a single sine: noise alone passes it once in ten thousand times
QUANTILE_95 = 1.96
SHORTEST_S = 5.0
PADDING = 8
FAINTEST = 0.08  # of the strongest sine: fainter ones are side lobes and rounding
LINE_PART = 0.8  # of the lever's power that lies in sines if it is a multisine
FEWEST, MOST = 3, 40
HIGHEST_LINE_HZ = 25.0  # set-points leave 50 times a second: faster lines are images of slower ones
SIDE_BINS = range(2, 8)  # distances, in 1 / duration, at which the noise beside a line is looked up


@dataclass(frozen=True)
class FrequencyResponse:
    """Answer of the speed to one lever: rpm per unit of it, at the frequencies that were excited, all ``(n,)``.

    ``size_low`` and ``size_high`` and ``phase_error_deg`` are 95 % bounds from the coherence.
    """

    kind: Kind
    frequency_hz: np.ndarray
    response: np.ndarray
    coherence: np.ndarray
    size_low: np.ndarray
    size_high: np.ndarray
    phase_error_deg: np.ndarray

    @property
    def size(self) -> np.ndarray:
        """Size of the response, ``(n,)``, rpm per unit of the lever."""
        result: np.ndarray = np.abs(self.response)
        return result

    @property
    def phase_deg(self) -> np.ndarray:
        """Phase ``(n,)`` in degrees, unwrapped from the lowest frequency on."""
        phase: np.ndarray = np.degrees(np.unwrap(np.angle(self.response)))
        return phase


@dataclass(frozen=True)
class Agreement:
    """How a model compares: part of the points whose band holds it, largest ratio of sizes and difference of phase."""

    inside: float
    largest_ratio: float
    largest_phase_deg: float

    @property
    def agrees(self) -> bool:
        """Nine points in ten inside: what a 95 % band leaves for chance with few points."""
        return self.inside >= 0.9


def find_excitation(run: Run, kind: Kind) -> tuple[float, float] | None:
    """The longest stretch in which the lever kept moving to and fro, (from, to) in s; None when under five seconds."""
    values, time = _lever(run, kind), run.slow.time_s
    fine = np.isfinite(values)
    if fine.sum() < 10:
        return None
    moved = np.flatnonzero(np.abs(np.diff(values[fine])) > 0)
    if len(moved) < 20:
        return None
    at = time[fine][moved]
    runs = np.split(np.arange(len(at)), np.flatnonzero(np.diff(at) > 0.5) + 1)
    longest = max(runs, key=lambda one: at[one[-1]] - at[one[0]])
    span = (float(at[longest[0]]), float(at[longest[-1]]))
    within = (time >= span[0]) & (time <= span[1])
    inside = values[within]
    if kind != "request" and (run.slow.channel("speed_request_rpm")[within] > 0.0).any():
        return None  # a governor moved it
    reversals = np.count_nonzero(np.diff(np.sign(np.diff(inside)[np.diff(inside) != 0])))
    lively = reversals >= 6 and np.nanstd(inside) > SMALLEST[kind] / 3.0
    return span if lively and span[1] - span[0] >= SHORTEST_S else None


def _lever(run: Run, kind: Kind) -> np.ndarray:
    """What was asked of the lever, all NaN where it was not recorded; a pitch by its pulse, which has no noise."""
    if kind == "pitch":
        pitch = pitch_lever(run)
        return pitch if pitch is not None else np.full(len(run.slow.time_s), np.nan)
    return run.slow.channel("speed_request_rpm" if kind == "request" else "throttle_us")


def frequency_response(run: Run, kind: Kind, from_s: float, to_s: float) -> FrequencyResponse:
    """Answer of the speed to the lever of ``kind`` between ``from_s`` and ``to_s``.

    Speeds are the averages of tach periods at their middle, brought to an even grid; what averaging and interpolation
    take away is given back. Fewer than five seconds, or no frequency with a coherence of 0.6, raise AnalysisError.
    """
    if to_s - from_s < SHORTEST_S:
        raise AnalysisError(f"{to_s - from_s:.1f} s of excitation: at least {SHORTEST_S:g} s are needed")
    start = from_s + FADE_PART * (to_s - from_s)
    time, values = run.slow.time_s, _lever(run, kind)
    fine = np.isfinite(values) & (time >= start) & (time < to_s)
    lines = find_lines(time[fine], values[fine])
    if len(lines):
        return _of_lines(kind, time[fine], values[fine], speed_record(run).between(start, to_s), lines)
    return _of_segments(run, kind, from_s, to_s)


def _of_lines(
    kind: Kind, time: np.ndarray, values: np.ndarray, record: SpeedRecord, frequency: np.ndarray
) -> FrequencyResponse:
    """Answer at the sines of the lever; between samples the lever is held, so each stands for half a sample later."""
    held_s = float(np.median(np.diff(time)))
    fine = np.isfinite(record.speed_rpm)
    averaged = np.diff(record.edge_s)[fine] if record.averaged else 0.0
    lever = fit_lines(time + held_s / 2.0, values, frequency)
    speed = fit_lines(record.mid_s[fine], record.speed_rpm[fine], frequency, averaged)
    power, error = np.abs(speed.value) ** 2, speed.error()
    coherence = np.clip(power / (power + 2.0 * error**2), 0.0, 1.0 - 1e-12)
    used = coherence > LOWEST_LINE_COHERENCE
    if not used.any():
        raise AnalysisError(f"the speed does not follow the {kind} at any frequency: excite it more, or for longer")
    return _bounded(kind, frequency, speed.value / lever.value, error / np.abs(speed.value), coherence, used)


def _of_segments(run: Run, kind: Kind, from_s: float, to_s: float) -> FrequencyResponse:
    record = speed_record(run)
    grid = np.arange(from_s, to_s, GRID_S)
    lever = _on_grid(run.slow.time_s, _lever(run, kind), grid)
    fine = np.isfinite(record.speed_rpm)
    speed = np.interp(grid, record.mid_s[fine], record.speed_rpm[fine])
    frequency, own, cross, total, averages = _spectra(lever, speed)
    response = cross / own
    coherence = np.clip(np.abs(cross) ** 2 / (own * total), 0.0, 1.0 - 1e-12)
    excited = (coherence > LOWEST_COHERENCE) & (own > 1e-4 * own.max()) & (frequency > 0)
    excited &= frequency < 0.25 * _speeds_per_s(record)
    if not excited.any():
        raise AnalysisError(f"the speed does not follow the {kind} at any frequency: excite it more, or for longer")
    error = np.sqrt((1.0 - coherence) / (2.0 * averages * np.maximum(coherence, 1e-12)))
    return _bounded(kind, frequency, response / _lost(frequency, record), error, coherence, excited)


def _on_grid(time: np.ndarray, values: np.ndarray, grid: np.ndarray) -> np.ndarray:
    """The lever's mean over each grid cell: it is held between samples."""
    fine = np.isfinite(values)
    held = np.concatenate([[0.0], np.cumsum(values[fine][:-1] * np.diff(time[fine]))])
    half = GRID_S / 2.0
    mean: np.ndarray = (np.interp(grid + half, time[fine], held) - np.interp(grid - half, time[fine], held)) / GRID_S
    return mean


def _spectra(lever: np.ndarray, speed: np.ndarray) -> tuple[np.ndarray, np.ndarray, np.ndarray, np.ndarray, float]:
    """Frequencies, spectrum of the lever, cross spectrum, spectrum of the speed, number of independent averages."""
    length = 2 * len(lever) // (SEGMENTS + 1)
    window = np.hanning(length)
    own, cross, total = np.zeros(length // 2 + 1), np.zeros(length // 2 + 1, complex), np.zeros(length // 2 + 1)
    line = np.arange(length)
    for start in range(0, len(lever) - length + 1, length // 2):
        pieces = [series[start : start + length] for series in (lever, speed)]
        pieces = [piece - np.polyval(np.polyfit(line, piece, 1), line) for piece in pieces]
        a, b = (np.fft.rfft(window * piece) for piece in pieces)
        own, cross, total = own + np.abs(a) ** 2, cross + np.conj(a) * b, total + np.abs(b) ** 2
    # segments that overlap by half under a Hann window share a sixth of their information with each neighbour
    return np.fft.rfftfreq(length, GRID_S), own, cross, total, SEGMENTS * 9.0 / 11.0


def _speeds_per_s(record: SpeedRecord) -> float:
    return 1.0 / float(np.median(np.diff(record.edge_s)))


def _lost(frequency: np.ndarray, record: SpeedRecord) -> np.ndarray:
    """Gain of averaging over a period and of drawing straight lines between the averages; and of the lever's cells."""
    period = 1.0 / _speeds_per_s(record)
    averaged = np.sinc(frequency * period) if record.averaged else np.ones_like(frequency)
    lost: np.ndarray = averaged * np.sinc(frequency * period) ** 2 / np.sinc(frequency * GRID_S)
    return lost


def _bounded(
    kind: Kind, frequency: np.ndarray, response: np.ndarray, error: np.ndarray, coherence: np.ndarray, used: np.ndarray
) -> FrequencyResponse:
    """``error`` is the standard error of the size as a part of it, and as much in rad that of the phase."""
    size, error = np.abs(response[used]), error[used]
    return FrequencyResponse(
        kind, frequency[used], response[used], coherence[used],
        size * np.maximum(1.0 - QUANTILE_95 * error, 0.0), size * (1.0 + QUANTILE_95 * error),
        np.degrees(QUANTILE_95 * error),
    )  # fmt: skip


def compare_with_model(measured: FrequencyResponse, model: LoopModel, model_error: float = 0.05) -> Agreement:
    """Whether ``model`` (in the unit of ``measured``) lies in the band, widened by ``model_error`` of its own size.

    ``model_error`` is the model's own relative uncertainty.
    """
    expected = model.frequency_response(2.0 * math.pi * measured.frequency_hz)
    ratio = measured.response / expected
    radius = (measured.size_high - measured.size) / np.abs(expected) + model_error
    return Agreement(
        float(np.mean(np.abs(ratio - 1.0) <= math.sqrt(2.0) * radius)),
        float(np.exp(np.max(np.abs(np.log(np.abs(ratio)))))),
        float(np.max(np.abs(np.degrees(np.angle(ratio))))),
    )


@dataclass(frozen=True)
class Amplitudes:
    """Complex amplitudes ``(n,)`` of the sines; what they leave of the ``(m,)`` values at ``time_s``."""

    value: np.ndarray
    frequency_hz: np.ndarray
    time_s: np.ndarray
    left: np.ndarray

    def error(self) -> np.ndarray:
        """Standard deviation ``(n,)`` of one part of each amplitude, from what is left at frequencies close by."""
        time = self.time_s - self.time_s[0]
        shifts = np.array([side * bins for bins in SIDE_BINS for side in (-1, 1)]) / time[-1]
        errors = []
        for frequency in self.frequency_hz:
            turn = 2.0 * math.pi * np.outer(np.abs(frequency + shifts), time)
            power = (np.cos(turn) @ self.left) ** 2 + (np.sin(turn) @ self.left) ** 2
            errors.append(math.sqrt(float(np.mean(power)) / 2.0) * 2.0 / len(time))
        return np.array(errors)


def find_lines(time_s: np.ndarray, values: np.ndarray) -> np.ndarray:
    """Frequencies in Hz of the sines in ``values`` (both ``(n,)``), rising; empty when they are not most of it."""
    grid = np.arange(time_s[0], time_s[-1], GRID_S)
    level = np.interp(grid, time_s, values)
    level = (level - level.mean()) * np.hanning(len(level))
    size = np.abs(np.fft.rfft(level, PADDING * len(level)))
    step = 1.0 / (PADDING * len(level) * GRID_S)
    inner = size[1:-1]
    peaks = np.flatnonzero((inner >= size[:-2]) & (inner > size[2:]) & (inner > FAINTEST * size.max())) + 1
    peaks = peaks[(peaks > PADDING) & (peaks * step < HIGHEST_LINE_HZ)]
    if not FEWEST <= len(peaks) <= MOST:
        return np.empty(0)
    near = np.zeros(len(size), dtype=bool)
    for peak in peaks:
        near[max(peak - 2 * PADDING, 0) : peak + 2 * PADDING + 1] = True
    if np.sum(size[near] ** 2) < LINE_PART * np.sum(size**2):
        return np.empty(0)
    before, top, after = (np.log(size[peaks + shift]) for shift in (-1, 0, 1))
    frequencies: np.ndarray = (peaks + (before - after) / (2.0 * (before - 2.0 * top + after))) * step
    return frequencies


def fit_lines(
    time_s: np.ndarray, values: np.ndarray, frequency_hz: np.ndarray, averaged_s: np.ndarray | float = 0.0
) -> Amplitudes:
    """Amplitudes of cos(2 pi f t) with their phases in ``values``, each an average over ``averaged_s`` around its time.

    ``time_s``, ``values`` ``(m,)``, finite; level and drift are fitted along. At least 2 n + 4 values are needed.
    """
    turn = 2.0 * math.pi * np.outer(time_s - time_s[0], frequency_hz)
    kept = np.sinc(np.outer(np.broadcast_to(averaged_s, time_s.shape), frequency_hz))
    since = (time_s - time_s[0]) / (time_s[-1] - time_s[0])
    columns = np.column_stack([kept * np.cos(turn), kept * np.sin(turn), np.ones_like(since), since])
    found = np.linalg.lstsq(columns, values, rcond=None)[0]
    count = len(frequency_hz)
    value = found[:count] - 1j * found[count : 2 * count]
    # back to the common origin of time, so that two records can be compared
    value = value * np.exp(-2j * math.pi * frequency_hz * time_s[0])
    return Amplitudes(value, frequency_hz, time_s, values - columns @ found)
