"""The limits that were in force during a run: the rig's, or those of its plan where they were stricter."""

from __future__ import annotations

from dataclasses import dataclass

from whirlbench.errors import PlanError
from whirlbench.results.answer import NotJudged
from whirlbench.rig.description import Rig
from whirlbench.safety.narrowing import narrowings, plan_limits, stricter
from whirlbench.samples import Run

UNREAD = "limits of the plan"


@dataclass(frozen=True)
class LimitsInForce:
    """``rig`` with the limits of a run in force; ``narrowed`` says which are the plan's, empty where none is.

    ``not_judged`` where the plan in the recording cannot be read: then the rig's own limits are all that is known.
    """

    rig: Rig
    narrowed: str = ""
    not_judged: tuple[NotJudged, ...] = ()


def limits_in_force(run: Run, rig: Rig) -> LimitsInForce:
    """The limits of ``rig``, narrowed by the plan that is stored with ``run``; the stricter counts."""
    try:
        limits = plan_limits(run.plan_text)
    except PlanError as error:
        return LimitsInForce(rig, not_judged=(NotJudged(UNREAD, f"its plan cannot be read ({error})"),))
    found = narrowings(rig, limits)
    if not found:
        return LimitsInForce(rig)
    told = ", ".join(one.text for one in found)
    return LimitsInForce(stricter(rig, limits), f"judged by the narrower limits of the run's plan: {told}")
