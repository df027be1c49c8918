"""Several files of one run: how much later one clock began than the other, and all channels on one time base."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, replace

import numpy as np

from whirlbench.errors import RecordingError
from whirlbench.recording.foreign.log_file import ForeignLog, plain_word
from whirlbench.samples import ExtraChannel

# Channels that rise and fall together when the throttle moves: one of each file may stand for the same movement.
TOGETHER = ("rpm", "current_a", "thrust_n", "throttle_us")
SAME, ALIKE = 0.9, 0.75  # least correlation of one channel with itself, and with another that moves with it
CHANGE_S = 1.0  # changes over this time are compared: levels alone are alike in many places
CLEARLY = 0.1  # by which the next best place must be worse; else the run repeats itself
LEAST_OVERLAP = 0.5  # of the shorter file
LEAST_STEP_S = 0.01
MOST_POINTS = 200_000
LOST = 1.5  # steps of the other file, beyond which nothing is known between two samples


@dataclass(frozen=True)
class FoundOffset:
    """``offset_s`` is added to the other file's times; how it was found, how well it fits, and the next best place."""

    offset_s: float
    by: str
    correlation: float = float("nan")
    next_best: float = float("nan")

    @property
    def text(self) -> str:
        """In words."""
        if self.correlation != self.correlation:
            return f"offset {self.offset_s:+.3f} s, {self.by}"
        return (
            f"offset {self.offset_s:+.3f} s, found by {self.by}: correlation {self.correlation:.3f}, next best place "
            f"{self.next_best:.3f}"
        )


def find_offset(base: ForeignLog, other: ForeignLog) -> FoundOffset:
    """By how much the other file's times have to be shifted to be those of ``base``, from channels that move together.

    RecordingError with the option to add when no pair of channels fits well, or two places fit alike.
    """
    tried = [_offset_by(base, other, *pair) for pair in _pairs(base, other)]
    found = [one for one, _ in tried if one is not None]
    if not found:
        why = "; ".join(why for _, why in tried) or "they share no channel that moves with the throttle"
        raise RecordingError(
            f"{other.source}: its offset to {base.source} is not certain ({why}); add --offset "
            f'"{other.source}=SECONDS", the time in {base.source} at which its time 0 is'
        )
    return max(found, key=lambda one: one.correlation)


def _pairs(base: ForeignLog, other: ForeignLog) -> Iterator[tuple[str, str]]:
    shared = [name for name in base.channels if name in other.channels]
    if shared:
        yield from ((name, name) for name in shared)
        return
    for name in TOGETHER:
        yield from ((name, also) for also in TOGETHER if name in base.channels and also in other.channels)


def _offset_by(base: ForeignLog, other: ForeignLog, name: str, also: str) -> tuple[FoundOffset | None, str]:
    by = name if name == also else f"{name} with {also}"
    step_s = _step_s(base, other)
    first, second = _changes(base, name, step_s), _changes(other, also, step_s)
    if np.nanstd(first) == 0.0 or np.nanstd(second) == 0.0:
        return None, f"{by} stands still"
    places, fit = correlation(first, second)
    best = int(np.argmax(fit))
    next_best = _next_best(fit, best)
    least = SAME if name == also else ALIKE
    if fit[best] < least or fit[best] - next_best < CLEARLY:
        return None, f"{by}: correlation {fit[best]:.2f}, next best place {next_best:.2f}"
    shift_s = (places[best] + _between(fit, best)) * step_s + base.times_s[0] - other.times_s[0]
    return FoundOffset(float(shift_s), by, float(fit[best]), float(next_best)), ""


def _step_s(base: ForeignLog, other: ForeignLog) -> float:
    typical = min(float(np.median(np.diff(log.times_s))) for log in (base, other))
    span = max(float(log.times_s[-1] - log.times_s[0]) for log in (base, other))
    return max(typical, LEAST_STEP_S, span / MOST_POINTS)


def _changes(log: ForeignLog, name: str, step_s: float) -> np.ndarray:
    """Changes of a channel over ``CHANGE_S``, at even steps from the file's first time on."""
    values = log.channels[name]
    known = np.isfinite(values)
    at = np.arange(log.times_s[0], log.times_s[-1] + step_s / 2, step_s)
    apart = max(1, round(CHANGE_S / step_s))
    if not known.any() or len(at) <= 2 * apart:
        return np.zeros(len(at))
    levels = np.interp(at, log.times_s[known], values[known])
    changes: np.ndarray = levels[apart:] - levels[:-apart]
    return changes


