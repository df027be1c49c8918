"""Onset in words: when a run left its healthy behaviour, when it failed, which trips fired or would have."""

from __future__ import annotations

import re
from collections.abc import Iterator, Mapping
from dataclasses import dataclass, replace
from typing import Any

import numpy as np

from whirlbench.analysis.onset import (
    MEAN_TIME_S,
    Cause,
    Failure,
    FirstBeginning,
    OnsetReport,
    SmallestChange,
    find_onset,
)
from whirlbench.analysis.orders import Resonance
from whirlbench.results.answer import (
    NONE,
    Answer,
    Column,
    Level,
    NotJudged,
    Remark,
    Table,
    plain,
    significant,
    with_error,
)
from whirlbench.results.chart import Chart, Curve, MarkLine, Span, Stretch
from whirlbench.results.labels import label, spoken
from whirlbench.results.run_grounds import run_remarks
from whirlbench.results.trips import (
    BackTest,
    Case,
    back_test_remarks,
    back_tested,
    caution_outcome,
    lead_words,
    outcome,
    quantity_words,
    trend_documents,
    trend_table,
)
from whirlbench.rig.description import Rig
from whirlbench.samples import Event, Run

__all__ = ["MEAN_TIME_S", "OnsetStudy", "moments", "onset_answer", "onset_study"]

SUBJECT = "onset"
NO_RIG = NotJudged("trips by the limits", "no rig was given, and the recording holds none")
MOMENT_INKS = {"onset": "cursor", "caution": "close", "trip": "over", "abort": "over", "failure": "ink"}
EVIDENCE_INKS = ("measured", "model", "second", "faint")  # as many of the strongest signals are drawn
SHOWN_LEVELS = 3.0  # of the alarm level; what lies far beyond has long been past doubt
NOT_RECORDED = " was recorded"
_UNJUDGED_SIGNALS = re.compile(r"(?P<why>.+): (?P<what>.+?) (?:is|are) not judged")


@dataclass(frozen=True)
class OnsetStudy:
    """A run with its onset report and the back-test of the rig's limits; None where there is no rig."""

    run: Run
    report: OnsetReport
    test: BackTest | None

    @property
    def judged(self) -> bool:
        """Whether there was enough steady running to look for an onset at all."""
        return len(self.report.evidence.time_s) > 0

    @property
    def fired(self) -> tuple[Event, ...]:
        """The trips that were recorded."""
        return tuple(event for event in self.run.events if event.kind == "trip")

    @property
    def failed_s(self) -> float | None:
        """When the run failed, in seconds; None where it did not."""
        return self.report.failure.at_s if self.report.failure and self.report.failure.sure else None

    @property
    def ended_by(self) -> Event | None:
        """The recorded trip that ended the run; None where there was none, or where a failure came first."""
        trip = next(iter(self.fired), None)
        return None if trip is None or (self.failed_s is not None and self.failed_s <= trip.time_s) else trip


def onset_study(
    run: Run,
    rig: Rig | None,
    earlier: tuple[Run, ...] = (),
    mean_time_s: float = MEAN_TIME_S,
    baseline_s: tuple[float, float] | None = None,
) -> OnsetStudy:
    """Onset of ``run`` as ``find_onset`` finds it, and what the limits of ``rig`` would have done to it.

    AnalysisError where ``earlier`` runs or the baseline do not serve; RigError where a limit lacks a key it needs.
    """
    report = find_onset(run, rig, earlier, mean_time_s, baseline_s)
    untested = OnsetStudy(run, report, None)
    return untested if rig is None else replace(untested, test=back_tested(Case(run, untested.failed_s), rig))


def onset_answer(study: OnsetStudy) -> Answer:
    """``study`` in words; not judged where there was too little steady running to look for an onset."""
    return Answer(
        SUBJECT,
        _headline(study),
        tables=tuple(_tables(study)),
        charts=(_speed_chart(study), *_evidence_chart(study)),
        remarks=tuple(_remarks(study)),
        not_judged=tuple(_not_judged(study)),
        document=_document(study),
        judged=study.judged,
    )


def _headline(study: OnsetStudy) -> str:
    report = study.report
    parts = [_onset_words(report.onset) if report.onset else _silence(study)]
    if report.cause is not None:
        parts.append(CAUSES[report.cause.kind])
    if report.failure is not None:
        parts.append(f"{_failure_words(report.failure)} at {report.failure.at_s:.2f} s")
    if report.lead_s is not None and study.failed_s is not None:
        parts.append(f"{report.lead_s:.1f} s of warning")
    if study.fired:
        parts.append(f"tripped at {study.fired[0].time_s:.2f} s: {label(study.fired[0].name)}")
    if study.test is not None:
        parts += [outcome(study.test, naming=False), *caution_outcome(study.test)]
    return "; ".join(parts)


