"""The speed as it was really measured: averages over tach periods, each between two edges, or bare samples.

The ``rpm`` channel of telemetry is the last tach period, held until the next edge: taken at face value it comes late
by one period on average (half for the averaging, half for the holding) and repeats every value several times.
Here the edges themselves are used where they were recorded, and are worked out again from the held values otherwise,
so that a dead time identified from them is that of the drive and not that of the tach.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Literal

import numpy as np

from whirlbench.errors import AnalysisError
from whirlbench.samples import Run, SlowSamples, TachPulses

Origin = Literal["tach", "held rpm", "rpm"]
ChannelKind = Literal["tach", "held", "bare", "averaged", "last turn", "filtered"]
TICK_S = 0.5e-6  # resolution of an edge time on the wire
MISSED_WITHIN = 0.15  # a period this near to a whole multiple of its neighbours holds missed edges
SPURIOUS_BELOW = 0.6  # a period this much shorter than its neighbours has an edge that does not belong
FEWEST_EDGES = 8
BESIDE_PERIODS = 4  # on both sides: five lost edges of nine would be needed to mistake a double period for a usual one
SPIKE = 8.0  # times the usual scatter about the median of five neighbours
DENSE_S = 0.008  # bare samples closer than this are averaged: no rotor of this size has a lag near it
STALE_S = 0.5  # a gap without edges this long is a gap, whatever the speed
CHAIN = 8  # edges over which held values must add up to the time that passed
LOCAL_EDGES = 32  # over which a chain of rounded periods is laid onto the instants of appearance
CHAIN_SLACK = 1.3  # samples: between two samples at most one is lost, and a rounded value is a little off
CHAINED_PART = 0.9  # of the chains must add up; a tach that loses edges breaks a few


@dataclass(frozen=True)
class SpeedChannel:
    """What the speeds of a log are: edges of the tach, or an rpm channel of one of these kinds.

    ``held``: the last tach period, repeated until the next edge. ``bare``: the speed at the instant. ``averaged``: the
    mean since the sample before. ``last turn``: the last whole tach period, seen less often than the rotor turns.
    ``filtered``: bare behind a lag of ``filter_s``.
    """

    kind: ChannelKind
    filter_s: float = 0.0


@dataclass(frozen=True)
class SpeedRecord:
    """Speed in rpm against time.

    ``averaged``: ``edge_s`` is ``(n + 1,)`` and ``speed_rpm`` ``(n,)`` holds the average between neighbouring edges,
    NaN where pulses are missing. Otherwise ``edge_s`` and ``speed_rpm`` are ``(n,)`` instants.
    ``mid_s`` is the time that a value stands for. ``dropped`` counts edges and samples that were repaired or left out.
    ``resolution_rpm`` is the step of a rounded rpm channel, zero where the values are not rounded. ``delay_stderr_s``:
    how well the times are known against the shaft, all of them together.
    """

    edge_s: np.ndarray
    speed_rpm: np.ndarray
    averaged: bool
    origin: Origin
    dropped: int = 0
    resolution_rpm: float = 0.0
    delay_stderr_s: float = 0.0

    def earlier(self, delay_s: np.ndarray | float, stderr_s: float = 0.0) -> SpeedRecord:
        """The record of a channel that tells each speed ``delay_s`` late, known to within ``stderr_s``."""
        return replace(self, edge_s=self.edge_s - delay_s, delay_stderr_s=stderr_s)

    @property
    def mid_s(self) -> np.ndarray:
        """The time that each value stands for, ``(n,)``."""
        return (self.edge_s[:-1] + self.edge_s[1:]) / 2.0 if self.averaged else self.edge_s

    def between(self, from_s: float, to_s: float) -> SpeedRecord:
        """The part with from_s <= edge_s < to_s."""
        first, last = np.searchsorted(self.edge_s, (from_s, to_s), side="left")
        values = self.speed_rpm[first : max(last - 1, first)] if self.averaged else self.speed_rpm[first:last]
        return replace(self, edge_s=self.edge_s[first:last], speed_rpm=values)

    def thinned(self, from_s: float, group: int) -> SpeedRecord:
        """The same record with every ``group`` averages from ``from_s`` on made one; bare samples stay as they are.

        Nothing is lost where the speed only drifts: an average of averages is an average. A gap widens to its group.
        """
        first = int(np.searchsorted(self.edge_s, from_s))
        groups = (len(self.speed_rpm) - first) // group
        if not self.averaged or groups < 1:
            return self
        return self._kept(np.concatenate([np.arange(first), first + group * np.arange(groups + 1)]))

    def thinned_before(self, to_s: float, group: int) -> SpeedRecord:
        """Likewise up to ``to_s``."""
        groups = max(int(np.searchsorted(self.edge_s, to_s)) - 1, 0) // group
        if not self.averaged or groups < 1:
            return self
        early = group * np.arange(groups)
        return self._kept(np.concatenate([early, np.arange(group * groups, len(self.edge_s))]))

    def _kept(self, kept: np.ndarray) -> SpeedRecord:
        """The record with only the edges ``kept``."""
        turned = np.concatenate([[0.0], np.cumsum(np.nan_to_num(self.speed_rpm) * np.diff(self.edge_s))])
        gaps = np.concatenate([[0], np.cumsum(np.isnan(self.speed_rpm))])
        edges = self.edge_s[kept]
        speed = np.where(np.diff(gaps[kept]) == 0, np.diff(turned[kept]) / np.diff(edges), np.nan)
        return replace(self, edge_s=edges, speed_rpm=speed)

    def mean_rpm(self) -> float:
        """Mean of the finite values, weighted by time where they are averages; NaN without any."""
        fine = np.isfinite(self.speed_rpm)
        if not fine.any():
            return float("nan")
        weight = np.diff(self.edge_s)[fine] if self.averaged else np.ones(int(fine.sum()))
        return float(np.average(self.speed_rpm[fine], weights=weight))


def speed_record(run: Run, channel: SpeedChannel | None = None) -> SpeedRecord:
    """The best speed record in ``run``: from tach edges, else from held rpm values, else the rpm samples as they are.

    A run without either gives an empty record. Missed edges (whole multiples of the period) are bridged, edges too
    many are left out, both are counted; NaN in ``rpm`` and gaps without edges become NaN. ``channel`` says what the
    speeds are instead; AnalysisError where they cannot be that.
    """
    if channel is not None and channel.kind not in ("tach", "held"):
        return _of_kind(run.slow, channel)
    if (channel is None or channel.kind == "tach") and len(run.tach.time_s) >= FEWEST_EDGES:
        return _from_edges(run.tach)
    if channel is not None and channel.kind == "tach":
        raise AnalysisError(
            f"{_source(run)}: {len(run.tach.time_s)} tach pulses: speeds from the tach need {FEWEST_EDGES}"
        )
    if not run.slow.has("rpm"):
        return SpeedRecord(np.empty(0), np.empty(0), False, "rpm")
    held = _edges_of_held(run.slow)
    if held is None and channel is not None:
        raise AnalysisError(f"{_source(run)}: the rpm values do not add up to the times at which they change: not held")
    return held if held is not None else _from_samples(run.slow)


def _source(run: Run) -> str:
    return run.source or "the run"


def _of_kind(slow: SlowSamples, channel: SpeedChannel) -> SpeedRecord:
    """The rpm samples of ``slow`` read as ``channel`` says."""
    if channel.kind == "averaged":
        return _averages(slow)
    if channel.kind == "filtered":
        return _from_samples(_unfiltered(slow, channel.filter_s))
    bare = _from_samples(slow)
    return bare.earlier(60.0 / np.maximum(bare.speed_rpm, 60.0)) if channel.kind == "last turn" else bare


def _averages(slow: SlowSamples) -> SpeedRecord:
    """Each sample the mean since the one before; a mean over a gap, and one that was left out, is none."""
    bare = _from_samples(slow)
    if len(bare.edge_s) < 2:
        return bare
    interval, written = (float(np.median(np.diff(time))) for time in (bare.edge_s, slow.time_s))
    if interval > 1.5 * written:  # already means of several, at the middle of their samples
        return bare.earlier(written / 2.0)
    edges = np.append(bare.edge_s[0] - interval, bare.edge_s)
    speed = np.where(np.diff(edges) < 1.5 * interval, bare.speed_rpm, np.nan)
    return replace(bare, edge_s=edges, speed_rpm=speed, averaged=True)


def _unfiltered(slow: SlowSamples, filter_s: float) -> SlowSamples:
    """``slow`` with the lag of ``filter_s`` taken out of rpm again: exact for a filter that runs once a sample."""
    rpm, time = slow.channel("rpm"), slow.time_s
    fine = np.isfinite(rpm)
    if filter_s <= 0.0 or fine.sum() < 2:
        return slow
    keep = np.exp(-np.diff(time[fine]) / filter_s)
    undone = np.full(len(rpm), np.nan)
    undone[np.flatnonzero(fine)[1:]] = rpm[fine][:-1] + np.diff(rpm[fine]) / (1.0 - keep)
    return replace(slow, rpm=undone)


def _from_edges(tach: TachPulses) -> SpeedRecord:
    edges = tach.time_s[:: max(tach.pulses_per_rev, 1)]  # whole revolutions: uneven marks cancel
    edges, spurious = _without_spurious(edges)
    period = np.diff(edges)
    turns, missed = _turns_in(period)
    return SpeedRecord(edges, 60.0 * turns / period, True, "tach", spurious + missed)


def _without_spurious(edges: np.ndarray) -> tuple[np.ndarray, int]:
    """Edges without those that cut a revolution in two, and how many those were."""
    usual = _usual(np.diff(edges), BESIDE_PERIODS)
    short = np.diff(edges) < SPURIOUS_BELOW * usual
    # the edge between two short periods that make up one revolution together is the one too many
    extra = np.flatnonzero(short[:-1] & short[1:]) + 1
    extra = extra[np.diff(extra, prepend=-2) > 1]
    return np.delete(edges, extra), len(extra)


def _turns_in(period_s: np.ndarray) -> tuple[np.ndarray, int]:
    """Whole revolutions in each period (NaN where it is a gap), and how many edges were missed."""
    ratio = period_s / _usual(period_s, BESIDE_PERIODS)
    turns = np.maximum(np.round(ratio), 1.0)
    odd = (turns > 1) & (np.abs(ratio - turns) > MISSED_WITHIN * turns)
    turns[odd | ((period_s > STALE_S) & (turns > 1))] = np.nan
    return turns, int(np.nansum(turns - 1) + np.isnan(turns).sum())


def _usual(values: np.ndarray, beside: int) -> np.ndarray:
    """Median of each value and ``beside`` neighbours on both sides; the ends are mirrored."""
    beside = min(beside, max(len(values) - 1, 0))
    padded = np.pad(values, beside, mode="reflect") if beside else values
    result: np.ndarray = np.median(np.lib.stride_tricks.sliding_window_view(padded, 2 * beside + 1), axis=1)
    return result


def _edges_of_held(slow: SlowSamples) -> SpeedRecord | None:
    """Edges behind a sampled-and-held rpm channel, or None when the channel does not look held by a tach.

    A held value is the period that ended at the edge where it appeared, so periods chain: their running sum is the
    edge time but for a constant, which the instants of appearance pin down.
    """
    rpm = slow.channel("rpm")
    fine = np.isfinite(rpm) & (rpm > 0)
    time, rpm = slow.time_s[fine], rpm[fine]
    at = np.flatnonzero(np.diff(rpm) != 0.0) + 1
    if len(at) < FEWEST_EDGES or not _looks_held(time, rpm, at):
        return None
    edges, repeats, _ = _chained(time, rpm, at)
    edges, repeats, period = _with_hidden(edges, repeats, 60.0 / rpm[at[:-1]], 60.0 / rpm[at[1:]])
    turns, missed = _turns_in(period)  # a missed edge shows as one long period
    values = np.where(np.isfinite(repeats), 60.0 * turns / period, np.nan)
    bridged = missed + int(np.isnan(repeats).sum())
    return SpeedRecord(edges, values, True, "held rpm", bridged, _resolution(rpm))


def _looks_held(time: np.ndarray, rpm: np.ndarray, at: np.ndarray) -> bool:
    """Whether the values add up to the times at which they change, as the periods between edges of a tach must.

    Between two edges lie the periods that the values tell, whatever the noise of the edges: the chance of eight bare
    values doing so in nine chains of ten is nil. A channel that changes at every sample may still have a value that
    happens to fit one sample, which is why single spacings prove nothing.
    """
    sampling = float(np.median(np.diff(time)))
    if float(np.median(60.0 / rpm[at[1:]])) <= 1.8 * sampling:
        return False  # edges were passed over: the chain is broken everywhere
    edges, repeats, _ = _chained(time, rpm, at)
    off = time[at] - sampling / 2.0 - edges
    whole = np.lib.stride_tricks.sliding_window_view(np.isfinite(repeats), CHAIN).all(axis=1)
    if len(off) <= CHAIN or whole.mean() < 0.5:
        return False
    span = np.lib.stride_tricks.sliding_window_view(off, CHAIN + 1)[whole]
    return bool(np.mean(np.ptp(span, axis=1) <= CHAIN_SLACK * sampling) > CHAINED_PART)


def _chained(time: np.ndarray, rpm: np.ndarray, at: np.ndarray) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Edge times ``(n + 1,)``, equal periods ``(n,)`` between them (NaN for a gap) and the length of one, ``(n,)``."""
    sampling = float(np.median(np.diff(time)))
    seen = time[at] - sampling / 2.0
    shown, newest = 60.0 / rpm[at[:-1]], 60.0 / rpm[at[1:]]
    spacing = np.diff(seen)
    # an equal value hides an edge: all periods but the last were the one still shown
    repeats = np.maximum(1.0 + np.round((spacing - newest) / shown), 1.0)
    told = (repeats - 1.0) * shown + newest
    repeats[np.abs(spacing - told) > np.maximum(2.0 * sampling, 0.2 * told)] = np.nan
    period = told / np.nan_to_num(repeats, nan=1.0)
    pieces = np.where(np.isfinite(repeats), told, spacing)
    chain = np.concatenate([[0.0], np.cumsum(pieces)])
    off = seen - chain
    drift_s = _resolution(rpm) / float(np.median(rpm)) * (time[-1] - time[0])
    if drift_s > 0.2 * sampling:  # rounded periods add up to a wrong time
        return chain + _local_offset(chain, off), repeats, period
    return chain + _steady_offset(off, np.isnan(repeats)), repeats, period