def correlation(first: np.ndarray, second: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """(shift in steps, correlation of what overlaps) for every shift of ``second`` that overlaps enough.

    Each place is normed by the overlapping parts alone. Source: Padfield, Masked object registration in the Fourier
    domain, IEEE Trans. Image Processing 21 (2012), here in one dimension.
    """
    size = len(first) + len(second) - 1
    first, second = first - first.mean(), second - second.mean()
    ones, others = np.ones(len(first)), np.ones(len(second))
    overlap = np.rint(_slid(ones, others, size))
    sum_1, sum_2 = _slid(first, others, size), _slid(ones, second, size)
    squares_1, squares_2 = _slid(first**2, others, size), _slid(ones, second**2, size)
    products = _slid(first, second, size)
    with np.errstate(invalid="ignore", divide="ignore"):
        spread = (squares_1 - sum_1**2 / overlap) * (squares_2 - sum_2**2 / overlap)
        whole = 1e-6 * float((first**2).sum() * (second**2).sum())  # where next to nothing moves, nothing is told
        fit = np.where(spread > whole, (products - sum_1 * sum_2 / overlap) / np.sqrt(np.maximum(spread, whole)), -1.0)
    shifts = np.arange(size) - (len(second) - 1)
    enough = overlap >= LEAST_OVERLAP * min(len(first), len(second))
    return shifts[enough], fit[enough]


def _slid(first: np.ndarray, second: np.ndarray, size: int) -> np.ndarray:
    """Sum of products for each shift of ``second`` along ``first``."""
    points = 1 << (size - 1).bit_length()
    spectrum = np.fft.rfft(first, points) * np.fft.rfft(second[::-1], points)
    found: np.ndarray = np.fft.irfft(spectrum, points)[:size]
    return found


def _next_best(fit: np.ndarray, best: int) -> float:
    """The best fit outside the hill that ``best`` stands on."""
    low = high = best
    while low > 0 and fit[low - 1] <= fit[low]:
        low -= 1
    while high < len(fit) - 1 and fit[high + 1] <= fit[high]:
        high += 1
    outside = np.concatenate((fit[:low], fit[high + 1 :]))
    return float(outside.max()) if len(outside) else -1.0


def _between(fit: np.ndarray, best: int) -> float:
    """Where the top lies between samples, by a parabola through three of them; source: any text on peak finding."""
    if not 0 < best < len(fit) - 1:
        return 0.0
    left, top, right = fit[best - 1 : best + 2]
    bend = left - 2.0 * top + right
    return float(0.5 * (left - right) / bend) if bend < 0.0 else 0.0


def joined(base: ForeignLog, other: ForeignLog, offset_s: float) -> ForeignLog:
    """``base`` with the channels of ``other`` at its times: means where the other is quicker, straight lines where not.

    A channel that ``base`` has already is kept beside it as an extra channel.
    """
    channels, extra = dict(base.channels), {one.name: one for one in base.extra}
    name = other.source.replace("\\", "/").rsplit("/", 1)[-1]
    for channel, values in other.channels.items():
        here = _at_times_of(base, other, values, offset_s)
        if channel not in channels:
            channels[channel] = here
        else:
            word = plain_word(f"{channel} of {name}", extra)
            extra[word] = ExtraChannel(word, "", f"{channel} of {name}", here)
    for one in other.extra:
        word = plain_word(one.name, extra)
        extra[word] = one._replace(name=word, values=_at_times_of(base, other, one.values, offset_s))
    return replace(base, channels=channels, extra=tuple(extra.values()))


def _at_times_of(base: ForeignLog, other: ForeignLog, values: np.ndarray, offset_s: float) -> np.ndarray:
    known = np.isfinite(values)
    at, times_s, values = base.times_s, other.times_s[known] + offset_s, values[known]
    if not len(values):
        return np.full(len(at), np.nan)
    step_s, own_s = float(np.median(np.diff(other.times_s))), float(np.median(np.diff(base.times_s)))
    if step_s < own_s / 2:
        edges = np.concatenate(([at[0] - own_s / 2], (at[1:] + at[:-1]) / 2, [at[-1] + own_s / 2]))
        counts, _ = np.histogram(times_s, edges)
        sums, _ = np.histogram(times_s, edges, weights=values)
        with np.errstate(invalid="ignore"):
            means: np.ndarray = np.where(counts > 0, sums / np.maximum(counts, 1), np.nan)
        return means
    after = np.searchsorted(times_s, at)
    left, right = times_s[np.maximum(after - 1, 0)], times_s[np.minimum(after, len(times_s) - 1)]
    inside = (at >= times_s[0]) & (at <= times_s[-1]) & (right - left <= LOST * step_s)
    return np.where(inside, np.interp(at, times_s, values), np.nan)
