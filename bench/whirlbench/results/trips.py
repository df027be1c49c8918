"""Trips in words: what a rig's limits would have done to recorded runs, and which of them a run could not show."""

from __future__ import annotations

import math
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np

from whirlbench.analysis.onset import find_failure
from whirlbench.errors import AnalysisError
from whirlbench.results.answer import (
    NONE,
    Answer,
    Column,
    Level,
    NotJudged,
    Remark,
    Table,
    figure,
    fixed,
    listed,
    plain,
)
from whirlbench.results.chart import Caption, Chart, Curve
from whirlbench.results.in_force import limits_in_force
from whirlbench.results.labels import label, spoken
from whirlbench.rig.description import Rig
from whirlbench.rig.limits import TRENDS, WITH_RULE
from whirlbench.safety.back_test import back_test, rules_for
from whirlbench.safety.back_test.sensor_shares import SensorShares
from whirlbench.safety.back_test.study import SWEPT, Case, Suggestion, Trade, Verdict, suggest, trade_off, verdict
from whirlbench.safety.host_rules import Trip, trend_rules
from whirlbench.safety.reading_errors import ReadAs, read_as, with_stderr
from whirlbench.safety.steady_frames import FRAME_S
from whirlbench.safety.trend_rules import Trend
from whirlbench.samples import SLOW_CHANNELS, Run

__all__ = ["Case", "back_tested", "case_of", "trips_answer", "trips_study"]

SUBJECT = "trips"
LEAST_HEARD = 0.05  # of a run; our choice: what a sensor did not say in a shorter part tells nothing of the run
LEAST_SHARE = 0.95  # of a run in which a sensor spoke; our choice: below, the limit's silence tells of a part only
NO_PROMISE = (
    "a limit that caught these runs is no promise for the next: the microcontroller's limits and the guard stay where "
    "they are"
)
EXTRAPOLATED = "extrapolated limits: the healthy hours given cannot show so rare a peak"
NEVER_STEADY = "no operating point was held long enough to learn it: 11 s without a move, then some more to judge"
NO_REST = "the pack was never seen at rest before it was driven"
NO_TEMPERATURE = "no temperature is streamed"
NO_WIND = "no wind is streamed: a gust or a change of wind looks like a change of load"
WIND_TOO = "a change of wind or air does this, too, and none was recorded: look at the flag, then at the propeller"
NO_LIMIT = NotJudged(SUBJECT, "the rig sets no limit that a recording can be held against")
# beside the slow channels' labels
_SENSORS = {"speed": "speed", "rpm": "channel of speed", "vibration": "vibration", "tach": "tach pulses"}
_WINDY = ("drift_thrust_pct", "drift_current_pct")
_LIMITS = {limit.key: limit for limit in (*WITH_RULE, *TRENDS)}


def needs(rule: str) -> tuple[str, ...]:
    """Sensors without which ``rule`` says nothing; KeyError for a rule that is not known.

    "speed" is tach pulses or the slow channel, "tach" pulses alone, "vibration" any axis; every other one is a slow
    channel.
    """
    watch = _LIMITS[rule].watch
    speed = {"overspeed": "speed", "lost tach": "speed", "own 1P band": "tach"}.get(watch.rule, "rpm")
    other_names = {"vibration_g_rms": "vibration", "rpm": speed}
    return tuple(other_names.get(name, name) for name in watch.channels)


def quantity_words(rule: str, value: float) -> str:
    """``value`` of the quantity that ``rule`` limits, with its unit."""
    return f"{figure(value, 4)} {_LIMITS[rule].unit}".strip()


@dataclass(frozen=True)
class TrendTest:
    """One trend on a run: the caution that it gives, or would have given; the seconds it judged; or why it judged none.

    ``trips``: the rig makes a trip of it.
    """

    rule: str
    trips: bool
    caution: Trip | None
    judged_s: float
    not_judged: str


