"""Back-tests: what given rules would have done to a run that was recorded or imported."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import replace
from itertools import pairwise

import numpy as np

from whirlbench.rig.description import Rig
from whirlbench.safety.host_rules import Batch, Rule, Trip, VibrationBlock, host_rules
from whirlbench.samples import SLOW_CHANNELS, VIBRATION_AXES, Run, VibrationSamples

BATCH_S = 30.0
LOST_TACH = "lost_tach_ms"
PIECE_SAMPLES = 1 << 17  # of vibration whose numbers go through memory at a time


def rules_for(run: Run, rig: Rig) -> tuple[Rule, ...]:
    """The rules that ``rig`` asks for, overspeed from tach pulses where ``run`` has them, else from ``rpm``."""
    return host_rules(rig, speed_from_tach=len(run.tach.time_s) > 1)


def back_test(run: Run, rules: Sequence[Rule]) -> tuple[Trip, ...]:
    """The first trip of every rule that fires on ``run``, sorted by time.

    The rules are those that run live; they are reset first. A rule whose channel was not recorded, or is NaN, does
    not fire. Where no tach pulses were recorded, the rule of lost tach takes every speed but zero for a working tach: a
    blank is not a standstill (``SensorShares`` tells how much of a run was blank). No other rule gets marks from that.
    """
    waiting = list(rules)
    for rule in rules:
        rule.reset()
    found: list[Trip] = []
    unmarked = not len(run.tach.time_s)
    for batch in _batches(run):
        for rule in tuple(waiting):
            trip = rule.feed(_turning_for(batch) if unmarked and rule.name == LOST_TACH else batch)
            if trip is not None:
                found.append(trip)
                waiting.remove(rule)
        if not waiting:
            break
    order = {rule.name: place for place, rule in enumerate(rules)}
    return tuple(sorted(found, key=lambda trip: (trip.at_s, order.get(trip.rule, 0))))


def _turning_for(batch: Batch) -> Batch:
    """``batch`` with the samples that do not say standstill in place of the tach pulses that were not recorded."""
    rpm = batch.slow.get("rpm")
    return replace(batch, edges_s=batch.time_s if rpm is None else batch.time_s[~(rpm <= 0.0)])


def _batches(run: Run) -> Iterator[Batch]:
    """The run in batches of BATCH_S: how it is cut changes nothing but the memory that it takes."""
    slow = {item.name: run.slow.channel(item.name) for item in SLOW_CHANNELS if run.slow.has(item.name)}
    edges_s = run.tach.time_s
    vibration, number, axes = run.vibration, run.vibration.first_index, run.vibration.axes()
    columns = (run.slow.time_s, edges_s, vibration.time_s)
    ends = [(float(one[0]), float(one[-1])) for one in columns if len(one)]
    if not ends:
        return
    first_s = min(first for first, _ in ends)
    borders = np.arange(first_s, max(last for _, last in ends) + BATCH_S, BATCH_S)
    places = [np.append(np.searchsorted(one, borders), len(one)) for one in columns]
    for at in range(len(borders)):
        rows, edges, samples = (slice(int(place[at]), int(place[at + 1])) for place in places)
        part = numbered(vibration, samples, number)
        if samples.stop < len(vibration.time_s):
            number = int(numbered(vibration, slice(samples.start, samples.stop + 1), number).running_numbers()[-1])
        if rows.stop > rows.start or edges.stop > edges.start or samples.stop > samples.start:
            values = {name: column[rows] for name, column in slow.items()}
            yield Batch(run.slow.time_s[rows], values, edges_s[edges], _blocks(part, axes))


def numbered(vibration: VibrationSamples, samples: slice, number: int) -> VibrationSamples:
    """Some of the samples, the first of them numbered ``number``."""
    values = {axis.name: getattr(vibration, axis.name)[samples] for axis in VIBRATION_AXES}
    return VibrationSamples(vibration.time_s[samples], rate_hz=vibration.rate_hz, first_index=number, **values)


def window_begins(vibration: VibrationSamples, length: int) -> np.ndarray:
    """First row of each of the device's windows of ``length`` samples that came without a gap."""
    found, number = [np.empty(0, np.int64)], vibration.first_index
    for first in range(0, len(vibration.time_s), PIECE_SAMPLES):
        numbers = numbered(vibration, slice(first, first + PIECE_SAMPLES + length), number).running_numbers()
        begins = np.flatnonzero(numbers[:PIECE_SAMPLES] % length == 0)
        begins = begins[begins + length <= len(numbers)]
        found.append(first + begins[numbers[begins + length - 1] - numbers[begins] == length - 1])
        number = int(numbers[min(PIECE_SAMPLES, len(numbers) - 1)])
    return np.concatenate(found)


def _blocks(vibration: VibrationSamples, axes: tuple[str, ...]) -> tuple[VibrationBlock, ...]:
    """The stretches without a gap, numbered as the device numbered them."""
    if not axes or vibration.rate_hz <= 0 or not len(vibration.time_s):
        return ()
    time_s, index = vibration.time_s, vibration.running_numbers()
    acceleration_g = np.empty((len(time_s), len(axes)))
    for place, name in enumerate(axes):
        acceleration_g[:, place] = getattr(vibration, name)
    if not np.isfinite(np.add.reduce(acceleration_g, axis=None)):  # a blank somewhere, or more than numbers hold
        whole = np.isfinite(acceleration_g).all(axis=1)
        time_s, acceleration_g, index = time_s[whole], acceleration_g[whole], index[whole]
    ends = [0, *(np.flatnonzero(index[1:] - index[:-1] > 1) + 1).tolist(), len(index)]
    parts = (slice(first, end) for first, end in pairwise(ends) if end > first)
    return tuple(VibrationBlock(int(index[part.start]), time_s[part], acceleration_g[part]) for part in parts)
