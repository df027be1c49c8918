"""When a run began to leave its own healthy behaviour, which signal moved first, and how long before the failure."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from whirlbench.analysis.onset.beginning import Beginning, Likelihood, beginning, beginning_likelihood
from whirlbench.analysis.onset.failure import Failure, find_failure
from whirlbench.analysis.onset.features import LOAD, SPEED, VIBRATION, Features, Signal, run_features
from whirlbench.analysis.onset.healthy_load import expected_load
from whirlbench.analysis.onset.healthy_scatter import Expectation, Scatter, expectation, scatter
from whirlbench.analysis.onset.likelihood_ratio import BLOCK, Evidence, alarm_level, sequential_evidence
from whirlbench.analysis.onset.operating_points import Points, operating_points
from whirlbench.analysis.onset.whitening import HABITS, HealthyFilter, make_design, standardised
from whirlbench.analysis.orders import Resonance, find_resonances
from whirlbench.errors import AnalysisError
from whirlbench.rig.description import Rig
from whirlbench.samples import Run

MEAN_TIME_S = 36000.0  # one false alarm in ten hours of judged running, unless told otherwise
LEAST_BASELINE_S = 6.0
# Chosen on the campaign in tests/benchmarks: more data than these bring the shape of late growth, not the beginning.
ENOUGH_NATS = 250.0  # beyond the alarm level
LONGEST_WAIT_S = 8.0  # after the first caution
SHARPNESS = 0.5  # tempers the interval, for growth that is no power of time
FRAME_BLUR_S = 0.25
NOT_LOOKED_FOR = "resonances were not looked for"
NONE_TOLD = "no order showed a resonance that can be told in the run-ups and coast-downs"
SEARCHED_S = 50.0  # before the data used; further back only where the beginning may lie there


@dataclass(frozen=True)
class Onset:
    """The beginning with its 95 % interval, and the first caution, in s; the signal that moved first.

    ``kind`` is "growth" or "step".
    """

    at_s: float
    from_s: float
    to_s: float
    signal: str
    kind: str
    caution_s: float


@dataclass(frozen=True)
class SignalOnset:
    """A signal that left its healthy behaviour: its own beginning and first caution."""

    signal: str
    at_s: float
    from_s: float
    to_s: float
    caution_s: float


@dataclass(frozen=True)
class OnsetReport:
    """What was found. ``refused`` says by name what could not be judged; ``judged_s`` is the steady running looked at.

    ``evidence`` per second and signal, and the alarm ``level_nats`` it is held against, are for charts. ``resonances``
    are those met in run-ups and coast-downs before the failure; where there are none ``resonances_refused`` says why.
    """

    onset: Onset | None
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

    @property
    def lead_s(self) -> float | None:
        """Seconds from onset to failure; None without both."""
        return self.failure.at_s - self.onset.at_s if self.onset and self.failure else None


@dataclass(frozen=True)
class _Prepared:
    """Signals of a run with the healthy model they are judged by; ``columns`` per signal into ``white``."""

    names: tuple[str, ...]
    columns: tuple[tuple[int, ...], ...]
    time_s: np.ndarray
    judged_s: np.ndarray
    healthy: HealthyFilter
    white: np.ndarray


@dataclass(frozen=True)
class _Watch:
    """One signal under watch: where it is prepared, its column of the evidence, and the evidence itself."""

    name: str
    part: _Prepared
    columns: tuple[int, ...]
    time_s: np.ndarray
    nats: np.ndarray

    def caution_s(self, level: float) -> float | None:
        """When the evidence first passed ``level``."""
        over = np.flatnonzero(self.nats > level)
        return float(self.time_s[over[0]]) if len(over) else None


def find_onset(
    run: Run, rig: Rig | None = None, earlier: tuple[Run, ...] = (), mean_time_s: float = MEAN_TIME_S
) -> OnsetReport:
    """Onset, failure and resonances of ``run``, against its own beginning and ``earlier`` healthy runs of the set.

    ``mean_time_s``: mean judged time between false alarms that is accepted (10 h by default). A change of operating
    point is not compared across; what happens while the stand moves is not judged. Where nothing can be judged (no
    speed, no steady stretch of six seconds before the failure) the onset is None and ``refused`` says why; ``earlier``
    runs with other channels raise AnalysisError.
    """
    failure = find_failure(run)
    try:
        features = run_features(run, rig)
        others = [run_features(one, rig) for one in earlier]
    except AnalysisError as error:
        report = _nothing(failure, (str(error),), mean_time_s)
    else:
        report = judge_features(features, failure, others, mean_time_s)
    return _with_resonances(report, run)


def _with_resonances(report: OnsetReport, run: Run) -> OnsetReport:
    """``report`` with the resonances of ``run``; a rotor that has failed no longer shows the modes of the whole one."""
    until_s = report.failure.at_s if report.failure else np.inf
    try:
        found, refused = find_resonances(run, until_s=until_s), NONE_TOLD
    except AnalysisError as error:
        found, refused = (), str(error)
    return replace(report, resonances=found, resonances_refused="" if found else refused)


def judge_features(
    features: Features, failure: Failure | None, earlier: list[Features] | None = None, mean_time_s: float = MEAN_TIME_S
) -> OnsetReport:
    """Like ``find_onset`` for features and failure that are already at hand; ``earlier``: features of healthy runs."""
    parts = _prepare(features, earlier or [], failure.at_s if failure else np.inf)
    steady_s = max((len(part.judged_s) * features.step_s for part in parts), default=0.0)
    if steady_s < LEAST_BASELINE_S:
        complaint = f"only {steady_s:.1f} s of steady running before the end: a baseline needs {LEAST_BASELINE_S:g} s"
        return _nothing(failure, (complaint, *features.notes), mean_time_s, steady_s)
    watched = _watch(parts)
    level = alarm_level(mean_time_s, BLOCK * features.step_s, len(watched))
    onset, signals = _beginnings(watched, level)
    if onset is None and failure is not None and not failure.sure:
        failure = None  # an ordinary end of a run whose commands were not recorded
    evidence = Evidence(watched[0].time_s, np.column_stack([one.nats for one in watched]))
    names = tuple(one.name for one in watched)
    return OnsetReport(onset, failure, signals, features.notes, steady_s, mean_time_s, level, names, evidence)


def _prepare(features: Features, earlier: list[Features], end_s: float) -> tuple[_Prepared, ...]:
    """Vibration is judged at points held in speed; load and speed at what was commanded, whatever the speed does.

    Each load signal has a filter of its own: an earlier point tells thrust better than it tells current.
    """
    parts = []
    for kind in (VIBRATION, LOAD, SPEED):
        signals = tuple(one for one in features.signals if one.kind == kind)
        points = operating_points(features, by_speed=kind == VIBRATION)
        points = _until(points, features.time_s, end_s - 1.5 * features.step_s)
        if not signals or not (points.of_frame >= 0).any():
            continue
        sigma = scatter(features, points)
        expected = expectation(features, points, earlier) if earlier else None
        if kind == LOAD:
            expected = expected_load(features, points, sigma, expected)
        groups = [(one,) for one in signals] if kind == LOAD else [signals]
        parts += [_part(features, points, sigma, expected, group) for group in groups]
    return tuple(parts)


def _part(
    features: Features, points: Points, sigma: Scatter, expected: Expectation | None, signals: tuple[Signal, ...]
) -> _Prepared:
    """Signals that share one filter, and with it how well their levels are known beforehand."""
    used = [column for one in signals for column in one.columns]
    habits = HABITS[signals[0].kind]
    healthy = HealthyFilter(make_design(features, points, sigma, expected, habits, used))
    white = healthy.whiten(standardised(features, points, sigma, expected)[:, used])
    columns = tuple(tuple(used.index(column) for column in one.columns) for one in signals)
    judged_s = features.time_s[points.of_frame >= 0]
    return _Prepared(tuple(one.name for one in signals), columns, features.time_s, judged_s, healthy, white)


def _until(points: Points, time_s: np.ndarray, end_s: float) -> Points:
    """Points with the frames after ``end_s`` left out."""
    before = time_s <= end_s
    of_frame, visit = (np.where(before, number, -1) for number in (points.of_frame, points.visit))
    return Points(of_frame, visit, points.rpm, points.command, points.pitch_deg)


def _watch(parts: tuple[_Prepared, ...]) -> tuple[_Watch, ...]:
    watched = []
    for part in parts:
        evidence = sequential_evidence(part.healthy, part.white, part.time_s, part.columns)
        for number, (name, columns) in enumerate(zip(part.names, part.columns, strict=True)):
            watched.append(_Watch(name, part, columns, evidence.time_s, evidence.nats[:, number]))
    return tuple(watched)


def _beginnings(watched: tuple[_Watch, ...], level: float) -> tuple[Onset | None, tuple[SignalOnset, ...]]:
    """The onset by the signal that surely moved first, and the beginning of every signal that moved."""
    found = []
    for one in watched:
        caution_s = one.caution_s(level)
        if caution_s is not None:
            found.append((one, caution_s, _judged(_likelihood(one, level, caution_s))))
    if not found:
        return None, ()
    first_caution_s = min(caution_s for _, caution_s, _ in found)
    prompt = [one for one in found if one[1] <= first_caution_s + LONGEST_WAIT_S]
    first, caution_s, begun = min(prompt, key=lambda one: one[2].to_s)
    signals = tuple(
        SignalOnset(one.name, when.at_s, when.from_s, when.to_s, caution_s)
        for one, caution_s, when in sorted(found, key=lambda item: item[2].at_s)
    )
    kind = _kind(first, caution_s, begun)
    return Onset(begun.at_s, begun.from_s, begun.to_s, first.name, kind, first_caution_s), signals


def _kind(one: _Watch, caution_s: float, begun: Beginning) -> str:
    """Step or growth, from all data up to eight seconds past the caution: what came later tells them apart."""
    until_s = min(caution_s + LONGEST_WAIT_S, float(one.part.judged_s[-1]))
    white = one.part.white[:, list(one.columns)]
    likelihood = beginning_likelihood(one.part.healthy, white, one.part.time_s, begun.from_s, until_s)
    best = likelihood.nats.max(axis=0)
    return "step" if best[0] > best[1:].max() else "growth"


def _likelihood(one: _Watch, level: float, caution_s: float) -> Likelihood:
    """Likelihood of one signal's beginning, from data until the evidence is ample or eight seconds past its caution."""
    ample = np.flatnonzero((one.nats > level + ENOUGH_NATS) & (one.time_s >= caution_s))
    until_s = caution_s + LONGEST_WAIT_S
    if len(ample):
        until_s = min(until_s, float(one.time_s[ample[0]]))
    part = one.part
    until_s = min(until_s, float(part.judged_s[-1]))
    white, first_s = part.white[:, list(one.columns)], float(part.judged_s[0])
    likelihood = beginning_likelihood(part.healthy, white, part.time_s, max(first_s, until_s - SEARCHED_S), until_s)
    if until_s - SEARCHED_S > first_s and likelihood.reaches_back():
        likelihood = beginning_likelihood(part.healthy, white, part.time_s, first_s, until_s)
    return likelihood


def _judged(likelihood: Likelihood) -> Beginning:
    return beginning(likelihood, SHARPNESS, FRAME_BLUR_S)


def _nothing(
    failure: Failure | None, refused: tuple[str, ...], mean_time_s: float, judged_s: float = 0.0
) -> OnsetReport:
    none = Evidence(np.empty(0), np.empty((0, 0)))
    return OnsetReport(None, failure, (), refused, judged_s, mean_time_s, float("nan"), (), none)
