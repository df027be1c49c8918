"""Limits of a plan: for its run they stand in place of the rig's, and they can only be stricter."""

from __future__ import annotations

from collections.abc import Iterator

from whirlbench.errors import PlanError
from whirlbench.rig.declaration import keys_of
from whirlbench.rig.description import Rig
from whirlbench.rig.limits import WITH_MARGIN, Limits
from whirlbench.safety.narrowing import stricter, wider
from whirlbench.session.plan.steps import Plan


def narrowed(rig: Rig, plan: Plan | None, source: str = "plan") -> Rig:
    """``rig`` with the limits of ``plan``, for device, host, margins and gate alike.

    PlanError for a limit that is wider than the rig's, and for a key of [limits] that has no stricter side.
    """
    if plan is None:
        return rig
    complaint = next(_complaints(rig.limits, plan.limits), None)
    if complaint:
        raise PlanError(f"{source}: {complaint}")
    return stricter(rig, plan.limits)


def _complaints(rigs: Limits, plans: Limits) -> Iterator[str]:
    names = [limit.key for limit in WITH_MARGIN]
    for row in keys_of(Limits):
        if row.name not in names and getattr(plans, row.name) != row.default:
            yield f"limits.{row.name} is the rig's alone; a plan narrows {', '.join(names)}"
    for limit in WITH_MARGIN:
        value, other = limit.value(plans), limit.value(rigs)
        if value is not None and other is not None and wider(limit, value, other):
            yield f"limits.{limit.key} {value:g} is wider than the rig's {other:g}: a plan only narrows limits"