def _failure_words(failure: Failure) -> str:
    return failure.kind if failure.sure else f"perhaps {failure.kind}"


def _onset_words(onset: FirstBeginning) -> str:
    span = f"{onset.from_s:.1f} to {onset.to_s:.1f} s, 95 %"
    return f"{onset.kind} from {onset.at_s:.1f} s ({span}): {onset.signal} moved first"


def _silence(study: OnsetStudy) -> str:
    return f"no onset in {study.report.judged_s:.0f} s of steady running" if study.judged else "onset not judged"


CAUSES = {
    "rotor": "the rotor changed",
    "load": "the load changed (wind, air or pitch)",
    "drive": "the drive changed",
    "sensor": "a sensor changed",
}
TRIP_COLUMNS = (
    Column("trip", figures=False),
    Column("fired", figures=False),
    Column("at", "s"),
    Column("value"),
    Column("limit at"),
    Column("before the failure", "s"),
)
SIGNAL_COLUMNS = (
    Column("signal", figures=False),
    Column("left its healthy behaviour at", "s"),
    Column("95 % interval", "s"),
    Column("past doubt at", "s"),
)
ORDERS = "1P is once a turn of the shaft, 2P twice; crest factor is peak over rms"
SMALLEST_COLUMNS = (Column("signal", figures=False), Column("smallest step seen"), Column("lasting", "s"))
RESONANCE_COLUMNS = (
    Column("axis", figures=False),
    Column("order", figures=False),
    Column("met at", "rpm"),
    Column("natural frequency", "Hz"),
    Column("damping", "%"),
    Column("how sure", figures=False),
)


def _tables(study: OnsetStudy) -> Iterator[Table]:
    title = "Trips: those that fired, and those that these limits would have made"
    yield Table("trips", title, TRIP_COLUMNS, tuple(row for _, row in sorted(_trip_rows(study))))
    if study.test is not None and any(one.judged_s for one in study.test.trends):
        yield trend_table([study.test])
    rows = tuple(
        (one.signal, f"{one.at_s:.2f}", f"{one.from_s:.2f} – {one.to_s:.2f}", f"{one.caution_s:.2f}")
        for one in study.report.signals
    )
    yield Table("signals", f"Signals that left their healthy behaviour ({ORDERS})", SIGNAL_COLUMNS, rows)
    title = f"Smallest change that would have been seen, nine of ten cases, three of four places ({ORDERS})"
    sizes = tuple((one.signal, _size(one), f"{one.lasting_s:g}") for one in study.report.smallest_seen)
    yield Table("smallest_seen", title, SMALLEST_COLUMNS, sizes)
    title = "Resonances that orders passed through in run-ups and coast-downs"
    yield Table("resonances", title, RESONANCE_COLUMNS, tuple(map(_resonance_row, study.report.resonances)))


def _size(change: SmallestChange) -> str:
    """Size with unit; none where no step of that length would have been seen."""
    return f"{significant(change.size, 2)} {change.unit}" if np.isfinite(change.size) else NONE


def _resonance_row(found: Resonance) -> tuple[str, ...]:
    return (
        found.axis.removesuffix("_g"), f"{found.order}P", f"{found.rpm:.0f}",
        with_error(found.natural_hz, found.stderr_hz),
        with_error(100.0 * found.damping_ratio, 100.0 * found.stderr_damping), found.certainty,
    )  # fmt: skip


def _trip_rows(study: OnsetStudy) -> Iterator[tuple[float, tuple[str, ...]]]:
    """(time, row) of every trip."""

    def row(name: str, fired: str, at_s: float, value: str, limit: str) -> tuple[float, tuple[str, ...]]:
        lead_s = None if study.failed_s is None else study.failed_s - at_s
        return at_s, (label(name), fired, f"{at_s:.2f}", value, limit, lead_words(lead_s))

    for event in study.fired:
        yield row(event.name, "yes", event.time_s, spoken(event.detail) or NONE, NONE)
    for trip in study.test.trips if study.test else ():
        value, limit = (quantity_words(trip.rule, one) for one in (trip.value, trip.limit))
        yield row(trip.rule, "would have", trip.at_s, value, limit)


