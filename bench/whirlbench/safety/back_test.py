"""Back-tests: what given rules would have done to a run that was recorded or imported."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from whirlbench.rig.description import Rig
from whirlbench.safety.host_rules import Batch, Rule, Trip, VibrationBlock, host_rules
from whirlbench.samples import SLOW_CHANNELS, Run, VibrationSamples


def rules_for(run: Run, rig: Rig) -> tuple[Rule, ...]:
    """The rules that ``rig`` asks for, overspeed from tach pulses where ``run`` has them, else from ``rpm``."""
    return host_rules(rig, speed_from_tach=len(run.tach.time_s) > 1)


def back_test(run: Run, rules: Sequence[Rule]) -> tuple[Trip, ...]:
    """The first trip of every rule that fires on ``run``, sorted by time.

    The rules are those that run live; they are reset first. A rule whose channel was not recorded, or is NaN, does
    not fire. Where no tach pulses were recorded, a speed above zero counts as sign of a working tach.
    """
    batch = _batch_of(run)
    for rule in rules:
        rule.reset()
    trips = (rule.feed(batch) for rule in rules)
    return tuple(sorted((trip for trip in trips if trip is not None), key=lambda trip: trip.at_s))


def _batch_of(run: Run) -> Batch:
    slow = {item.name: run.slow.channel(item.name) for item in SLOW_CHANNELS if run.slow.has(item.name)}
    edges_s = run.tach.time_s
    if not len(edges_s) and "rpm" in slow:
        edges_s = run.slow.time_s[slow["rpm"] > 0]
    return Batch(run.slow.time_s, slow, edges_s, _blocks(run.vibration))


def _blocks(vibration: VibrationSamples) -> tuple[VibrationBlock, ...]:
    """The stretches without a gap, numbered as the device numbered them."""
    axes = vibration.axes()
    if not axes or vibration.rate_hz <= 0:
        return ()
    time_s = vibration.time_s
    acceleration_g = np.column_stack([getattr(vibration, name) for name in axes]).astype(float)
    index = vibration.running_numbers()
    whole = np.isfinite(acceleration_g).all(axis=1)
    time_s, acceleration_g, index = time_s[whole], acceleration_g[whole], index[whole]
    borders = np.flatnonzero(np.diff(index) > 1) + 1
    parts = zip(np.split(index, borders), np.split(time_s, borders), np.split(acceleration_g, borders), strict=True)
    return tuple(VibrationBlock(int(part[0][0]), part[1], part[2]) for part in parts if len(part[0]))
