"""The instant at which something gave way: a blade left, the shaft stopped, the power went without being told to."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import dataclass

import numpy as np

from whirlbench.analysis.orders import centred, middle
from whirlbench.samples import Run, speed_from_pulses

# Our choices, all: no published figure was found. They are far from what growth, ramps or a coast-down do.
BLOCK_SAMPLES = 32
PIECE_BLOCKS, PIECE_SAMPLES = 4096, 1 << 17  # that go through memory at a time
BURST_RATIO = 3.0  # rms of a block over the largest of the last 0.2 s
BURST_BLOCKS = 3  # in a row, so that a knock is not a lost blade
RECENT_S = 0.2
FAST_SHARE = 0.5  # of the run's top speed: starts are not judged
STOP_SHARE, STOP_S = 0.5, 0.15  # speed lost faster than any drag takes it
UNASKED_SHARE, UNASKED_S = 0.4, 0.5  # speed lost while the throttle is known not to have moved
CUT_SHARE, CUT_S = 0.1, 0.1  # current left, and within what time it fell
LASTING_S = 0.3
AT_REST_S = 3.0
CUT_LASTING_S = 1.0
CLOSING_SHARE, CLOSING_S = 0.005, 0.05  # throttle that falls so far within so long is being closed


Speed = tuple[np.ndarray, np.ndarray]  # times in s and rpm


@dataclass(frozen=True)
class Failure:
    """When and how the run failed: "blade lost", "shaft stopped" or "power cut".

    ``asked`` is True where a command to close the throttle came just before, None where no command was recorded. Not
    ``sure`` is a fall that an operator may have wished, as far as the recording tells.
    """

    at_s: float
    kind: str
    asked: bool | None
    sure: bool = True


def find_failure(run: Run) -> Failure | None:
    """The earliest failure in ``run``, or None; a stream that is missing is simply not asked.

    A power cut that was commanded (throttle closed, trip, abort) is none; where commands were not recorded it is given
    as not ``sure``, and the caller decides with what it knows.
    """
    speed, closing_s = _speed(run), closing_times(run)  # once: an hour has millions of samples of each
    told = (_burst(run, speed), _stop(run, speed, closing_s), _cut(run, speed, closing_s))
    found = [one for one in told if one is not None]
    return min(found, key=lambda failure: failure.at_s, default=None)


def closing_times(run: Run) -> np.ndarray | None:
    """Times at which the throttle or request was falling, or a trip or abort came; None if no command was recorded."""
    moments = [np.array([event.time_s for event in run.events if event.kind in ("trip", "abort")])]
    known = False
    for name in ("throttle_us", "speed_request_rpm"):
        at_s, asked = _finite(run.slow.time_s, run.slow.channel(name))
        span = np.ptp(asked) if len(asked) >= 2 else 0.0
        known |= len(asked) >= 2 and (span > 0.0 or name == "throttle_us")
        for piece, before in _shortly_before(at_s, asked, CLOSING_S) if span > 0.0 else ():
            moments.append(at_s[piece][asked[piece] - before < -CLOSING_SHARE * span])
    closing_s = np.sort(np.concatenate(moments))
    return closing_s if known or len(closing_s) else None


def _finite(time_s: np.ndarray, values: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Times and values without the gaps; what has none is not copied."""
    good = np.isfinite(values)
    return (time_s, values) if good.all() else (time_s[good], values[good])


def _shortly_before(at_s: np.ndarray, values: np.ndarray, by_s: float) -> Iterator[tuple[slice, np.ndarray]]:
    """Piece by piece, what ``values`` were ``by_s`` earlier."""
    for first in range(0, len(at_s), PIECE_SAMPLES):
        piece = slice(first, first + PIECE_SAMPLES)
        yield piece, np.interp(at_s[piece] - by_s, at_s, values)


def _asked(closing_s: np.ndarray | None, at_s: float, before_s: float) -> bool | None:
    if closing_s is None:
        return None
    first, end = np.searchsorted(closing_s, (at_s - before_s, np.nextafter(at_s + 0.02, np.inf)))
    return bool(end > first)