@dataclass(frozen=True)
class BackTest:
    """One run on trial: what would have tripped, the rules that could be judged, and what could not, and why.

    A sensor that spoke during a part of the run only leaves the rest open.
    """

    verdict: Verdict
    judged: tuple[str, ...]
    not_judged: tuple[NotJudged, ...]
    trends: tuple[TrendTest, ...] = ()
    narrowed: str = ""  # which limits were the plan's, in words; empty: the rig's own
    read: tuple[ReadAs, ...] = ()  # how well each trip's value was known, in the order of ``trips``

    @property
    def cautions(self) -> tuple[Trip, ...]:
        """The first caution of every trend that is no trip, in order of time: what came before failure and trips."""
        ends_s = [self.verdict.failed_at_s, *(trip.at_s for trip in self.trips)]
        end_s = min((end_s for end_s in ends_s if end_s is not None), default=math.inf)
        found = (one.caution for one in self.trends if one.caution is not None and not one.trips)
        return tuple(sorted((one for one in found if one.at_s <= end_s), key=lambda one: one.at_s))

    @property
    def trips(self) -> tuple[Trip, ...]:
        """The first trip of every rule that would have fired, in order of time."""
        return self.verdict.trips


def case_of(run: Run, healthy: bool = False) -> Case:
    """``run`` as a case: failed where a sure failure is found in it, unless it is known to be ``healthy``."""
    failure = None if healthy else find_failure(run)
    return Case(run, failure.at_s if failure is not None and failure.sure else None)


def back_tested(case: Case, rig: Rig) -> BackTest:
    """The limits of ``rig`` on one run, by the rules that run live; one that fired counts as judged in any case.

    Where the plan of the run narrowed a limit, that is the one that counts.
    """
    in_force = limits_in_force(case.run, rig)
    rig, run, heard = in_force.rig, case.run, SensorShares(case.run, in_force.rig)
    rules = rules_for(run, rig)
    names = [rule.name for rule in rules]
    every = (*rules, *trend_rules(rig))  # one pass through the run serves them all
    found = {trip.rule: trip for trip in back_test(run, every)}
    told = verdict(case, tuple(trip for name, trip in found.items() if name in names))
    trends = _trend_tests([rule for rule in every if isinstance(rule, Trend)], found, heard, rig)
    if not names:
        return BackTest(told, (), (NO_LIMIT, *in_force.not_judged), trends)
    silent = {one.rule: one.not_judged for one in trends}
    lacks = {name: "" if name in found else silent.get(name) or _lack(heard, name) for name in names}
    judged = tuple(name for name in names if not lacks[name])
    unjudged = tuple(NotJudged(label(name), why) for name, why in lacks.items() if why)
    unjudged += (*_gaps(heard, judged), *in_force.not_judged)
    slow = {name: run.slow.channel(name) for name, _, _ in SLOW_CHANNELS if run.slow.has(name)}
    read = tuple(read_as(rig, trip, run.slow.time_s, slow) for trip in told.trips)
    return BackTest(told, judged, unjudged, trends, in_force.narrowed, read)


def _trend_tests(
    rules: Sequence[Trend], found: Mapping[str, Trip], heard: SensorShares, rig: Rig
) -> tuple[TrendTest, ...]:
    """Every trend on a run that its ``rules`` have been fed."""
    tests = []
    for rule in sorted(rules, key=lambda rule: list(_LIMITS).index(rule.name)):
        judged_s = rule.judged_frames * FRAME_S
        why = "" if judged_s else _lack(heard, rule.name) or (NO_REST if rule.name == "sag_pct" else NEVER_STEADY)
        tests.append(TrendTest(rule.name, rule.name in rig.limits.trend_trips, found.get(rule.name), judged_s, why))
    return tuple(tests)


