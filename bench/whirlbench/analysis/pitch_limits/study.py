"""The whole study of pitch limits: holds of the runs, limits at each speed, end points, and what to measure next."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from whirlbench.analysis.conditions import air_density_kg_m3
from whirlbench.analysis.pitch_limits.end_points import ModeEndPoints, mode_end_points
from whirlbench.analysis.pitch_limits.limits import FULL_TRAVEL_PCT, PitchLimits, limits_at_speeds, pitch_limits
from whirlbench.analysis.pitch_limits.next_hold import NextHold, next_hold_plan, propose_hold, speed_keys
from whirlbench.analysis.propeller import HoldSurvey, find_holds
from whirlbench.errors import AnalysisError
from whirlbench.rig.description import Rig
from whirlbench.samples import Run

PURPOSE = "pitch limits"
TOLD_REASONS = 3  # of stretches that were no holds: more of them say the same


@dataclass(frozen=True)
class LimitsStudy:
    """Holds, the limits that follow from them for a rig, and end points of its modes.

    ``modes`` is empty where the rig has no ``pitch.table`` or no mode; ``second`` are the limits of a second blade set.
    """

    rig: Rig
    survey: HoldSurvey
    limits: PitchLimits
    modes: tuple[ModeEndPoints, ...]
    second: PitchLimits | None = None


@dataclass(frozen=True)
class Proposal:
    """The hold to measure next and its plan; ``lack`` says why there is no hold, or no plan of it."""

    hold: NextHold | None
    plan_text: str = ""
    lack: str = ""


def limits_study(
    runs: Sequence[Run], rig: Rig, at_rpm: Sequence[float] | None = None, beside: Sequence[Run] = ()
) -> LimitsStudy:
    """The limits that the holds of ``runs`` give for ``rig`` at ``at_rpm``, by default nine speeds over the measured.

    ``beside`` are runs of a second blade set. AnalysisError or RigError says in one line what the recordings or the
    rig lack.
    """
    survey = survey_holds(runs)
    limits = _limits(survey, rig, at_rpm)
    modes = mode_end_points(limits, rig) if rig.modes and rig.pitch.table else ()
    second = _limits(survey_holds(beside), rig, at_rpm) if beside else None
    return LimitsStudy(rig, survey, limits, modes, second)


def at_speeds(study: LimitsStudy, speeds_rpm: Sequence[float] | None) -> LimitsStudy:
    """The same study with its limits at other speeds in rpm; None leaves it as it is."""
    if speeds_rpm is None:
        return study
    rows = limits_at_speeds(study.limits, study.rig, np.asarray(speeds_rpm, dtype=float))
    return replace(study, limits=replace(study.limits, limits=rows))


def propose(study: LimitsStudy, rig: Rig | None = None) -> Proposal:
    """What to measure next, with its plan; slow, where the coefficients rest on many holds.

    ``rig`` is the one that the plan will run with, where end points were written into it: None is that of ``study``.
    """
    rig = rig if rig is not None else study.rig
    hold = propose_hold(study.limits, rig)
    if hold is not None and limits_at_speeds(study.limits, rig, np.array([hold.rpm]), FULL_TRAVEL_PCT)[0].forbidden:
        lack = (
            f"no further hold is proposed: at {hold.rpm:.0f} rpm, where it would tell most, no pitch is permitted "
            "with full throttle travel, which the stand has"
        )
        return Proposal(None, lack=lack)
    if hold is None:
        lack = "no further hold can be proposed: no limit binds, or no point is safe enough to hold"
        return Proposal(None, lack=lack)
    try:
        keys = speed_keys(study.limits, rig, study.survey.holds, hold)
    except AnalysisError as error:
        return Proposal(hold, lack=str(error))
    return Proposal(hold, next_hold_plan(hold, rig, *keys))


def survey_holds(runs: Sequence[Run]) -> HoldSurvey:
    """Holds and rejected stretches of all ``runs`` together."""
    surveys = [find_holds(run) for run in runs]
    return HoldSurvey(
        tuple(hold for survey in surveys for hold in survey.holds),
        tuple(item for survey in surveys for item in survey.rejected),
    )


def _limits(survey: HoldSurvey, rig: Rig, at_rpm: Sequence[float] | None) -> PitchLimits:
    if not survey.holds:
        reasons = "; ".join(list(dict.fromkeys(item.reason for item in survey.rejected))[:TOLD_REASONS])
        raise AnalysisError(
            f"no settled hold found ({reasons or 'speed or pitch never stood still'}): "
            "hold each speed and pitch for 8 s or so"
        )
    return pitch_limits(survey.holds, rig, air_density_kg_m3(rig, PURPOSE), at_rpm)
