"""What the verbs would answer to the runs of a rehearsal: the same studies, put into words by the same results."""

from __future__ import annotations

from typing import TYPE_CHECKING

from whirlbench.errors import AnalysisError

if TYPE_CHECKING:
    from whirlbench.results.answer import Answer
    from whirlbench.rig.description import Rig
    from whirlbench.samples import Run


def ask(verb: str, rig: Rig, *runs: Run) -> Answer:
    """The answer of ``verb`` ("check", "limits") for ``rig`` and ``runs``; KeyError for another verb.

    Runs that cannot answer give an answer that is not judged and says why.
    """
    from whirlbench.results.answer import not_judged

    try:
        return ANSWERS[verb](rig, *runs)
    except AnalysisError as error:
        return not_judged(verb, str(error))


def _check(rig: Rig) -> Answer:
    from whirlbench.results.check import check_answer, check_strength

    return check_answer(check_strength(rig), rig)


def _limits(rig: Rig, *runs: Run) -> Answer:
    from whirlbench.results.limits import limits_answer, limits_study, next_hold

    study = limits_study(runs, rig)
    return limits_answer(study, next_hold(study))


ANSWERS = {"check": _check, "limits": _limits}
