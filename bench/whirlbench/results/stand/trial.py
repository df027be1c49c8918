"""A trial of the trips in words: which came, which did not, what was not tried."""

from __future__ import annotations

from collections.abc import Iterator

from whirlbench.log import Proof, TripTrial
from whirlbench.results.answer import NONE, Answer, Column, Level, NotJudged, Remark, Table, fixed

SUBJECT = "trial of the trips"
COLUMNS = (
    Column("trip", figures=False),
    Column("provoked how", figures=False),
    Column("came", figures=False),
    Column("after", "ms"),
    Column("remark", figures=False),
)
CAME = {True: "yes", False: "NO", None: "not tried"}
STILL = "the motor stood still: a trial shows that sensor, rule and cut work together, not how long a rotor runs on"


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
        tables=(Table("trips", "Each trip", COLUMNS, tuple(map(_row, proof.trials)), danger=_danger(proof)),),
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
