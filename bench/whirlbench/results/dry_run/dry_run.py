"""The course of a plan in words, before anything turns: loads, currents and margins to expect, and what would exceed.

Expected is the steady state of every set-point on the way, ramps included; what overshoots between them is not known.
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from dataclasses import dataclass

import numpy as np

from whirlbench.analysis.pitch_limits import ExpectedLoads, LoadModel, expected_loads, safe_travel
from whirlbench.results.answer import NONE, Answer, Column, Level, NotJudged, Remark, Table, fixed, span
from whirlbench.results.figures.throttle_travel import highest_travel
from whirlbench.rig.declaration import Side
from whirlbench.rig.description import Rig
from whirlbench.rig.limits import WITH_MARGIN, Limit
from whirlbench.safety.quantities import measured

SUBJECT = "dry run"
CHANNELS = ("rpm", "thrust_n", "current_a", "voltage_v")
COLUMNS = (
    Column("step", figures=False),
    Column("from", "s"),
    Column("to", "s"),
    Column("pitch", "deg"),
    Column("speed", "rpm"),
    Column("thrust", "N"),
    Column("current", "A"),
    Column("voltage", "V"),
    Column("tightest limit, share in use", figures=False),
)


@dataclass(frozen=True)
class PlannedStep:
    """One step of a course: its title, its times, and the set-points on its way, arrays ``(n,)`` with NaN for none."""

    title: str
    from_s: float
    to_s: float
    throttle_us: np.ndarray
    request_rpm: np.ndarray
    pitch_deg: np.ndarray


@dataclass(frozen=True)
class _Use:
    """The greatest share of a limit that a step uses: as expected, and at the worse end of what is not known."""

    limit: Limit
    expected: float
    worst: float


@dataclass(frozen=True)
class _Judged:
    """One step with its loads by variant and its use of every limit; ``unknown`` are labels that nothing tells."""

    step: PlannedStep
    loads: dict[str, ExpectedLoads]
    uses: tuple[_Use, ...]
    unknown: tuple[str, ...]


def dry_run_answer(steps: Sequence[PlannedStep], rig: Rig, model: LoadModel) -> Answer:
    """The whole course of ``steps``. A step that would exceed a limit of ``rig`` as expected is a danger, by number."""
    found = [_judge(step, rig, model) for step in steps]
    over = [item for item in found if any(use.expected >= 1.0 for use in item.uses)]
    length_s = steps[-1].to_s if steps else 0.0
    headline = f"{len(steps)} steps in {length_s:.0f} s and the times to rest: " + (
        f"{len(over)} would exceed a limit" if over else "none would exceed a limit as expected"
    )
    return Answer(
        SUBJECT,
        headline,
        tables=(_table(found, rig),),
        remarks=tuple(_remarks(found, rig, model)),
        not_judged=tuple(_not_judged(found)),
        document={"exceeds": [item.step.title for item in over], "steps": [_document(item) for item in found]},
    )


def _judge(step: PlannedStep, rig: Rig, model: LoadModel) -> _Judged:
    loads = expected_loads(model, rig, step.throttle_us, step.request_rpm, step.pitch_deg)
    uses, unknown = [], []
    for limit in WITH_MARGIN:
        if limit.value(rig.limits) is None:
            continue
        shares = {name: _share(limit, rig, one) for name, one in loads.items()}
        if any(math.isnan(share) for share in shares.values()):
            unknown.append(limit.watch.label)
        else:
            uses.append(_Use(limit, shares["expected"], max(shares.values())))
    return _Judged(step, loads, tuple(uses), tuple(unknown))


def _share(limit: Limit, rig: Rig, loads: ExpectedLoads) -> float:
    """Greatest share in use over the step; NaN when it is not known throughout."""
    values = {name: getattr(loads, name) for name in CHANNELS}
    value, most = measured(limit, rig, values), limit.value(rig.limits)
    if value is None or most is None:
        return math.nan
    turning = loads.rpm != 0.0  # NaN counts as turning
    if not turning.any():
        return 0.0
    shares = most / value[turning] if limit.watch.side is Side.LOWER else np.abs(value[turning]) / most
    return float(np.max(shares))  # NaN anywhere stays NaN


def _remarks(found: Sequence[_Judged], rig: Rig, model: LoadModel) -> Iterator[Remark]:
    for item in found:
        for use in item.uses:
            told = f"{item.step.title}: {use.limit.watch.label}"
            if use.expected >= 1.0:
                exceeds = f"would exceed limits.{use.limit.key} ({use.expected:.0%} of it)"
                yield Remark(Level.DANGER, f"{told} {exceeds}{_travel_words(item, use.limit, rig, model)}")
            elif use.worst >= 1.0:
                worse = f"could exceed limits.{use.limit.key} within what is not known ({use.worst:.0%} of it)"
                yield Remark(Level.CAUTION, f"{told} {worse}{_travel_words(item, use.limit, rig, model)}")
    yield Remark(Level.NOTE, f"loads from {model.source}; steady states, what overshoots between them is not known")
    yield Remark(Level.NOTE, "times without the way to rest: it is waited for at each stop")
    yield Remark(Level.CAUTION, "An estimate of loads protects nobody: guard closed, nobody in the plane of rotation.")


def _travel_words(item: _Judged, limit: Limit, rig: Rig, model: LoadModel) -> str:
    """What the throttle could open to instead where it alone makes a step too fast; empty otherwise."""
    limit_rpm = limit.value(rig.limits)
    if limit.key != "overspeed_rpm" or limit_rpm is None:
        return ""
    too_fast = np.isnan(item.step.request_rpm) & (item.loads["light"].rpm > limit_rpm)
    travel = safe_travel(model, rig, item.step.pitch_deg[too_fast])
    if travel is None:
        return ""
    highest = highest_travel(travel.safe_pct, travel.best_pct, rig)
    return f"; {highest} cannot pass it from {travel.from_deg:.1f} deg on"


def _not_judged(found: Sequence[_Judged]) -> Iterator[NotJudged]:
    """Limits that nothing tells, with the steps; vibration is never foretold."""
    labels = dict.fromkeys(label for item in found for label in item.unknown)
    for label in labels:
        steps = [item.step.title.split(":")[0] for item in found if label in item.unknown]
        if len(steps) == len(found):
            yield NotJudged(label, "nothing foretells it")
            continue
        why = "the pitch is outside what is known, or the drive cannot hold the speed"
        yield NotJudged(f"{label} in {', '.join(steps)}", why)


def _table(found: Sequence[_Judged], rig: Rig) -> Table:
    over = frozenset(number for number, item in enumerate(found) if any(use.expected >= 1.0 for use in item.uses))
    return Table("course", "Course of the plan, greatest of each step", COLUMNS, tuple(map(_row, found)), over)


def _row(item: _Judged) -> tuple[str, ...]:
    step = item.step
    known = step.pitch_deg[np.isfinite(step.pitch_deg)]
    pitch = NONE if not len(known) else fixed(known[-1]) if np.ptp(known) < 0.05 else span(known.min(), known.max(), 1)
    tight = max(item.uses, key=lambda use: use.expected, default=None)
    use = NONE if tight is None else f"{tight.limit.watch.label} {tight.expected:.0%} (up to {tight.worst:.0%})"
    cells = [_most(item, name, decimals) for name, decimals in (("rpm", 0), ("thrust_n", 1), ("current_a", 1))]
    least = _extreme(item, "voltage_v")
    return (step.title, fixed(step.from_s), fixed(step.to_s), pitch, *cells, fixed(least), use)


def _most(item: _Judged, name: str, decimals: int) -> str:
    """The greatest of a step as expected, with its range over what is not known."""
    values = [float(np.max(getattr(one, name))) for one in item.loads.values()]
    middle, narrow = fixed(values[0], decimals), np.ptp(values) < 10.0**-decimals
    if narrow or not all(map(math.isfinite, values)):
        return middle
    return f"{middle} ({span(min(values), max(values), decimals)})"


def _extreme(item: _Judged, name: str) -> float:
    """The greatest of a step as expected; of the voltage the least."""
    values = getattr(item.loads["expected"], name)
    return float(np.min(values) if name == "voltage_v" else np.max(values))


def _document(item: _Judged) -> dict[str, object]:
    greatest = {name: _extreme(item, name) for name in CHANNELS}
    shares = {use.limit.key: {"expected": use.expected, "worst": use.worst} for use in item.uses}
    step = item.step
    return {"step": step.title, "from_s": step.from_s, "to_s": step.to_s, "expected": greatest, "shares": shares}
