"""Plans: the staged sequence of a run, whether a rig can follow it, and how it is followed.

``steps`` reads a plan file, ``controls`` turns its keys into set-points, ``feasibility`` checks it against a rig,
``plan_run`` follows it along ``profiles``. The plans shipped with the package lie in ``shipped``.
"""

from whirlbench.session.plan.controls import Controls, SetPoints
from whirlbench.session.plan.feasibility import check_plan, governor_mode
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
    "Controls",
    "Hold",
    "Inspect",
    "Plan",
    "PlanRun",
    "SetPoints",
    "Situation",
    "Sweep",
    "Wish",
    "check_plan",
    "describe",
    "governor_mode",
    "parse_plan",
    "read_plan",
    "shipped_plan_text",
]