def _lack(heard: SensorShares, rule: str) -> str:
    """Why ``rule`` cannot be judged on a run; empty where it can."""
    names = needs(rule)
    shares = {name: heard.share([name]) for name in names}
    missing = [_sensor(name) for name, share in shares.items() if share == 0.0 and not _single(heard.run, name)]
    if missing:
        return f"the recording has no {listed(missing)}"
    lone = [_sensor(name) for name, share in shares.items() if share == 0.0]
    if lone:
        return f"a single sample of {listed(lone)} tells nothing of a run"
    share = heard.share(names)
    if share < LEAST_HEARD:
        spoke, were = (
            listed([_sensor(name) for name in names]),
            "were recorded together" if names[1:] else "was recorded",
        )
        return f"{spoke} {were} in {100.0 * share:.1f} % of the run"
    return ""


def _single(run: Run, sensor: str) -> bool:
    """Whether ``sensor`` is a slow channel that holds some value at least."""
    return sensor not in ("vibration", "tach") and run.slow.has("rpm" if sensor == "speed" else sensor)


def _gaps(heard: SensorShares, judged: Sequence[str]) -> Iterator[NotJudged]:
    """Parts of the run that no sensor of a judged limit speaks for, each once; then sensors that spoke by turns."""
    shares = {name: heard.share([name]) for rule in judged for name in needs(rule)}
    for name, share in shares.items():
        if share < LEAST_SHARE:
            yield NotJudged(f"{_open(share)} of the run", f"{_sensor(name)} was not recorded there")
    for rule in judged:
        share, best = heard.share(needs(rule)), min(shares[name] for name in needs(rule))
        if share < LEAST_SHARE and share < best - (1.0 - LEAST_SHARE):
            spoke = listed([_sensor(name) for name in needs(rule)])
            yield NotJudged(f"{label(rule)} in {_open(share)} of the run", f"{spoke} were not recorded together there")


def _open(share: float) -> str:
    return f"{100.0 * (1.0 - share):.0f} %"


def _sensor(name: str) -> str:
    return _SENSORS.get(name) or label(name)


@dataclass(frozen=True)
class TripStudy:
    """Limits on trial: every run's back-test, and, where asked for, one limit moved and limits suggested."""

    tests: tuple[BackTest, ...]
    moved: str = ""
    trades: tuple[Trade, ...] = ()
    suggestions: tuple[Suggestion, ...] = ()
    not_judged: tuple[NotJudged, ...] = ()


def trips_study(
    cases: Sequence[Case],
    rig: Rig,
    move: tuple[str, Sequence[float]] | None = None,
    suggest_per_hour: float | None = None,
) -> TripStudy:
    """Back-tests of the limits of ``rig``, one limit moved through values, limits for a rate of false alarms.

    What a recording cannot answer stands in ``not_judged``; a limit that cannot be moved raises AnalysisError.
    """
    tests = tuple(back_tested(case, rig) for case in cases)
    rule, trades, unmoved = _moved(cases, rig, *move) if move else ("", (), ())
    suggestions, unsuggested = _suggested(cases, rig, suggest_per_hour) if suggest_per_hour else ((), ())
    return TripStudy(tests, rule, trades, suggestions, (*unmoved, *unsuggested))


def _moved(
    cases: Sequence[Case], rig: Rig, rule: str, values: Sequence[float]
) -> tuple[str, tuple[Trade, ...], tuple[NotJudged, ...]]:
    """The trade-off on the runs that show the quantity; a run that does not would count as one that was missed."""
    trade_off((), rig, rule, ())  # a rule that cannot be moved is told before any run is looked at
    lacks = [(case, _lack(SensorShares(case.run, rig), rule)) for case in cases]
    shown = [case for case, why in lacks if not why]
    what = f"moved limit of {label(rule)}"
    unjudged = [NotJudged(f"{what} on {case.run.source}", why) for case, why in lacks if why]
    if shown and not any(case.failed_at_s is not None for case in shown):
        unjudged.append(NotJudged(f"lead of the {what}", "no recording holds a sure failure"))
    if shown and all(case.failed_at_s is not None for case in shown):
        unjudged.append(NotJudged(f"false alarms of the {what}", "no healthy recording was given"))
    return rule, trade_off(shown, rig, rule, values) if shown else (), tuple(unjudged)


