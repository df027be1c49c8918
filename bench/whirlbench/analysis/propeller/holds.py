"""Settled holds of a run: stretches in which speed and pitch stand still long enough to be averaged.

The search works on means over a tenth of a second, or over one sample of a log that is slower. A stretch qualifies
while the medians of the two halves of a sliding window agree, for speed and for pitch, and no command jumps; what is
almost a hold is listed with the reason why it was not used.
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from dataclasses import dataclass

import numpy as np

from whirlbench.analysis.propeller.hold_means import LEAST_BLOCKS, Measured, means_of_blocks
from whirlbench.errors import AnalysisError
from whirlbench.samples import Run, SlowSamples

QUANTITIES = ("rpm", "pitch_deg", "thrust_n", "current_a", "voltage_v", "throttle_us")


@dataclass(frozen=True)
class HoldRules:
    """What counts as settled. The defaults are ours: common practice, no source."""

    block_s: float = 0.1  # whole samples: a log slower than that has one sample a block
    window_s: float = 1.6  # over which speed and pitch must stand still
    shortest_s: float = 2.5
    least_rpm: float = 300.0
    speed_step_pct: float = 0.5  # between the window's halves
    pitch_step_deg: float = 0.15
    speed_drift_pct: float = 3.0  # over the whole hold: pack sag is allowed, a ramp is not
    command_jump_us: float = 2.0
    saturated_pct: float = 20.0  # share of samples at one and the same greatest reading
    missing_pct: float = 30.0


@dataclass(frozen=True)
class Hold:
    """One settled stretch, with the mean of every quantity over it."""

    source: str
    from_s: float
    to_s: float
    rpm: Measured
    pitch_deg: Measured
    thrust_n: Measured
    current_a: Measured
    voltage_v: Measured
    throttle_us: Measured
    power_w: Measured  # electrical
    vibration_g_rms: Measured


@dataclass(frozen=True)
class Rejected:
    """A stretch that might have been a hold, and why it is none."""

    source: str
    from_s: float
    to_s: float
    reason: str


@dataclass(frozen=True)
class HoldSurvey:
    """All holds found, in order of time, and all stretches that were turned down."""

    holds: tuple[Hold, ...]
    rejected: tuple[Rejected, ...]


@dataclass(frozen=True)
class _Blocks:
    """Means over equal spans of time; ``(n,)`` each, NaN where a span holds no sample."""

    time_s: np.ndarray
    values: dict[str, np.ndarray]
    block_s: float


def find_holds(run: Run, rules: HoldRules | None = None) -> HoldSurvey:
    """Settled holds of ``run``, each with means and standard errors.

    ``run`` needs ``rpm``; a run without it raises AnalysisError. Pitch is needed to tell holds apart but may be
    missing, in which case only speed and commands are watched and ``pitch_deg`` comes back NaN. Gaps (NaN) are left
    out of the means; a stretch with too many of them is rejected. Runs shorter than a window give no holds.
    """
    rules = rules or HoldRules()
    if not run.slow.has("rpm"):
        raise AnalysisError(f"{run.source or 'run'}: no rpm was recorded, so no hold can be found")
    blocks = _block_means(run.slow, rules.block_s)
    spans: list[tuple[float, float]] = []
    rejected: list[Rejected] = []
    for first, last in _settled_stretches(blocks, rules):
        from_s, to_s = blocks.time_s[first], blocks.time_s[last - 1] + blocks.block_s
        reason = _objection(run, blocks, first, last, rules)
        if reason:
            rejected.append(Rejected(run.source, float(from_s), float(to_s), reason))
        else:
            spans.append((float(from_s), float(to_s)))
    return HoldSurvey(tuple(_measure(run, spans, rules)), tuple(rejected))


def _block_means(slow: SlowSamples, block_s: float) -> _Blocks:
    """Means of every slow channel over spans of ``block_s``, as near as whole samples come to that.

    Each sample lies in the middle of its own interval, so that a little jitter moves none into the next block.
    """
    interval_s = float(np.median(np.diff(slow.time_s))) if len(slow.time_s) > 1 else block_s
    block_s = max(round(block_s / interval_s), 1) * interval_s
    begin_s = float(slow.time_s[0]) - interval_s / 2
    place = np.floor((slow.time_s - begin_s) / block_s).astype(int)
    count = int(place[-1]) + 1
    names = (*QUANTITIES, "servo_us", "speed_request_rpm")
    means = {name: _mean_by_place(place, slow.channel(name), count) for name in names}
    return _Blocks(begin_s + block_s * np.arange(count), means, block_s)


def _mean_by_place(place: np.ndarray, values: np.ndarray, count: int) -> np.ndarray:
    good = np.isfinite(values)
    sums = np.bincount(place[good], weights=values[good], minlength=count)
    numbers = np.bincount(place[good], minlength=count)
    with np.errstate(invalid="ignore", divide="ignore"):
        return np.where(numbers > 0, sums / numbers, np.nan)


def _settled_stretches(blocks: _Blocks, rules: HoldRules) -> Iterator[tuple[int, int]]:
    """Half-open block ranges in which everything stands still."""
    rpm, pitch = blocks.values["rpm"], blocks.values["pitch_deg"]
    half = max(2, round(rules.window_s / blocks.block_s / 2))
    if len(rpm) < 2 * half:
        return
    still = _stands_still(rpm, half, rules.speed_step_pct / 100 * np.abs(rpm)) & ~(rpm <= rules.least_rpm)
    if np.isfinite(pitch).any():
        still &= _stands_still(pitch, half, np.full(len(pitch), rules.pitch_step_deg))
    edges = np.flatnonzero(np.diff(np.concatenate(([False], still, [False])).astype(int)))
    for first, last in zip(edges[0::2], edges[1::2], strict=True):
        yield from _cut_at_jumps(blocks, int(first), int(last), half, rules)


def _stands_still(values: np.ndarray, half: int, tolerance: np.ndarray) -> np.ndarray:
    """Whether the medians of the halves of the window around each block agree, noise of the halves allowed for.

    A block without a value is as still as its neighbours: a blank is no move.
    """
    padded = np.concatenate((np.full(half, np.nan), values, np.full(half, np.nan)))
    windows = np.lib.stride_tricks.sliding_window_view(padded, half)
    finite = np.isfinite(windows).sum(axis=1) >= half // 2
    filled = np.where(finite[:, None], windows, 0.0)
    tolerance = _bridged(tolerance)
    median, spread = np.nanmedian(filled, axis=1), np.nanstd(filled, axis=1)
    count = len(values)
    before, after = slice(0, count), slice(half, half + count)
    noise = np.minimum(spread[before], spread[after]) * math.sqrt(math.pi / half)  # of a difference of two medians
    gap = np.abs(median[after] - median[before])
    known = finite[before] & finite[after]  # false at the run's ends, where only half a window exists
    result: np.ndarray = known & (gap <= tolerance + 2.0 * noise)
    return result


def _bridged(values: np.ndarray) -> np.ndarray:
    """``values`` with straight lines across the blanks."""
    good = np.isfinite(values)
    return np.interp(np.arange(len(values)), np.flatnonzero(good), values[good]) if good.any() else values


def _cut_at_jumps(blocks: _Blocks, first: int, last: int, half: int, rules: HoldRules) -> Iterator[tuple[int, int]]:
    """Parts of a stretch between command jumps; what follows a jump must settle again."""
    start = first
    for jump in (place for place in _jumps(blocks, rules) if first < place < last):
        if jump - start > 1:
            yield start, jump
        start = jump + half
    if last - start > 1:
        yield start, last


def _jumps(blocks: _Blocks, rules: HoldRules) -> np.ndarray:
    """Blocks at which a command changed; the throttle counts only while no governor moves it."""
    request = blocks.values["speed_request_rpm"]
    governed = np.nan_to_num(request) > 0
    jumped = _changes(blocks.values["servo_us"], rules.command_jump_us)
    jumped |= _changes(blocks.values["throttle_us"], rules.command_jump_us) & ~governed
    jumped |= _changes(request, 1.0)
    return np.flatnonzero(jumped)


def _changes(values: np.ndarray, threshold: float) -> np.ndarray:
    steps = np.abs(np.diff(values, prepend=values[:1]))
    return np.nan_to_num(steps) > threshold


def _objection(run: Run, blocks: _Blocks, first: int, last: int, rules: HoldRules) -> str:
    """Why the blocks from ``first`` to ``last`` are no hold; empty when they are."""
    duration_s = (last - first) * blocks.block_s
    needed_s = max(rules.shortest_s, LEAST_BLOCKS * blocks.block_s)
    if duration_s < needed_s - 1e-9:
        slow_log = f" of a log with a sample every {blocks.block_s:.2g} s" if needed_s > rules.shortest_s else ""
        return f"settled for {duration_s:.1f} s only, {needed_s:.3g} s{slow_log} are needed"
    rpm = blocks.values["rpm"][first:last]
    missing = 100.0 * np.mean(np.isnan(rpm))
    if missing > rules.missing_pct:
        return f"{missing:.0f} % of the speed readings are missing"
    drift_pct = 100.0 * abs(_slope(rpm)) * len(rpm) / float(np.nanmean(rpm))
    if drift_pct > rules.speed_drift_pct:
        return f"speed drifted by {drift_pct:.1f} %, {rules.speed_drift_pct:g} % are allowed"
    return _saturation(run, float(blocks.time_s[first]), float(blocks.time_s[last - 1]) + blocks.block_s, rules)


def _slope(values: np.ndarray) -> float:
    """Least-squares slope per block, gaps left out."""
    good = np.isfinite(values)
    if good.sum() < 3:
        return 0.0
    place = np.arange(len(values))[good] - np.mean(np.arange(len(values))[good])
    return float(np.sum(place * values[good]) / np.sum(place**2))


def _saturation(run: Run, from_s: float, to_s: float, rules: HoldRules) -> str:
    """Objection when the current stands at the greatest reading of the whole run: the sensor is at its end."""
    everything = run.slow.current_a
    here = run.slow.between(from_s, to_s).current_a
    assert everything is not None and here is not None
    here = here[np.isfinite(here)]
    if not len(here) or (len(np.unique(here)) < 2 and not _is_ceiling(everything, float(here[0]))):
        return ""
    top = float(np.nanmax(everything))
    share = 100.0 * float(np.mean(here >= top))
    if share > rules.saturated_pct:
        return f"current stands at {top:.1f} A in {share:.0f} % of the readings: its sensor is saturated"
    return ""


def _is_ceiling(values: np.ndarray, level: float) -> bool:
    """Whether a constant reading is a ceiling (others stay below) and not a noiseless channel of equal values."""
    finite = values[np.isfinite(values)]
    return bool((finite < level).any())


def _measure(run: Run, spans: Sequence[tuple[float, float]], rules: HoldRules) -> list[Hold]:
    """The holds over ``spans``: what they tell of the disturbance, they tell together."""
    blocks = [_block_means(run.slow.between(*span), rules.block_s).values for span in spans]
    series = {name: [one[name] for one in blocks] for name in QUANTITIES}
    series["power_w"] = [one["current_a"] * one["voltage_v"] for one in blocks]
    series["vibration_g_rms"] = [_vibration(run, *span) for span in spans]
    measured = {name: means_of_blocks(values) for name, values in series.items()}
    return [
        Hold(run.source, from_s, to_s, **{name: means[place] for name, means in measured.items()})
        for place, (from_s, to_s) in enumerate(spans)
    ]


def _vibration(run: Run, from_s: float, to_s: float) -> np.ndarray:
    """Root mean square over all measured axes, mean removed, in half-second pieces; empty where it was not recorded."""
    part = run.vibration.between(from_s, to_s)
    axes = [np.asarray(getattr(part, name), dtype=float) for name in part.axes()]
    size = int(run.vibration.rate_hz / 2)
    if not axes or size < 8 or len(axes[0]) < size:
        return np.empty(0)
    pieces = len(axes[0]) // size
    power = sum(np.nanvar(axis[: pieces * size].reshape(pieces, size), axis=1) for axis in axes)
    return np.asarray(np.sqrt(power))
