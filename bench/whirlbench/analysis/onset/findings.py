"""What an onset tells: the kind of cause its signals point to, and what size of change would have been seen."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from math import log, sqrt

import numpy as np

from whirlbench.analysis.onset.dating import FirstBeginning, Part, Watch
from whirlbench.analysis.onset.features import VIBRATION, Features
from whirlbench.analysis.onset.likelihood_ratio import tail_nats

ROTOR, LOAD, DRIVE, SENSOR = "rotor", "load", "drive", "sensor"
LASTING_S = 10.0  # of the step that would have been seen
SEEN_NINE_TIMES = 1.28  # standard deviations beyond the level: nine of ten such steps pass it
MOST_STEPS = 24  # places in the run at which a step is tried
WORST_SHARE = 0.75  # of those places at which a smaller step is seen
COMPARED_S = 10.0  # before the beginning and after the caution, to compare levels
LEAST_GAIN = 0.06  # from one: less is no change of gain; our choice
OWN_WAY = 0.5  # of the gain's change, that an order may be off it; our choice
OTHERS = 0.34  # of the one axis's change, that the others may show; our choice
LEAST_ORDER = 0.1  # of the largest: smaller orders tell no gain
THRUST, ORDERS = "thrust", "the shaft's own orders"
ORDER_NAMES = {"1P", "2P", "3P"}
SHAKING = ("broadband", "crest factor")


@dataclass(frozen=True)
class Cause:
    """What an onset points to: ``kind`` "rotor", "load", "drive" or "sensor", and ``why`` in words."""

    kind: str
    why: str


@dataclass(frozen=True)
class SmallestChange:
    """The step lasting ten seconds that would have been seen in nine of ten cases, at three in four places of the run.

    ``size`` in ``unit``: g, N, A or deg at the run's usual speed, % for a share; infinite where none would be.
    """

    signal: str
    size: float
    unit: str
    lasting_s: float = LASTING_S


def told_cause(onset: FirstBeginning, watched: tuple[Watch, ...], sets: tuple[Features, ...]) -> Cause:
    """The cause that the signals which moved by then point to; a change that nothing else explains is the rotor's.

    Vibration in one ratio on one axis alone is a sensor's; so is thrust without current. Thrust and current together
    are the air's load (wind, air, pitch) unless an order of the shaft moved as well. Current, speed or unsteadiness
    without thrust are the drive's. Common practice, no source.
    """
    moved, there = set(onset.moved) or {onset.signal}, {one.name for one in watched}
    names = _listed(one.name for one in watched if one.name in moved)
    vibrating = {one.name for one in watched if _kind(one.name, sets) == VIBRATION} - {"unsteadiness"}
    orders = (moved & vibrating) - set(SHAKING)
    scaled = _scaled_axis(onset, sets) if moved & vibrating and not moved - vibrating else None
    if scaled:
        return Cause(
            SENSOR, f"everything on {scaled} changed in one ratio, nothing else watched moved: its sensor or its mount"
        )
    if moved == {"thrust"} and "current" in there:
        return Cause(SENSOR, "thrust moved, the current that drives it did not: the load cell or its mount")
    if moved == {"pitch"} and {"thrust", "current"} <= there:
        return Cause(SENSOR, "the blade angle told moved, its load did not: the servo's feedback")
    loaded = bool(moved & {"thrust", "pitch"})
    if loaded and not orders & ORDER_NAMES:
        return Cause(LOAD, f"{names} moved{_rest(there, sets, (ORDERS,))}: wind, air or pitch")
    if orders:
        return Cause(ROTOR, f"{names} moved: the rotor itself")
    if moved & {"current", "speed", "unsteadiness"}:
        rest = _rest(there, sets, (THRUST, ORDERS))
        return Cause(DRIVE, f"{names} moved{rest}: motor, controller, pack or bearings")
    return Cause(ROTOR, f"{names} moved: nothing shows that it is not the rotor")


def _rest(there: set[str], sets: tuple[Features, ...], asked: Sequence[str]) -> str:
    """What is said of quantities that would have shown another cause: stayed, was not judged, or not even recorded."""
    recorded = {one.name for features in sets for one in features.signals}
    parts, open_ = [], False
    for what in asked:
        names = ORDER_NAMES if what == ORDERS else {what}
        if names & there:
            parts.append(f"{what} did not")
            continue
        open_, were = True, "were" if what == ORDERS else "was"
        parts.append(f"{what} {were} not {'judged' if names & recorded else 'recorded'}")
    return f", {' and '.join(parts)}{', so the rotor is not ruled out' if open_ else ''}"


def _listed(names: Iterable[str]) -> str:
    words = list(names)
    return words[0] if len(words) == 1 else f"{', '.join(words[:-1])} and {words[-1]}"


def _kind(name: str, sets: tuple[Features, ...]) -> str:
    return next(one.kind for features in sets for one in features.signals if one.name == name)


def _scaled_axis(onset: FirstBeginning, sets: tuple[Features, ...]) -> str | None:
    """The one axis on which every order changed in the same ratio, while the others' stayed; None otherwise."""
    features = sets[0]
    orders = [one for one in features.signals if one.axes and one.name not in SHAKING]
    axes = orders[0].axes if orders else ()
    if len(axes) < 2:
        return None
    before = _mean_between(features, onset.from_s - COMPARED_S, onset.from_s)
    after = _mean_between(features, onset.caution_s, onset.caution_s + COMPARED_S)
    vectors = [
        np.array([[one.phasors(mean, axis) for one in orders] for mean in (before, after)]) for axis in range(len(axes))
    ]
    change = np.array([_size(after - before) / max(_size(before), 1e-12) for before, after in vectors])
    if not np.isfinite(change).all():
        return None
    largest = int(change.argmax())
    alone = np.delete(change, largest).max() < OTHERS * change[largest]
    return axes[largest].removesuffix("_g") if alone and _one_ratio(*vectors[largest]) else None


