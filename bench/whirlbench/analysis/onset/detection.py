"""When a run began to leave its own healthy behaviour, which signal moved first, and how long before the failure."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from whirlbench.analysis.onset.dating import FirstBeginning, Part, SignalOnset, Watch, first_beginning
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

    @property
    def lead_s(self) -> float | None:
        """Seconds from onset to failure; None without both."""
        return self.failure.at_s - self.onset.at_s if self.onset and self.failure else None


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
    onset, signals = first_beginning(watched, level)
    if onset is None and failure is not None and not failure.sure:
        failure = None  # an ordinary end of a run whose commands were not recorded
    evidence = Evidence(watched[0].time_s, np.column_stack([one.nats for one in watched]))
    names = tuple(one.name for one in watched)
    return OnsetReport(onset, failure, signals, features.notes, steady_s, mean_time_s, level, names, evidence)


def _prepare(features: Features, earlier: list[Features], end_s: float) -> tuple[Part, ...]:
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
) -> Part:
    """Signals that share one filter, and with it how well their levels are known beforehand."""
    used = [column for one in signals for column in one.columns]
    habits = HABITS[signals[0].kind]
    healthy = HealthyFilter(make_design(features, points, sigma, expected, habits, used))
    white = healthy.whiten(standardised(features, points, sigma, expected)[:, used])
    columns = tuple(tuple(used.index(column) for column in one.columns) for one in signals)
    judged_s = features.time_s[points.of_frame >= 0]
    return Part(tuple(one.name for one in signals), columns, features.time_s, judged_s, healthy, white)


def _until(points: Points, time_s: np.ndarray, end_s: float) -> Points:
    """Points with the frames after ``end_s`` left out."""
    before = time_s <= end_s
    of_frame, visit = (np.where(before, number, -1) for number in (points.of_frame, points.visit))
    return Points(of_frame, visit, points.rpm, points.command, points.pitch_deg)


def _watch(parts: tuple[Part, ...]) -> tuple[Watch, ...]:
    watched = []
    for part in parts:
        evidence = sequential_evidence(part.healthy, part.white, part.time_s, part.columns)
        for number, (name, columns) in enumerate(zip(part.names, part.columns, strict=True)):
            watched.append(Watch(name, part, columns, evidence.time_s, evidence.nats[:, number]))
    return tuple(watched)


def _nothing(
    failure: Failure | None, refused: tuple[str, ...], mean_time_s: float, judged_s: float = 0.0
) -> OnsetReport:
    none = Evidence(np.empty(0), np.empty((0, 0)))
    return OnsetReport(None, failure, (), refused, judged_s, mean_time_s, float("nan"), (), none)
