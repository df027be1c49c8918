"""Plans: the staged sequence of a run, whether a rig can follow it, and how it is followed.

``steps`` reads a plan file, ``controls`` turns its keys into set-points, ``feasibility`` checks it against a rig,
``clearance`` (the gate) against the fitted blade set, whose log ``fitted_set`` asks and writes; ``narrowing`` puts a
plan's limits in place of the rig's, ``course`` runs it through beforehand, ``plan_run`` follows it along ``profiles``,
``keys_page`` writes the page of keys. The plans shipped with the package lie in ``shipped``.
"""

from whirlbench.session.plan.clearance import (
    NO_CLEARANCE,
    Clearance,
    Override,
    greatest_permitted_rpm,
    objections,
    override_complaint,
    refusal,
    remedy,
)
from whirlbench.session.plan.controls import Controls, SetPoints
from whirlbench.session.plan.course import CourseStep, course
from whirlbench.session.plan.feasibility import check_plan, governor_mode
from whirlbench.session.plan.fitted_set import FittedSet
from whirlbench.session.plan.narrowing import narrowed
from whirlbench.session.plan.plan_run import PlanRun, Situation, Wish, describe
from whirlbench.session.plan.steps import (
    Hold,
    Inspect,
    Plan,
    Sweep,
    parse_plan,
    read_plan,
    shipped_plan_text,
)

__all__ = [
    "NO_CLEARANCE",
    "Clearance",
    "Controls",
    "CourseStep",
    "FittedSet",
    "Hold",
    "Inspect",
    "Override",
    "Plan",
    "PlanRun",
    "SetPoints",
    "Situation",
    "Sweep",
    "Wish",
    "check_plan",
    "course",
    "describe",
    "governor_mode",
    "greatest_permitted_rpm",
    "narrowed",
    "objections",
    "override_complaint",
    "parse_plan",
    "read_plan",
    "refusal",
    "remedy",
    "shipped_plan_text",
]
