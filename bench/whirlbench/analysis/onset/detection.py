"""When a run began to leave its own healthy behaviour, which signal moved first, and how long before the failure."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from whirlbench.analysis.onset.commands import TURNING_RPM
from whirlbench.analysis.onset.dating import FirstBeginning, Part, SignalOnset, Watch, first_beginning
from whirlbench.analysis.onset.failure import Failure, find_failure
from whirlbench.analysis.onset.features import LOAD, SPEED, STEP_S, VIBRATION, Features, Signal, feature_sets
from whirlbench.analysis.onset.findings import Cause, SmallestChange, smallest_changes, told_cause
from whirlbench.analysis.onset.healthy_load import expected_load
from whirlbench.analysis.onset.healthy_scatter import Expectation, Scatter, expectation, refuse_earlier, scatter
from whirlbench.analysis.onset.likelihood_ratio import Evidence, alarm_level, sequential_evidence
from whirlbench.analysis.onset.operating_points import Points, operating_points, ramp_points
from whirlbench.analysis.onset.whitening import BLOCK, HABITS, HealthyFilter, make_design, standardised
from whirlbench.analysis.orders import Resonance, find_resonances
from whirlbench.errors import AnalysisError
from whirlbench.rig.description import Rig
from whirlbench.samples import Run

MEAN_TIME_S = 36000.0  # one false alarm in ten hours of judged running, unless told otherwise
LEAST_BASELINE_S = 6.0
LEAST_BASELINE_FRAMES = 12
HELD_SHARE = 0.25  # of the turning time: a run that holds less is one of ramps; our choice
NOT_LOOKED_FOR = "resonances were not looked for"
NONE_TOLD = "no order showed a resonance that can be told in the run-ups and coast-downs"


@dataclass(frozen=True)
class OnsetReport:
    """What was found. ``refused`` says by name what could not be judged; ``judged_s`` is the steady running looked at.

    ``evidence`` per second and signal, and the alarm ``level_nats`` it is held against, are for charts. ``resonances``
    are those met in run-ups and coast-downs before the failure; where there are none ``resonances_refused`` says why.
    """

    onset: FirstBeginning | None
    failure: Failure | None
    signals: tuple[SignalOnset, ...]
    refused: tuple[str, ...]
    judged_s: float
    mean_time_between_false_alarms_s: float
    level_nats: float
    signal_names: tuple[str, ...]
    evidence: Evidence
    resonances: tuple[Resonance, ...] = ()
    resonances_refused: str = NOT_LOOKED_FOR
    cause: Cause | None = None
    smallest_seen: tuple[SmallestChange, ...] = ()

    @property
    def lead_s(self) -> float | None:
        """Seconds from onset to failure; None without both."""
        return self.failure.at_s - self.onset.at_s if self.onset and self.failure else None


def find_onset(
    run: Run,
    rig: Rig | None = None,
    earlier: tuple[Run, ...] = (),
    mean_time_s: float = MEAN_TIME_S,
    baseline_s: tuple[float, float] | None = None,
) -> OnsetReport:
    """Onset, failure and resonances of ``run``, against its own beginning and ``earlier`` healthy runs of the set.

    ``mean_time_s``: mean judged time between false alarms that is accepted (10 h by default). ``baseline_s`` (from, to)
    states which part of the run is healthy: nothing before it is judged, and nothing begins within it. A change of
    operating point is not compared across; what happens while the stand moves is not judged, unless the run offers no
    hold. Where nothing can be judged (no speed, no steady stretch of six seconds before the failure) the onset is None
    and ``refused`` says why. AnalysisError for ``earlier`` runs with other channels, of another set, that are this run,
    failed or left their own healthy behaviour; and for a baseline outside the run or with too little steady running.
    """
    refuse_earlier(run, earlier)
    failure = find_failure(run)
    try:
        sets = feature_sets(run, rig)
    except AnalysisError as error:
        return _with_resonances(_nothing(failure, (str(error),), mean_time_s), run)
    others = [_healthy_sets(one, rig, number, mean_time_s) for number, one in enumerate(earlier, start=1)]
    return _with_resonances(judge_features(sets, failure, others, mean_time_s, baseline_s), run)


def _healthy_sets(run: Run, rig: Rig | None, number: int, mean_time_s: float) -> tuple[Features, ...]:
    """Features of an earlier run, which must itself be healthy as far as it shows."""
    sets = feature_sets(run, rig)
    onset = judge_features(sets, None, [], mean_time_s).onset
    if onset is not None:
        raise AnalysisError(
            f"earlier run {number} left its own healthy behaviour at {onset.at_s:.1f} s ({onset.signal}): "
            "compare with runs that are known to be healthy"
        )
    return sets


def _with_resonances(report: OnsetReport, run: Run) -> OnsetReport:
    """``report`` with the resonances of ``run``; a rotor that has failed no longer shows the modes of the whole one."""
    until_s = report.failure.at_s if report.failure else np.inf
    try:
        found, refused = find_resonances(run, until_s=until_s), NONE_TOLD
    except AnalysisError as error:
        found, refused = (), str(error)
    return replace(report, resonances=found, resonances_refused="" if found else refused)


def judge_features(
    sets: tuple[Features, ...],
    failure: Failure | None,
    earlier: list[tuple[Features, ...]] | None = None,
    mean_time_s: float = MEAN_TIME_S,
    baseline_s: tuple[float, float] | None = None,
) -> OnsetReport:
    """Like ``find_onset`` for features and failure that are already at hand; ``earlier``: features of healthy runs."""
    from_s, after_s = baseline_s or (-np.inf, -np.inf)
    span_s = from_s, failure.at_s if failure else np.inf
    notes = tuple(note for features in sets for note in features.notes)
    prepared = [_prepare(one, _same_place(earlier or [], number), span_s) for number, one in enumerate(sets)]
    parts = tuple(part for found, _ in prepared for part in found)
    notes += tuple(dict.fromkeys(note for _, found in prepared for note in found))
    steady_s, least_s = max((len(one.judged_s) * one.step_s for one in parts), default=0.0), _least_baseline_s(sets)
    if baseline_s is not None:
        _require_baseline(parts, baseline_s, least_s)
    if steady_s < least_s:
        return _nothing(failure, (_too_little(sets, steady_s, least_s), *notes), mean_time_s, steady_s)
    watched = _watch(parts, after_s)
    level = alarm_level(mean_time_s, BLOCK * min(one.step_s for one in parts), len(watched))
    onset, signals = first_beginning(watched, level, after_s)
    if onset is None and failure is not None and not failure.sure:
        failure = None  # an ordinary end of a run whose commands were not recorded
    evidence, names = _common_evidence(watched), tuple(one.name for one in watched)
    cause = told_cause(onset, watched, sets) if onset else None
    seen = smallest_changes(watched, level)
    return OnsetReport(
        onset, failure, signals, notes, steady_s, mean_time_s, level, names, evidence, cause=cause, smallest_seen=seen
    )


def _same_place(earlier: list[tuple[Features, ...]], number: int) -> list[Features]:
    """The sets of ``earlier`` runs that stand where set ``number`` of this run does."""
    if any(len(sets) <= number for sets in earlier):
        raise AnalysisError("an earlier run was logged at another rate: compare runs recorded alike")
    return [sets[number] for sets in earlier]


def _least_baseline_s(sets: tuple[Features, ...]) -> float:
    """Steady seconds that a baseline needs: six, or a dozen frames of the densest set."""
    return max(LEAST_BASELINE_S, LEAST_BASELINE_FRAMES * min(one.step_s for one in sets))


def _too_little(sets: tuple[Features, ...], steady_s: float, least_s: float) -> str:
    """Why nothing was judged, with what the shaft and the log did."""
    found = f"only {steady_s:.1f} s of steady running before the end: a baseline needs {least_s:g} s"
    if min(one.step_s for one in sets) > STEP_S:
        return f"{found} of a log with a sample every {sets[0].step_s:.3g} s"
    return found


def _require_baseline(parts: tuple[Part, ...], baseline_s: tuple[float, float], least_s: float) -> None:
    """Refuses a stated baseline that holds too little steady running."""
    from_s, to_s = baseline_s
    held_s = (((one.judged_s >= from_s) & (one.judged_s <= to_s)).sum() * one.step_s for one in parts)
    inside = float(max(held_s, default=0.0))
    if inside < least_s:
        raise AnalysisError(
            f"the baseline from {from_s:g} to {to_s:g} s holds {inside:.1f} s of steady running: it needs {least_s:g} s"
        )


def _common_evidence(watched: tuple[Watch, ...]) -> Evidence:
    """Evidence of all signals at the decisions of the densest; that of a slower log stands until its next."""
    densest = max(watched, key=lambda one: len(one.time_s)).time_s
    columns = []
    for one in watched:
        place = np.searchsorted(one.time_s, densest, side="right") - 1
        columns.append(np.where(place >= 0, one.nats[np.maximum(place, 0)], 0.0) if len(one.nats) else 0.0 * densest)
    return Evidence(densest, np.column_stack(columns))


def _prepare(
    features: Features, earlier: list[Features], span_s: tuple[float, float]
) -> tuple[tuple[Part, ...], tuple[str, ...]]:
    """Vibration is judged at points held in speed; load and speed at what was commanded, whatever the speed does.

    Each load signal has a filter of its own: an earlier point tells thrust better than it tells current. Notes say
    where ramps had to be judged.
    """
    parts, notes = [], []
    for kind in (VIBRATION, LOAD, SPEED):
        signals = tuple(one for one in features.signals if one.kind == kind)
        points = _within(operating_points(features, by_speed=kind == VIBRATION), features, span_s)
        held_s = _held_s(points, features)
        if signals and kind != SPEED and held_s < HELD_SHARE * features.step_s * (features.rpm > TURNING_RPM).sum():
            ramps = _within(ramp_points(features), features, span_s)
            if _held_s(ramps, features) >= max(LEAST_BASELINE_S, 2.0 * held_s):
                points = ramps
                notes.append("the run offers hardly a hold: ramps were judged, at speeds passed more than once")
        if not signals or not (points.of_frame >= 0).any():
            continue
        sigma = scatter(features, points)
        expected = expectation(features, points, earlier) if earlier else None
        if kind == LOAD:
            expected = expected_load(features, points, sigma, expected)
        groups = [(one,) for one in signals] if kind == LOAD else [signals]
        parts += [_part(features, points, sigma, expected, group) for group in groups]
    return tuple(parts), tuple(notes)


def _held_s(points: Points, features: Features) -> float:
    return float((points.of_frame >= 0).sum() * features.step_s)


def _part(
    features: Features, points: Points, sigma: Scatter, expected: Expectation | None, signals: tuple[Signal, ...]
) -> Part:
    """Signals that share one filter, and with it how well their levels are known beforehand."""
    used = [column for one in signals for column in one.columns]
    habits = HABITS[signals[0].kind]
    healthy = HealthyFilter(make_design(features, points, sigma, expected, habits, used))
    white = healthy.whiten(standardised(features, points, sigma, expected)[:, used])
    columns = tuple(tuple(used.index(column) for column in one.columns) for one in signals)
    judged_s = features.time_s[points.of_frame >= 0]
    return Part(signals, columns, features.time_s, judged_s, healthy, white, sigma.sigma[:, used], points.rpm)


def _within(points: Points, features: Features, span_s: tuple[float, float]) -> Points:
    """Points with the frames outside the span, or reaching past its end, left out."""
    from_s, end_s = span_s
    inside = (features.time_s >= from_s) & (features.time_s <= end_s - 1.5 * features.step_s)
    of_frame, visit = (np.where(inside, number, -1) for number in (points.of_frame, points.visit))
    return Points(of_frame, visit, points.rpm, points.command, points.pitch_deg)


def _watch(parts: tuple[Part, ...], after_s: float) -> tuple[Watch, ...]:
    watched = []
    for part in parts:
        evidence = sequential_evidence(part.healthy, part.white, part.time_s, part.columns, after_s)
        for number, (signal, columns) in enumerate(zip(part.signals, part.columns, strict=True)):
            watched.append(Watch(signal, part, columns, evidence.time_s, evidence.nats[:, number]))
    return tuple(watched)


def _nothing(
    failure: Failure | None, refused: tuple[str, ...], mean_time_s: float, judged_s: float = 0.0
) -> OnsetReport:
    none = Evidence(np.empty(0), np.empty((0, 0)))
    return OnsetReport(None, failure, (), refused, judged_s, mean_time_s, float("nan"), (), none)