def _suggested(
    cases: Sequence[Case], rig: Rig, per_hour: float
) -> tuple[tuple[Suggestion, ...], tuple[NotJudged, ...]]:
    """Limits of the rig for ``per_hour`` false alarms, as far as the healthy runs show enough of their quantity."""
    healthy = [case.run for case in cases if case.failed_at_s is None]
    found, unjudged = [], []
    for rule in (name for name in SWEPT if getattr(rig.limits, name) is not None):
        try:
            found.append(suggest(healthy, rig, rule, per_hour))
        except AnalysisError as error:
            unjudged.append(NotJudged(f"suggested limit of {label(rule)}", spoken(str(error))))
    return tuple(found), tuple(unjudged)


def trips_answer(study: TripStudy) -> Answer:
    """``study`` in words; not judged where no limit could be held against any run."""
    several = len(study.tests) > 1
    unjudged = [
        NotJudged(f"{item.what} in {test.verdict.source}", item.why) if several else item
        for test in study.tests
        for item in test.not_judged
    ]
    return Answer(
        SUBJECT,
        _headline(study.tests),
        tables=tuple(_tables(study)),
        charts=(_trade_chart(study.moved, study.trades),) if study.trades else (),
        remarks=tuple(_remarks(study)),
        not_judged=(*unjudged, *study.not_judged),
        document=_document(study),
        judged=any(test.judged for test in study.tests),
    )


def _headline(tests: Sequence[BackTest]) -> str:
    if not any(test.judged for test in tests):
        return "no limit could be judged"
    if len(tests) == 1:
        failed_s, lead_s = tests[0].verdict.failed_at_s, tests[0].verdict.lead_s
        failure = [] if failed_s is None else [f"failed at {failed_s:.2f} s"]
        lead = [] if lead_s is None else [f"first trip {lead_s:.2f} s before the failure"]
        return "; ".join([outcome(tests[0]), *failure, *lead, *caution_outcome(tests[0])])
    tripped = sum(bool(test.trips) for test in tests)
    unjudged = sum(bool(test.not_judged) for test in tests)
    rest = f"; in {unjudged} not every limit could be judged" if unjudged else ""
    return f"{tripped} of {len(tests)} runs would have tripped{rest}"


def outcome(test: BackTest, naming: bool = True) -> str:
    """What the limits would have done to a run, and how many could not be judged, ``naming`` them or not."""
    if not test.judged:
        return "no limit could be judged"
    rest = f"; {len(test.not_judged)} not judged" if test.not_judged else ""
    if rest and naming:
        rest += f": {listed([item.what for item in test.not_judged])}"
    count = f"{len(test.judged)} judged limit{'s' * (len(test.judged) > 1)}"
    if not test.trips and len(test.judged) == 1:
        return f"the one judged limit would not have tripped{rest}"
    if not test.trips:
        return f"none of the {count} would have tripped{rest}"
    first = test.trips[0]
    return f"{len(test.trips)} of {count} would have tripped, first {label(first.rule)} at {first.at_s:.2f} s{rest}"


def caution_outcome(test: BackTest) -> Iterator[str]:
    """The first caution of a trend, where there is one."""
    if test.cautions:
        first = test.cautions[0]
        yield f"first caution {label(first.rule)} at {first.at_s:.2f} s"