def _size(vectors: np.ndarray) -> float:
    return float(np.sqrt((np.abs(vectors) ** 2).sum()))


def _one_ratio(before: np.ndarray, after: np.ndarray) -> bool:
    """Whether one real gain takes the vectors before to those after; an order that stayed is off by all of it."""
    large = np.abs(before) > LEAST_ORDER * np.abs(before).max()
    before, after = before[large], after[large]
    gain = float((before.conj() * after).real.sum() / _size(before) ** 2)
    off = np.abs(after - gain * before) / np.abs(before)
    return len(before) >= 2 and abs(gain - 1.0) > LEAST_GAIN and bool(off.max() < OWN_WAY * abs(gain - 1.0))


def _mean_between(features: Features, from_s: float, to_s: float) -> np.ndarray:
    """Mean of every column over the frames that lie wholly inside, NaN without one."""
    inside = (features.time_s >= from_s + features.step_s) & (features.time_s <= to_s - features.step_s)
    values = features.values[inside]
    known = np.isfinite(values)
    with np.errstate(invalid="ignore"):
        result: np.ndarray = np.where(known, values, 0.0).sum(axis=0) / known.sum(axis=0)
    return result


def smallest_changes(watched: tuple[Watch, ...], level: float) -> tuple[SmallestChange, ...]:
    """The step that would have been seen in each signal, by the energy that it leaves in the healthy filter."""
    energies = {id(one.part): step_energy(one.part) for one in {id(one.part): one for one in watched}.values()}
    return tuple(_smallest_change(one, energies[id(one.part)], level) for one in watched)


def _smallest_change(one: Watch, energy: np.ndarray, level: float) -> SmallestChange:
    scale = _usual_scale(one)
    unit = one.signal.unit
    if not len(energy):
        return SmallestChange(one.name, float("inf"), unit)
    needed = sqrt(2.0 * half_chi_square(level, len(one.columns))) + SEEN_NINE_TIMES
    size = needed / np.sqrt(np.maximum(np.quantile(energy, 1.0 - WORST_SHARE), 1e-9)) * scale
    return SmallestChange(one.name, float(size), unit)


def half_chi_square(level: float, degrees: int) -> float:
    """Half of the chi-square of ``degrees`` whose chance of being passed is exp(-``level``), by halving."""
    low, high = 0.0, level + degrees * (1.0 + log(max(level, 2.0))) + 10.0
    for _ in range(60):
        middle = 0.5 * (low + high)
        low, high = (middle, high) if tail_nats(np.array([middle]), degrees)[0] < level else (low, middle)
    return high


def step_energy(part: Part) -> np.ndarray:
    """Energies of unit steps that begin at places spread over the judged frames and last ten seconds."""
    judged = part.judged_s
    last_s = judged[-1] - LASTING_S if len(judged) else -np.inf
    places = judged[judged <= last_s]
    if not len(places):
        return np.empty(0)
    begin_s = places[np.unique(np.linspace(0, len(places) - 1, MOST_STEPS).astype(int))]
    stream, energy = part.healthy.stream(len(begin_s)), np.zeros(len(begin_s))
    for block in part.healthy.blocks:
        now = part.time_s[block.frames, None]
        begun, lasting = now >= begin_s, now <= begin_s + LASTING_S
        if (begun & lasting).any():  # a step that is over says nothing any more, whatever it is fed
            energy += np.where(lasting, stream.feed(block, begun.astype(float)) ** 2, 0.0).sum(axis=0)
    return energy


def _usual_scale(one: Watch) -> float:
    """What one scatter is, in the signal's unit, at the speed and point that the run judged most."""
    part = one.part
    point = np.bincount(part.healthy.design.point[part.healthy.design.point >= 0]).argmax()
    sigma = float(np.sqrt(np.mean(part.scatter[point, list(one.columns)] ** 2)))
    share = 100.0 if one.signal.unit == "%" else 1.0
    return sigma * share * float((part.rpm[point] / 1000.0) ** one.signal.speed_power)
