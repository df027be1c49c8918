"""Limits that a plan narrows: the stricter of the rig's and the plan's was in force, live and in every back-test."""

from __future__ import annotations

from dataclasses import dataclass

import msgspec

from whirlbench.errors import PlanError
from whirlbench.rig.declaration import Side
from whirlbench.rig.description import Rig, with_limits
from whirlbench.rig.limits import WITH_MARGIN, Limit, Limits
from whirlbench.rig.toml_text import parse_table


@dataclass(frozen=True)
class Narrowing:
    """One limit that a plan narrowed: its value, and that of the rig (None: the rig sets none)."""

    limit: Limit
    value: float
    rigs: float | None

    @property
    def text(self) -> str:
        """The limit by its label, what was in force and what the rig says."""
        unit, label = self.limit.unit, self.limit.watch.label
        own = "the rig sets none" if self.rigs is None else f"the rig's is {self.rigs:g} {unit}".rstrip()
        return f"{label} {self.value:g} {unit}".rstrip() + f" ({own})"


def narrowings(rig: Rig, limits: Limits) -> tuple[Narrowing, ...]:
    """Each of ``limits`` that is stricter than that of ``rig``, or that the rig does not set."""
    pairs = ((limit, limit.value(limits), limit.value(rig.limits)) for limit in WITH_MARGIN)
    return tuple(
        Narrowing(limit, value, own)
        for limit, value, own in pairs
        if value is not None and (own is None or (value != own and not wider(limit, value, own)))
    )


def stricter(rig: Rig, limits: Limits) -> Rig:
    """``rig`` with every limit of ``limits`` that is stricter than its own in place of it."""
    return with_limits(rig, **{one.limit.key: one.value for one in narrowings(rig, limits)})


def wider(limit: Limit, value: float, other: float) -> bool:
    """Whether ``value`` lets more pass than ``other``."""
    return value < other if limit.watch.side is Side.LOWER else value > other


def plan_limits(plan_text: str) -> Limits:
    """The [limits] of a plan; none without a plan. PlanError when they cannot be read: they are not known then."""
    if not plan_text.strip():
        return Limits()
    try:
        return msgspec.convert(parse_table(plan_text, "plan", PlanError).get("limits", {}), Limits)
    except msgspec.ValidationError as error:
        raise PlanError(f"plan: [limits]: {error}") from error
