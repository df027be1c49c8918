"""What the verbs would answer to the runs of a rehearsal: the same studies, put into words by the same results."""

from __future__ import annotations

from collections.abc import Callable
from importlib import import_module
from pathlib import Path
from typing import TYPE_CHECKING

from whirlbench.errors import AnalysisError

if TYPE_CHECKING:
    from whirlbench.results.answer import Answer
    from whirlbench.rig.description import Rig
    from whirlbench.samples import Run


def ask(verb: str, rig: Rig, *runs: Run | Path) -> Answer:
    """The answer of ``verb`` ("check", "tune", "proof", "limits", "card", "onset") for ``rig`` and ``runs``, else KeyError.

    "proof" is `tune --predicted`: it takes the run of the re-test and the file with the earlier answer.

    Runs that cannot answer give an answer that is not judged and says why.
    """
    from whirlbench.results.answer import not_judged

    try:
        return ANSWERS[verb](rig, *runs)
    except AnalysisError as error:
        room = {"proof": "tune", "card": "limits"}.get(verb, verb)
        subject = import_module(f"whirlbench.results.{room}").SUBJECT
        return not_judged(subject, str(error))


def _check(rig: Rig) -> Answer:
    from whirlbench.results.check import check_answer, check_strength

    return check_answer(check_strength(rig), rig)


def _limits(rig: Rig, *runs: Run) -> Answer:
    from whirlbench.results.limits import limits_answer, limits_study, propose
    from whirlbench.results.run_grounds import with_grounds

    study = limits_study(runs, rig)
    return with_grounds(limits_answer(study, propose(study)), runs)


def _tune(rig: Rig, run: Run) -> Answer:
    from whirlbench.results.tune import study, tune_answer

    return tune_answer(study(run, rig))


def _proof(rig: Rig, run: Run, earlier: Path) -> Answer:
    from whirlbench.results.tune import proof, read_advice, study, tune_answer

    return tune_answer(study(run, rig), proof(run, rig, read_advice(earlier)))


def _onset(rig: Rig, run: Run) -> Answer:
    from whirlbench.results.diagnosis import diagnosis

    return diagnosis(run, rig).answer


def _card(rig: Rig, run: Run) -> Answer:
    from datetime import date

    from whirlbench.results.limits import card_answer
    from whirlbench.results.limits import limits_study

    return card_answer(limits_study([run], rig), date.today())


ANSWERS: dict[str, Callable[..., Answer]] = {
    "check": _check,
    "tune": _tune,
    "proof": _proof,
    "limits": _limits,
    "onset": _onset,
    "card": _card,
}
