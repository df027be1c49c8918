"""The permitted speed for those who act on it: the 5 % figure of the fitted set, or why there is none."""

from __future__ import annotations

from dataclasses import dataclass

from whirlbench.analysis.strength import permitted_speed
from whirlbench.errors import RigError
from whirlbench.rig.description import Rig


@dataclass(frozen=True)
class SetJudgement:
    """``permitted_rpm`` is None where the set was not judged, and then ``why`` says what was missing."""

    permitted_rpm: float | None
    why: str = ""


def judge_fitted_set(rig: Rig) -> SetJudgement:
    """The permitted speed of the set that is fitted on ``rig``; never raises for a rig that cannot be judged."""
    try:
        return SetJudgement(permitted_speed(rig).rpm)
    except RigError as error:
        return SetJudgement(None, str(error))