def _burst(run: Run, speed: Speed) -> Failure | None:
    """A lasting jump of vibration to several times all that was before, at speed."""
    axes = run.vibration.axes()
    blocks = len(run.vibration.time_s) // BLOCK_SAMPLES
    if not axes or blocks < 20:
        return None
    used = blocks * BLOCK_SAMPLES
    square = _squares(run, used)
    rms = np.empty(blocks)
    for first in range(0, blocks, PIECE_BLOCKS):
        rows = slice(first * BLOCK_SAMPLES, min(first + PIECE_BLOCKS, blocks) * BLOCK_SAMPLES)
        rms[first : first + PIECE_BLOCKS] = np.sqrt(square(rows).reshape(-1, BLOCK_SAMPLES).mean(axis=1))
    start_s = run.vibration.time_s[:used:BLOCK_SAMPLES]
    block_s = float(np.median(np.diff(start_s)))
    recent = _running_max(rms, max(2, round(RECENT_S / block_s)))
    ever = np.concatenate([[np.inf], np.maximum.accumulate(rms)[:-1]])
    high = (rms > BURST_RATIO * recent) & (rms > 1.5 * ever) & _at_speed(speed, start_s)
    for block in np.flatnonzero(high):
        after = rms[block : block + BURST_BLOCKS]
        if len(after) == BURST_BLOCKS and after.min() > BURST_RATIO * recent[block] / 1.5:
            return Failure(_sharpened(run, square, int(block)), "blade lost", False)
    return None


def _squares(run: Run, used: int) -> Callable[[slice], np.ndarray]:
    """Squared acceleration about the mean of the first ``used`` samples, all axes together, for a slice of them."""
    columns = [getattr(run.vibration, axis)[:used] for axis in run.vibration.axes()]
    means = [middle(column) for column in columns]

    def square(rows: slice) -> np.ndarray:
        parts = [centred(column[rows], mean) ** 2 for column, mean in zip(columns, means, strict=True)]
        total: np.ndarray = np.sum(parts, axis=0)
        return total

    return square


def _running_max(values: np.ndarray, width: int) -> np.ndarray:
    """Largest of the ``width`` values before each; infinite where there are not so many."""
    padded = np.concatenate([np.full(width, np.inf), values])
    result: np.ndarray = np.lib.stride_tricks.sliding_window_view(padded, width)[: len(values)].max(axis=1)
    return result


def _sharpened(run: Run, square: Callable[[slice], np.ndarray], block: int) -> float:
    """Time of the first sample beyond everything in the tenth of a second before, around the block that jumped."""
    first = (block - 1) * BLOCK_SAMPLES
    before = square(slice(max(0, first - 5 * BLOCK_SAMPLES), first))
    over = np.flatnonzero(square(slice(first, first + 2 * BLOCK_SAMPLES)) > 1.7 * before.max())
    return float(run.vibration.time_s[first + (over[0] if len(over) else BLOCK_SAMPLES)])


def _speed(run: Run) -> Speed:
    """Times and rpm: from tach pulses, lone outliers taken out, else from the channel."""
    middle_s, speed = speed_from_pulses(run.tach)
    if len(speed) >= 8:
        before, here, after = speed[:-2], speed[1:-1], speed[2:]
        low, high = np.minimum(before, here), np.maximum(before, here)
        return middle_s[1:-1], np.maximum(low, np.minimum(high, after, out=high), out=high)  # the middle of three
    return _finite(run.slow.time_s, run.slow.channel("rpm"))


def _at_speed(speed: Speed, time_s: np.ndarray) -> np.ndarray:
    at_s, rpm = speed
    if len(at_s) < 2:
        return np.ones(len(time_s), bool)
    result: np.ndarray = np.interp(time_s, at_s, rpm, left=0.0) > FAST_SHARE * np.quantile(rpm, 0.98)
    return result


