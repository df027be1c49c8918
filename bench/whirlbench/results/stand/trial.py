"""A trial of the trips in words: which came, which did not, what was not tried."""

from __future__ import annotations

from collections.abc import Iterator

from whirlbench.log import Proof, TripTrial
from whirlbench.results.answer import NONE, Answer, Column, Level, NotJudged, Remark, Table, fixed

SUBJECT = "trial of the trips"
TRIP_COLUMNS = (
    Column("trip", figures=False),
    Column("provoked how", figures=False),
    Column("came", figures=False),
    Column("after", "ms"),
    Column("remark", figures=False),
)
CAME = {True: "yes", False: "NO", None: "not tried"}
WORDS = "propeller off"
READY = f"type `{WORDS}` when it is"
ABOUT = (
    "The trips are provoked one by one. The motor stays still: the device itself refuses every throttle pulse but the\n"
    "safe one. Take the PROPELLER OFF all the same, stay clear of the shaft, keep the isolating switch in reach, and\n"
    "open it where nothing has to be seen of pack or contactor."
)
PUT_BACK = "Put everything back as it was"
SEEN_CUT = "Did the contactor of the second cut open with every trip (a click, a lamp)?"
STILL = "the motor stood still: a trial shows that sensor, rule and cut work together, not how long a rotor runs on"


def not_typed(typed: str) -> str:
    """Why nothing is armed: the word was another one."""
    return f"{typed.strip()!r} was typed, not `{WORDS}`: nothing was armed"


def once_armed(deed: str) -> str:
    """What the operator will have to do, told while the stand is locked."""
    return f"Once armed you will be told to: {deed}."


def armed_now(deed: str) -> str:
    """What the operator has to do now."""
    return f"ARMED, now: {deed}"


def came_words(trial: TripTrial) -> str:
    """Whether a trip came, and after what time."""
    after = "" if trial.latency_ms is None else f" after {trial.latency_ms:.1f} ms"
    return f"came{after}" if trial.tripped else f"DID NOT COME: {trial.remark}"


def trial_answer(proof: Proof) -> Answer:
    """What a trial proved, and what it did not."""
    tried = [trial for trial in proof.trials if trial.tripped is not None]
    headline = f"{proof.came} of {len(tried)} trips came"
    if proof.failed:
        headline += f"; DID NOT COME: {', '.join(proof.failed)}"
    if not proof.complete:
        headline += "; the trial was not finished"
    return Answer(
        SUBJECT,
        headline,
        tables=(Table("trips", "Each trip", TRIP_COLUMNS, tuple(map(_row, proof.trials)), danger=_danger(proof)),),
        remarks=tuple(_remarks(proof)),
        not_judged=tuple(_not_judged(proof)),
        document={
            "device": proof.device,
            "trials": proof.trials,
            "complete": proof.complete,
            "recording": proof.recording,
            "operator": proof.operator,
        },
        judged=proof.came > 0 or bool(proof.failed),
    )


def proved(proof: Proof) -> bool:
    """Whether every trip that was tried came, and the trial was finished; with none tried, nothing is proved."""
    return proof.complete and proof.came > 0 and not proof.failed


def _row(trial: TripTrial) -> tuple[str, ...]:
    after = NONE if trial.latency_ms is None else fixed(trial.latency_ms, 1)
    return trial.trip, trial.provoked or NONE, CAME[trial.tripped], after, trial.remark


def _danger(proof: Proof) -> frozenset[int]:
    return frozenset(number for number, trial in enumerate(proof.trials) if trial.tripped is False)


def _remarks(proof: Proof) -> Iterator[Remark]:
    for trial in proof.trials:
        if trial.tripped is False:
            yield Remark(
                Level.DANGER, f"the trip {trial.trip} did not come ({trial.remark}): nothing is to turn before it does"
            )
    yield Remark(Level.NOTE, STILL)


def _not_judged(proof: Proof) -> Iterator[NotJudged]:
    if not proof.came and not proof.failed:
        yield NotJudged("the trips", "none was tried")
    for trial in proof.trials:
        if trial.tripped is None:
            yield NotJudged(trial.trip, trial.remark)