RUN_COLUMNS = (
    Column("recording", figures=False),
    Column("failed at", "s"),
    Column("first trip before the failure", "s"),
    Column("what the limits would have done", figures=False),
)
TRIP_COLUMNS = (
    Column("recording", figures=False),
    Column("limit", figures=False),
    Column("at", "s"),
    Column("value"),
    Column("limit at"),
)
TRADE_COLUMNS = (
    Column("limit at"),
    Column("failures caught before", "%"),
    Column("median lead", "s"),
    Column("false alarms per hour"),
)
TREND_COLUMNS = (
    Column("recording", figures=False),
    Column("trend", figures=False),
    Column("caution at", "s"),
    Column("before the first trip", "s"),
    Column("before the failure", "s"),
    Column("judged", "s"),
    Column("not judged, because", figures=False),
)
SUGGESTION_COLUMNS = (
    Column("limit", figures=False),
    Column("suggested"),
    Column("extreme seen"),
    Column("healthy running", "h"),
    Column("false alarms per hour"),
    Column("remark", figures=False),
)


def _tables(study: TripStudy) -> Iterator[Table]:
    trips = tuple(
        _trip_row(test.verdict.source, trip, read)
        for test in study.tests
        for trip, read in zip(test.trips, test.read, strict=True)
    )
    yield Table("trips", "Trips that these limits would have made", TRIP_COLUMNS, trips)
    yield Table("runs", "Runs on trial", RUN_COLUMNS, tuple(map(_run_row, study.tests)))
    yield trend_table(study.tests)
    if study.trades:
        rows = tuple(_trade_row(study.moved, one) for one in study.trades)
        yield Table("moved", f"The limit of {label(study.moved)} moved, all others left out", TRADE_COLUMNS, rows)
    if study.suggestions:
        rows = tuple(map(_suggestion_row, study.suggestions))
        yield Table("suggestions", "Limits suggested from healthy running", SUGGESTION_COLUMNS, rows)


def trend_table(tests: Sequence[BackTest]) -> Table:
    """Trends of every run: when they caution, how early, how long they judged, and why not."""
    rows = [_trend_row(test, one) for test in tests for one in test.trends]
    for name, why in (("temperatures", NO_TEMPERATURE), ("wind", NO_WIND)):
        rows += [(test.verdict.source, name, *4 * (NONE,), why) for test in tests]
    return Table("trends", "Trends that caution while the propeller turns", TREND_COLUMNS, tuple(rows))


def _trend_row(test: BackTest, one: TrendTest) -> tuple[str, ...]:
    at_s = one.caution.at_s if one.caution else None
    first_trip_s = next((trip.at_s for trip in test.trips if trip.rule != one.rule), None)
    leads = (lead_words(_lead(at_s, end_s)) for end_s in (first_trip_s, test.verdict.failed_at_s))
    name = f"{label(one.rule)} (a trip)" if one.trips else label(one.rule)
    return test.verdict.source, name, fixed(at_s, 2), *leads, f"{one.judged_s:.0f}", one.not_judged or NONE


def lead_words(lead_s: float | None) -> str:
    """How long before something, in s; what came after it says so, for a minus is easily overlooked."""
    return fixed(lead_s, 2) if lead_s is None or not lead_s < 0.0 else f"{-lead_s:.2f} after it"


def _lead(at_s: float | None, end_s: float | None) -> float | None:
    return None if at_s is None or end_s is None else end_s - at_s


def _run_row(test: BackTest) -> tuple[str, ...]:
    verdict = test.verdict
    return verdict.source, fixed(verdict.failed_at_s, 2), lead_words(verdict.lead_s), outcome(test)


def _trip_row(source: str, trip: Trip, read: ReadAs) -> tuple[str, ...]:
    value = f"{with_stderr(figure(trip.value, 4), read.stderr)} {_LIMITS[trip.rule].unit} {read.mark}".strip()
    return source, label(trip.rule), f"{trip.at_s:.2f}", value, quantity_words(trip.rule, trip.limit)


def _trade_row(rule: str, one: Trade) -> tuple[str, ...]:
    alarms = figure(one.false_alarms_per_hour)
    return quantity_words(rule, one.limit), fixed(100.0 * one.caught_share, 0), fixed(one.median_lead_s, 2), alarms


