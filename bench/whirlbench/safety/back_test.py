"""Back-tests: what given rules would have done to a run that was recorded or imported."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import replace

import numpy as np

from whirlbench.rig.description import Rig
from whirlbench.safety.host_rules import Batch, Rule, Trip, VibrationBlock, host_rules
from whirlbench.samples import SLOW_CHANNELS, VIBRATION_AXES, Run, VibrationSamples

BATCH_S = 30.0
LONGEST_GAP = 3.0  # usual intervals between two slow samples; a longer one is a gap, our choice
SILENT_S = 1.0  # a tach that is silent for longer is at rest or lost: below 60 rpm nothing here runs
LOST_TACH = "lost_tach_ms"


def rules_for(run: Run, rig: Rig) -> tuple[Rule, ...]:
    """The rules that ``rig`` asks for, overspeed from tach pulses where ``run`` has them, else from ``rpm``."""
    return host_rules(rig, speed_from_tach=len(run.tach.time_s) > 1)


def back_test(run: Run, rules: Sequence[Rule]) -> tuple[Trip, ...]:
    """The first trip of every rule that fires on ``run``, sorted by time.

    The rules are those that run live; they are reset first. A rule whose channel was not recorded, or is NaN, does
    not fire. Where no tach pulses were recorded, the rule of lost tach takes every speed but zero for a working tach: a
    blank is not a standstill (``heard_share`` tells how much of a run was blank). No other rule gets marks from that.
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


def heard_share(run: Run, rig: Rig, sensors: Sequence[str]) -> float:
    """Share of the run, 0 to 1, during which all of ``sensors`` spoke together; 0 for a run of a single moment.

    A sensor is a slow channel, "speed" (tach pulses, else the channel ``rpm``), "tach" (pulses alone) or "vibration"
    (whole windows, which is told by itself). A slow sample counts until the next one; blanks and gaps do not.
    """
    whole_s = run.duration_s()
    if whole_s <= 0.0:
        return 0.0
    if "vibration" in sensors:
        rest = [name for name in sensors if name != "vibration"]
        shaken = _windows_s(run, rig) / whole_s
        return min(shaken, heard_share(run, rig, rest)) if rest else shaken
    pulses = len(run.tach.time_s) > 1
    if "tach" in sensors and not pulses:
        return 0.0
    named = [
        ("rpm" if name == "speed" else name) for name in sensors if name != "tach" and (name != "speed" or not pulses)
    ]
    slow = _together_s(run, named) / whole_s if named else 1.0
    marked = 1.0 - _silent_s(run, rig) / whole_s if pulses and {"speed", "tach"} & set(sensors) else 1.0
    return float(np.clip(min(slow, marked), 0.0, 1.0))


def _windows_s(run: Run, rig: Rig) -> float:
    """Seconds in whole, gapless windows of vibration."""
    length, axes = rig.limits.vibration_window_samples, run.vibration.axes()
    if not axes or run.vibration.rate_hz <= 0.0:
        return 0.0
    good = np.ones(len(run.vibration.time_s), bool)
    for axis in axes:
        good &= np.isfinite(getattr(run.vibration, axis))
    window = run.vibration.running_numbers()[good] // length
    borders = np.flatnonzero(np.diff(window, prepend=-1, append=-1))
    return float((np.diff(borders) == length).sum()) * length / run.vibration.rate_hz


def _together_s(run: Run, names: Sequence[str]) -> float:
    """Seconds during which the slow channels ``names`` all held a value; one value by itself is none."""
    time_s = run.slow.time_s
    if len(time_s) < 2:
        return 0.0
    good = np.isfinite([run.slow.channel(name) for name in names]).all(axis=0)
    step_s = np.diff(time_s)
    usual_s = float(np.median(step_s))
    held_s = np.append(np.where(step_s <= LONGEST_GAP * usual_s, step_s, usual_s), usual_s)
    return float(held_s[good].sum()) if good.sum() > 1 else 0.0


def _silent_s(run: Run, rig: Rig) -> float:
    """Seconds in which the tach ought to have spoken and nothing says so: driven, or turning by the speed channel.

    Where throttle and limit are known, silence is what the limit of lost tach watches, and no gap.
    """
    slow = run.slow
    if slow.has("throttle_us") and rig.limits.lost_tach_ms is not None:
        return 0.0
    marks_s = np.sort(np.concatenate((run.tach.time_s, slow.time_s[[0, -1]] if len(slow.time_s) else [])))
    long = np.flatnonzero(np.diff(marks_s) > SILENT_S)
    return sum(_unexplained_s(run, rig, float(marks_s[at]), float(marks_s[at + 1])) for at in long)


def _unexplained_s(run: Run, rig: Rig, from_s: float, to_s: float) -> float:
    """The part of a silence in which neither a closed throttle nor a speed of zero says that the shaft is at rest."""
    part = run.slow.between(from_s, to_s)
    if not len(part.time_s):
        return to_s - from_s
    rest = (part.channel("throttle_us") <= rig.throttle.safe_us) | (part.channel("rpm") <= 0.0)
    return (to_s - from_s) * float(1.0 - rest.mean())


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
        part = _cut(vibration, samples, number)
        if samples.stop < len(vibration.time_s):
            number = int(_cut(vibration, slice(samples.start, samples.stop + 1), number).running_numbers()[-1])
        if rows.stop > rows.start or edges.stop > edges.start or samples.stop > samples.start:
            values = {name: column[rows] for name, column in slow.items()}
            yield Batch(run.slow.time_s[rows], values, edges_s[edges], _blocks(part, axes))


def _cut(vibration: VibrationSamples, samples: slice, number: int) -> VibrationSamples:
    """Some of the samples, the first of them numbered ``number``."""
    values = {axis.name: getattr(vibration, axis.name)[samples] for axis in VIBRATION_AXES}
    return VibrationSamples(vibration.time_s[samples], rate_hz=vibration.rate_hz, first_index=number, **values)


def _blocks(vibration: VibrationSamples, axes: tuple[str, ...]) -> tuple[VibrationBlock, ...]:
    """The stretches without a gap, numbered as the device numbered them."""
    if not axes or vibration.rate_hz <= 0 or not len(vibration.time_s):
        return ()
    time_s = vibration.time_s
    acceleration_g = np.column_stack([getattr(vibration, name) for name in axes]).astype(float)
    index = vibration.running_numbers()
    whole = np.isfinite(acceleration_g).all(axis=1)
    time_s, acceleration_g, index = time_s[whole], acceleration_g[whole], index[whole]
    borders = np.flatnonzero(np.diff(index) > 1) + 1
    parts = zip(np.split(index, borders), np.split(time_s, borders), np.split(acceleration_g, borders), strict=True)
    return tuple(VibrationBlock(int(part[0][0]), part[1], part[2]) for part in parts if len(part[0]))