def _remarks(study: OnsetStudy) -> Iterator[Remark]:
    report = study.report
    if report.onset is not None:
        yield Remark(Level.NOTE, f"past doubt from {report.onset.caution_s:.2f} s on")
        yield from _cause_remarks(report.onset, report.cause)
    elif study.judged:
        text = f"nothing moved beyond scatter in {report.judged_s:.0f} s of steady running: that is no proof of health"
        yield Remark(Level.CAUTION, text)
        sizes = ", ".join(f"{one.signal} {_size(one)}" for one in report.smallest_seen if np.isfinite(one.size))
        if sizes:
            yield Remark(Level.NOTE, f"a step lasting 10 s would have been seen from these sizes on: {sizes}")
    if report.onset is None and study.ended_by is not None:
        text = f"the run was ended by a trip at {study.ended_by.time_s:.2f} s ({label(study.ended_by.name)})"
        yield Remark(Level.CAUTION, f"{text}: what grew within its last second cannot be told from scatter")
    if study.test is not None:
        yield from back_test_remarks(study.test)
    if not report.resonances:
        yield Remark(Level.NOTE, f"resonances: {report.resonances_refused}")
    for line in _refused(study)[1]:
        yield Remark(Level.CAUTION, spoken(line))
    yield from run_remarks(study.run)


def _cause_remarks(onset: FirstBeginning, cause: Cause | None) -> Iterator[Remark]:
    """What the onset points to, and which signals began as one."""
    if cause is not None:
        yield Remark(Level.NOTE, f"{CAUSES[cause.kind]}: {cause.why}; look for yourself before turning it again")
    if len(onset.moved) > 1:
        apart = [name for name in onset.moved if name not in onset.together]
        text = f"one common beginning: {', '.join(onset.together)}" if onset.together else "no common beginning"
        yield Remark(Level.NOTE, f"{text}; later by itself: {', '.join(apart)}" if apart else text)


def _not_judged(study: OnsetStudy) -> Iterator[NotJudged]:
    limits = (NO_RIG,) if study.test is None else study.test.not_judged
    told = {item.what for item in limits}  # a quantity that is not there is said once, be it a signal and a limit
    yield from (item for item in _refused(study)[0] if item.what not in told or not item.why.endswith(NOT_RECORDED))
    yield from limits


def _refused(study: OnsetStudy) -> tuple[list[NotJudged], list[str]]:
    """What the report could not judge, and what else it says of its grounds.

    Where nothing was judged, the report's first line says why.
    """
    lines = study.report.refused
    found = [] if study.judged else [NotJudged(SUBJECT, spoken(lines[0]) if lines else "no steady running")]
    others = []
    for line in lines if study.judged else lines[1:]:
        match = _UNJUDGED_SIGNALS.fullmatch(line)
        if match is None:
            others.append(line)
        else:
            found.append(NotJudged(spoken(match["what"]), spoken(match["why"])))
    return found, others


def _document(study: OnsetStudy) -> Mapping[str, Any]:
    report = study.report
    trips = _trip_documents(study)
    onset, failure, ended_by = report.onset, report.failure, study.ended_by
    first_trip_s = trips[0]["at_s"] if trips else None
    began_s, caution_s = (onset.at_s, onset.caution_s) if onset else (None, None)
    interval = ("at_s", "from_s", "to_s", "signal", "kind")
    return {
        "onset": None
        if onset is None
        else {key: getattr(onset, key) for key in interval} | _cause_document(report.cause),
        "smallest_seen": {one.signal: _smallest_document(one) for one in report.smallest_seen},
        "failure": None if failure is None else {"at_s": failure.at_s, "kind": failure.kind, "sure": failure.sure},
        "trips": trips,
        "ended_by_trip": None if ended_by is None else {"rule": ended_by.name, "at_s": ended_by.time_s},
        "lead_s": report.lead_s if study.failed_s is not None else None,
        "resonances": report.resonances,
        "caution": None if caution_s is None else {"at_s": caution_s},
        "leads": {
            "onset_to_caution_s": _gap(began_s, caution_s),
            "onset_to_first_trip_s": _gap(began_s, first_trip_s),
            "caution_to_failure_s": _gap(caution_s, study.failed_s),
            "first_trip_to_failure_s": _gap(first_trip_s, study.failed_s),
        },
        "trends": trend_documents(study.test) if study.test else (),
        "signals": report.signals,
        "judged_s": report.judged_s,
        "mean_time_between_false_alarms_s": report.mean_time_between_false_alarms_s,
        "problems": study.run.problems,
    }


def _cause_document(cause: Cause | None) -> dict[str, Any]:
    return {"cause": cause.kind, "cause_why": cause.why} if cause else {"cause": None, "cause_why": None}


def _smallest_document(change: SmallestChange) -> dict[str, Any]:
    """The smallest step that would have been seen; no number where none would."""
    size = change.size if np.isfinite(change.size) else None
    return {"size": size, "unit": change.unit, "lasting_s": change.lasting_s}


