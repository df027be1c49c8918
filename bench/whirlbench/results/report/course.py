"""What a run was for and what happened: question, plan, check-list, inspections, and every event in its order."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from typing import Any

from whirlbench.errors import PlanError
from whirlbench.log import EntryKind
from whirlbench.results.answer import NONE, Answer, Column, Level, NotJudged, Remark, Table, fixed
from whirlbench.results.labels import label, spoken
from whirlbench.results.report.chapter import RecordedRun
from whirlbench.results.run_grounds import run_remarks
from whirlbench.rig.toml_text import parse_table
from whirlbench.samples import Event

PLAN, CHECKS = "plan and what happened", "check-list and inspections"
STEP_COLUMNS = (Column("step"), Column("name", figures=False), Column("what it asks", figures=False))
EVENT_COLUMNS = (
    Column("at", "s"),
    Column("what", figures=False),
    Column("which", figures=False),
    Column("more", figures=False),
)
ENTRY_COLUMNS = tuple(Column(heading, figures=False) for heading in ("when, UTC", "kind", "by", "what"))
NO_LOG = "no log was asked: give it with --log"
UNNAMED = "it has no name"
MOST_EVENTS = 400  # rows; a run with more has a chattering sensor, and the recording holds them all


def plan_answer(recorded: RecordedRun, question: str) -> Answer:
    """The question, the plan's steps, and the events of the run."""
    plan, fault = _plan(recorded)
    events = recorded.run.events
    name = str(plan.get("name", "")) or fault or (UNNAMED if plan else "no plan stands in the recording")
    return Answer(
        PLAN,
        question or f"No question was put; the plan: {name}",
        tables=(
            Table("steps", f"Plan: {name}", STEP_COLUMNS, tuple(_steps(plan))),
            Table(
                "events", "What happened", EVENT_COLUMNS, tuple(map(_event_row, events[:MOST_EVENTS])), _grave(events)
            ),
        ),
        remarks=tuple(_remarks(recorded, len(events))),
        not_judged=(NotJudged("plan", fault),) if fault else (),
        document={"question": question, "plan": plan, "ending": recorded.ending, "events": events},
    )


def _plan(recorded: RecordedRun) -> tuple[Mapping[str, Any], str]:
    text = recorded.run.plan_text
    if not text.strip():
        return {}, ""
    try:
        return parse_table(text, "plan", PlanError), ""
    except PlanError as error:
        return {}, str(error)


def _steps(plan: Mapping[str, Any]) -> Iterator[tuple[str, ...]]:
    steps = plan.get("step", ())
    for number, step in enumerate(steps if isinstance(steps, list) else (), start=1):
        asked = [
            _plain(value) if key == "note" else f"{key} {_plain(value)}"
            for key, value in step.items()
            if key not in ("name", "kind")
        ]
        yield str(number), str(step.get("name", NONE)), spoken(f"{step.get('kind', NONE)}: {', '.join(asked)}")


def _plain(value: Any) -> str:
    return (
        " to ".join(map(_plain, value))
        if isinstance(value, list)
        else f"{value:g}"
        if isinstance(value, float)
        else str(value)
    )


def _event_row(event: Event) -> tuple[str, ...]:
    name = label(event.name) if event.kind in ("trip", "caution", "limit") else spoken(event.name)
    return fixed(event.time_s, 2), event.kind, name, spoken(event.detail)


def _grave(events: tuple[Event, ...]) -> frozenset[int]:
    return frozenset(place for place, event in enumerate(events[:MOST_EVENTS]) if event.kind in ("trip", "abort"))


def _remarks(recorded: RecordedRun, events: int) -> Iterator[Remark]:
    ending = recorded.ending
    if ending.complete:
        reason = f", {spoken(ending.reason)}" if ending.reason else ""
        yield Remark(Level.NOTE, f"the run ended: {ending.exit_status}{reason}")
    yield from run_remarks(recorded.run)
    if recorded.attributes.origin.startswith("simulated") or recorded.attributes.random_seed is not None:
        yield Remark(Level.CAUTION, "a simulated stand: nothing here says anything of real blades")
    if events > MOST_EVENTS:
        yield Remark(Level.CAUTION, f"only the first {MOST_EVENTS} of {events} events are shown")


def checks_answer(recorded: RecordedRun) -> Answer:
    """What was confirmed before arming, and the inspections in the set's log."""
    if recorded.entries is None:
        return Answer(
            CHECKS, "Check-list and inspections are not known", not_judged=(NotJudged(CHECKS, NO_LOG),), judged=False
        )
    begun = [
        one for one in recorded.entries if one.kind is EntryKind.BEGUN and recorded.name in one.text.split("\n", 1)[0]
    ]
    looked = [one for one in recorded.entries if one.kind is EntryKind.INSPECTION]
    stops = [event for event in recorded.run.events if (event.kind, event.name) == ("plan", "inspected")]
    missing = [] if begun else [NotJudged("check-list", f"the log has no answers to it for {recorded.name}")]
    missing += [] if looked or stops else [NotJudged("inspections", "neither the run nor the log has one of this set")]
    rows = [
        (one.at[:16], one.kind.value, one.operator or NONE, line)
        for one in (*begun, *looked)
        for line in one.text.splitlines()
    ]
    rows += [(NONE, "stop of the run", NONE, f"at {event.time_s:.1f} s: {event.detail}") for event in stops]
    return Answer(
        CHECKS,
        f"Check-list answered: {'yes' if begun else 'not known'}; inspections at stops of the run: {len(stops)}, "
        f"in the log: {len(looked)}",
        tables=(Table("checks", "Check-list and inspections", ENTRY_COLUMNS, tuple(rows)),),
        not_judged=tuple(missing),
        judged=bool(begun or looked or stops),
        document={"begun": begun, "inspections": looked, "stops": stops},
    )