def _local_offset(chain_s: np.ndarray, offset: np.ndarray) -> np.ndarray:
    """Mid-range of ``offset`` over some thirty edges at a time, straight between."""
    starts = np.arange(0, max(len(offset) - LOCAL_EDGES // 2, 1), LOCAL_EDGES)
    middle = (np.maximum.reduceat(offset, starts) + np.minimum.reduceat(offset, starts)) / 2.0
    at = np.add.reduceat(chain_s, starts) / np.diff(np.append(starts, len(offset)))
    result: np.ndarray = np.interp(chain_s, at, middle)
    return result


def _with_hidden(
    edges: np.ndarray, repeats: np.ndarray, shown_s: np.ndarray, newest_s: np.ndarray
) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """``edges`` with those that an equal value hid, and ``repeats`` and periods of all: the last one is the newest."""
    count = np.nan_to_num(repeats, nan=1.0).astype(int)
    last = np.cumsum(count) - 1
    number = np.arange(count.sum()) - np.repeat(last + 1 - count, count)
    between = np.repeat(edges[:-1], count) + (number + 1) * np.repeat(shown_s, count)
    period = np.repeat(shown_s, count)
    between[last], period[last] = edges[1:], newest_s
    return np.append(edges[0], between), np.repeat(repeats, count), period


def _steady_offset(offset: np.ndarray, broken: np.ndarray) -> np.ndarray:
    """Mid-range of ``offset`` within each unbroken piece: an edge lies within half a sample of where it was seen."""
    piece = np.concatenate([[0], np.cumsum(broken)]).astype(int)
    starts = np.flatnonzero(np.diff(piece, prepend=-1))
    middle = (np.maximum.reduceat(offset, starts) + np.minimum.reduceat(offset, starts)) / 2.0
    result: np.ndarray = middle[piece - piece[0]]
    return result


def _from_samples(slow: SlowSamples) -> SpeedRecord:
    rpm = slow.channel("rpm")
    fine = np.isfinite(rpm)
    time, rpm = slow.time_s[fine], rpm[fine]
    resolution = _resolution(rpm)
    good = ~_spikes(rpm, resolution)
    dropped = int((~fine).sum() + (~good).sum())
    return SpeedRecord(*_even_means(time[good], rpm[good]), False, "rpm", dropped, resolution)


def _even_means(time: np.ndarray, rpm: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Means of neighbours where samples are closer than the shaft can change its speed: a few to 8 ms."""
    group = int(DENSE_S / np.median(np.diff(time))) if len(time) > FEWEST_EDGES else 1
    if group < 2:
        return time, rpm
    count = len(time) // group * group
    return time[:count].reshape(-1, group).mean(axis=1), rpm[:count].reshape(-1, group).mean(axis=1)


def _spikes(rpm: np.ndarray, resolution_rpm: float) -> np.ndarray:
    """Samples far off both their neighbours' median and the scatter about it: a wrong reading, no change of speed."""
    if len(rpm) < FEWEST_EDGES:
        return np.zeros(len(rpm), dtype=bool)
    off = np.abs(rpm - _usual(rpm, 2))
    scatter = max(1.4826 * float(np.median(off[off > 0])) if (off > 0).any() else 0.0, resolution_rpm)
    result: np.ndarray = off > np.maximum(SPIKE * scatter, 0.02 * np.abs(rpm))
    return result


def _resolution(rpm: np.ndarray) -> float:
    """Step of rounded values: the smallest difference, when all differences are its multiples; else zero."""
    steps = np.abs(np.diff(rpm))
    steps = steps[steps > 0]
    if len(steps) < FEWEST_EDGES:
        return 0.0
    smallest = float(np.min(steps))
    parts = steps / smallest
    return smallest if float(np.mean(np.abs(parts - np.round(parts)) < 0.01)) > 0.99 else 0.0