def _stop(run: Run, speed: Speed, closing_s: np.ndarray | None) -> Failure | None:
    """Speed lost faster than the air can take it, or lost without a command."""
    at_s, rpm = speed
    if len(at_s) < 8:
        return None
    top = np.quantile(rpm, 0.98)
    fast = np.flatnonzero(rpm > FAST_SHARE * top)
    for share, window_s, unasked_only in ((STOP_SHARE, STOP_S, False), (UNASKED_SHARE, UNASKED_S, True)):
        later = np.interp(at_s[fast] + window_s, at_s, rpm)
        for index in fast[(later < (1 - share) * rpm[fast])]:
            asked = _asked(closing_s, float(at_s[index]) + window_s, 2 * window_s + 0.3)
            if unasked_only and (asked or (asked is None and not _for_good(at_s, rpm, index, top))):
                continue
            if asked and later[fast == index][0] > 0.1 * rpm[index]:
                continue
            sure = not unasked_only or asked is False
            return Failure(_fall_begins(at_s, rpm, index, window_s), "shaft stopped", asked, sure)
    return _silence(run, speed, top, closing_s)


def _for_good(at_s: np.ndarray, rpm: np.ndarray, index: int, top: float) -> bool:
    """Whether the shaft never turns fast again after a fall."""
    return not bool(np.any(rpm[at_s > at_s[index] + AT_REST_S] > 0.2 * top))


def _fall_begins(at_s: np.ndarray, rpm: np.ndarray, index: int, window_s: float) -> float:
    """When the fall that ends ``window_s`` after ``index`` left the speed before it by five per cent."""
    inside = np.flatnonzero((at_s >= at_s[index]) & (at_s <= at_s[index] + window_s))
    level = np.median(rpm[max(0, index - 10) : index + 1])
    below = inside[rpm[inside] < 0.95 * level]
    return float(at_s[below[0] - 1] if len(below) else at_s[index])


def _silence(run: Run, speed: Speed, top: float, closing_s: np.ndarray | None) -> Failure | None:
    """Tach pulses that end at speed: a stop if the vibration ends with them, a lost tach if it goes on."""
    if len(run.tach.time_s) < 8 or speed[1][-1] < FAST_SHARE * top or not run.vibration.axes():
        return None
    end_s = float(run.tach.time_s[-1])
    if run.vibration.time_s[-1] < end_s + LASTING_S:
        return None
    before, after = (
        run.vibration.between(end_s - LASTING_S, end_s),
        run.vibration.between(end_s + 0.05, end_s + LASTING_S),
    )
    stopped = all(
        np.nanstd(getattr(after, axis)) < 0.3 * np.nanstd(getattr(before, axis)) for axis in run.vibration.axes()
    )
    return Failure(end_s, "shaft stopped", _asked(closing_s, end_s, LASTING_S)) if stopped else None


def _cut(run: Run, speed: Speed, closing_s: np.ndarray | None) -> Failure | None:
    """Current gone at once and for good while nobody closed the throttle."""
    at_s, current = _finite(run.slow.time_s, run.slow.channel("current_a"))
    if len(current) < 20:
        return None
    top = np.quantile(current, 0.95)
    for index, before in _falls(at_s, current, 0.2 * top):
        lasting = current[index : np.searchsorted(at_s, at_s[index] + CUT_LASTING_S, side="right")]
        if lasting.max() > 2 * CUT_SHARE * before or not _slows(speed, float(at_s[index])):
            continue
        asked = _asked(closing_s, float(at_s[index]), CUT_S + 0.3)
        if asked:
            continue
        return Failure(float(at_s[index]), "power cut", asked, asked is False)
    return None


def _falls(at_s: np.ndarray, current: np.ndarray, least_a: float) -> Iterator[tuple[int, float]]:
    """Samples at which the current has just fallen to a tenth, and what it was, above ``least_a``."""
    for piece, before in _shortly_before(at_s, current, CUT_S):
        index = piece.start + np.flatnonzero((before > least_a) & (current[piece] < CUT_SHARE * before))
        after = np.minimum(index + 1, len(current) - 1)  # most often scatter: the next sample is back at once
        back = (current[after] > 2 * CUT_SHARE * before[index - piece.start]) & (at_s[after] - at_s[index] < CUT_S)
        for place in index[~back].tolist():
            yield place, float(before[place - piece.start])


def _slows(speed: Speed, from_s: float) -> bool:
    """Whether the shaft loses a third of its speed (times and rpm) within a second, as far as it was recorded."""
    at_s, rpm = speed
    if len(at_s) < 2:
        return True
    later = np.interp(from_s + CUT_LASTING_S, at_s, rpm, right=0.0)
    return bool(later < 0.67 * np.interp(from_s, at_s, rpm))