def _suggestion_row(one: Suggestion) -> tuple[str, ...]:
    limit, seen = (quantity_words(one.rule, value) for value in (one.limit, one.largest_seen))
    remark = "extrapolated" if one.extrapolated else NONE
    return label(one.rule), limit, seen, figure(one.healthy_hours), figure(one.false_alarms_per_hour), remark


def back_test_remarks(test: BackTest) -> Iterator[Remark]:
    """That a failure came before every trip, what the trends cautioned of, and whose limits were in force."""
    failed_s = test.verdict.failed_at_s
    if test.judged and failed_s is not None and test.verdict.lead_s is None:
        text = f"the failure at {failed_s:.2f} s came before any trip of the limits that could be judged"
        yield Remark(Level.DANGER, text)
    for caution in test.cautions:
        wind = f"; {WIND_TOO}" if caution.rule in _WINDY else ""
        yield Remark(Level.CAUTION, f"at {caution.at_s:.2f} s: {caution.text()}{wind}")
    if test.narrowed:
        yield Remark(Level.NOTE, test.narrowed)


def _remarks(study: TripStudy) -> Iterator[Remark]:
    for test in study.tests:
        for remark in back_test_remarks(test):
            yield Remark(remark.level, f"{test.verdict.source}: {remark.text}" if len(study.tests) > 1 else remark.text)
    if any(one.extrapolated for one in study.suggestions):
        yield Remark(Level.CAUTION, EXTRAPOLATED)
    yield Remark(Level.CAUTION, NO_PROMISE)


def _trade_chart(rule: str, trades: Sequence[Trade]) -> Chart:
    """Median lead time against false alarms per hour, one point a limit value, each named."""
    alarms = np.array([one.false_alarms_per_hour for one in trades])
    lead_s = np.array([one.median_lead_s for one in trades])
    named = [one for one in trades if np.isfinite(one.false_alarms_per_hour) and np.isfinite(one.median_lead_s)]
    return Chart(
        f"Limit of {label(rule)}, and share of failures caught",
        "false alarms per hour of healthy running",
        "median lead before the failure (s)",
        curves=(Curve(alarms, lead_s, ink="measured"), Curve(alarms, lead_s, ink="measured", dots=True)),
        captions=tuple(
            Caption(
                one.false_alarms_per_hour,
                one.median_lead_s,
                f"{quantity_words(rule, one.limit)} ({100.0 * one.caught_share:.0f} %)",
            )
            for one in named
        ),
        key="moved",
        caption="Up is earlier, left is fewer false alarms; each point is one value of the limit.",
    )


def _document(study: TripStudy) -> Mapping[str, Any]:
    verdicts = [test.verdict for test in study.tests]
    runs = [
        {
            "recording": one.source,
            "trips": one.trips,
            "failure": None if one.failed_at_s is None else {"at_s": one.failed_at_s},
            "lead_s": one.lead_s,
            "narrowed": test.narrowed or None,
        }
        for test, one in zip(study.tests, verdicts, strict=True)
    ]
    trips = [
        {
            "rule": trip.rule,
            "at_s": trip.at_s,
            "value": trip.value,
            "stderr": read.stderr,
            "prolonged": bool(read.mark),
            "limit": trip.limit,
            "recording": test.verdict.source,
        }
        for test in study.tests
        for trip, read in zip(test.trips, test.read, strict=True)
    ]
    moved = {"limit": study.moved, "values": study.trades} if study.trades else None
    return {
        "trips": trips,
        "runs": runs,
        "moved": moved,
        "suggestions": study.suggestions,
        "trends": [found for test in study.tests for found in trend_documents(test)],
    }


def trend_documents(test: BackTest) -> list[dict[str, Any]]:
    """Every trend of a run by name: when it cautions and how long it judged; null and 0 s say nothing good."""
    return [{**plain(one), "recording": test.verdict.source} for one in test.trends]