def _trip_documents(study: OnsetStudy) -> list[dict[str, Any]]:
    """Trips that were recorded, and those the limits would have made, in order of time."""
    fired = [{"rule": event.name, "at_s": event.time_s, "recorded": True} for event in study.fired]
    would = [{**plain(trip), "recorded": False} for trip in (study.test.trips if study.test else ())]
    return sorted([*fired, *would], key=lambda trip: float(trip["at_s"]))


def _gap(from_s: float | None, to_s: float | None) -> float | None:
    return None if from_s is None or to_s is None else to_s - from_s


@dataclass(frozen=True)
class Moment:
    """A moment worth jumping to: ``kind`` is "onset", "caution", "trip", "failure" or the kind of a recorded event."""

    at_s: float
    kind: str
    text: str


def moments(study: OnsetStudy) -> tuple[Moment, ...]:
    """Everything to jump to, in order of time: recorded events, onset, caution, failure and back-tested trips."""
    onset, failure = study.report.onset, study.report.failure
    found = [Moment(event.time_s, event.kind, _event_words(event)) for event in study.run.events]
    found += [
        Moment(trip.at_s, "trip", f"{label(trip.rule)} would have tripped")
        for trip in (study.test.trips if study.test else ())
    ]
    recorded = {event.name for event in study.run.events if event.kind == "caution"}
    found += [
        Moment(one.at_s, "caution", one.text())
        for one in (study.test.cautions if study.test else ())
        if one.rule not in recorded
    ]
    if onset is not None:
        found.append(Moment(onset.at_s, "onset", f"{onset.kind}: {onset.signal} moved first"))
        found.append(Moment(onset.caution_s, "caution", "the change is past doubt"))
    if failure is not None:
        found.append(Moment(failure.at_s, "failure", _failure_words(failure)))
    return tuple(sorted(found, key=lambda moment: moment.at_s))


def _event_words(event: Event) -> str:
    """A caution says in its detail what it found."""
    said = event.detail if event.kind == "caution" else f"{event.name} {event.detail}"
    return spoken(said).strip()


def run_span(run: Run) -> Span:
    """Common time axis of all charts of a run."""
    streams = [stream.time_s for stream in (run.slow, run.tach, run.vibration) if len(stream.time_s)]
    ends = [float(time_s[end]) for time_s in streams for end in (0, -1)]
    return (min(ends), max(ends)) if ends and max(ends) > min(ends) else (0.0, 1.0)


def _speed_chart(study: OnsetStudy) -> Chart:
    """Speed against time with onset, caution, trips and failure."""
    shown: dict[str, MarkLine] = {}
    for moment in moments(study):
        if moment.kind in MOMENT_INKS:
            first = moment.text.split(":")[0]  # the rest is read in the list of moments
            text = f"onset of {first}" if moment.kind == "onset" else first
            key = f"{moment.kind} {moment.at_s:.1f}"  # a trip that fired and the same one back-tested: one line
            shown.setdefault(key, MarkLine(moment.at_s, text, MOMENT_INKS[moment.kind]))
    speed = Curve(study.run.slow.time_s, study.run.slow.channel("rpm"), "", "measured")
    return Chart(
        "Speed through the run", "time in the run (s)", "rpm", (speed,),
        lines=tuple(shown.values()), stretches=_interval(study, "onset, 95 %"), x_span=run_span(study.run), key="speed",
        caption="What happened and what was found, where it lies in the run.",
    )  # fmt: skip


def _interval(study: OnsetStudy, text: str = "") -> tuple[Stretch, ...]:
    onset = study.report.onset
    return () if onset is None else (Stretch(onset.from_s, onset.to_s, "cursor", text),)


def _evidence_chart(study: OnsetStudy) -> Iterator[Chart]:
    """Evidence of the strongest signals in multiples of the alarm level; none when nothing was judged."""
    report = study.report
    if not study.judged:
        return
    share = np.minimum(report.evidence.nats / report.level_nats, SHOWN_LEVELS)
    strongest = report.evidence.nats.max(axis=0).argsort()[::-1]
    curves = tuple(
        Curve(report.evidence.time_s, share[:, column], report.signal_names[column], ink)
        for column, ink in zip(strongest, EVIDENCE_INKS, strict=False)
    )
    yield Chart(
        "Evidence that the run left its healthy behaviour", "time in the run (s)", "alarm levels", curves,
        lines=(MarkLine(1.0, "alarm level", "over", upright=False),), stretches=_interval(study),
        x_span=run_span(study.run), y_span=(0.0, SHOWN_LEVELS), key="evidence",
        caption="A signal that passes the alarm level has left its healthy behaviour past doubt.",
    )  # fmt: skip
