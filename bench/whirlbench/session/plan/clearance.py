"""The gate: whether the fitted blade set may be armed with, by its strength, its log and the limits in force.

What the program knows, it enforces: no clearance is no clearance, and what was not judged is not permitted. The
strength check and the log are asked by the surface; here their answers are held against rig and plan.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

from whirlbench.log import Standing, State
from whirlbench.rig.description import Rig
from whirlbench.session.plan.controls import REQUEST, THROTTLE, Controls
from whirlbench.session.plan.feasibility import governor_mode
from whirlbench.session.plan.steps import CoastDown, Inspect, Multisine, Plan

LONGEST_REASON = 400  # characters, as in a recording's event


@dataclass(frozen=True)
class Override:
    """Somebody's word against the gate: the set's name typed out, why, and who."""

    typed_name: str
    reason: str
    operator: str = ""


@dataclass(frozen=True)
class Clearance:
    """What is known of the fitted set before it is armed with.

    ``permitted_rpm`` is the 5 % figure of the strength check, None when there is none, and then ``not_judged`` says
    why. ``standing`` is where the set stands by its log.
    """

    blade_set: str
    permitted_rpm: float | None
    standing: Standing
    not_judged: str = ""
    override: Override | None = None
    bare_shaft: bool = False  # the propeller is off, somebody has said so: ``permitted_rpm`` is what they let it turn

    @property
    def sentence(self) -> str:
        """Set, permitted speed and standing in one line, on every surface."""
        if self.bare_shaft:
            return f"propeller off, bare shaft: permitted {self.permitted_rpm or 0.0:.0f} rpm"
        speed = (
            f"permitted {self.permitted_rpm:.0f} rpm (5 % figure)"
            if self.permitted_rpm is not None
            else f"permitted speed not judged: {self.not_judged}"
        )
        return f"blade set {self.blade_set or 'not named'}: {speed}; log: {self.standing.sentence}"

    @property
    def record(self) -> str:
        """All that a recording keeps of it."""
        return "; ".join(filter(None, (self.sentence, self.override_sentence)))

    @property
    def override_sentence(self) -> str:
        """Who let the set spin against the gate, and why; empty when nobody did."""
        if not override_counts(self) or self.override is None:
            return ""
        return f"gate overridden by {self.override.operator or 'nobody named'}: {self.override.reason}"


NO_CLEARANCE = "nobody has judged the fitted blade set: it is not cleared to spin"


def objections(clearance: Clearance | None, rig: Rig, plan: Plan | None = None) -> tuple[str, ...]:
    """Every reason against arming, in one clause each with its number; empty when there is none.

    Without a ``plan`` (by hand) the overspeed limit is what bounds the speed, as it is under an open throttle.
    """
    if clearance is None:
        return (NO_CLEARANCE,)
    return tuple(_objections(clearance, rig, plan))


def _objections(clearance: Clearance, rig: Rig, plan: Plan | None) -> Iterator[str]:
    if clearance.bare_shaft:
        if rig.propeller.blade_set:
            yield f"the shaft was said to be bare, the rig has {rig.propeller.blade_set} fitted"
        yield from _speed_objections(clearance.permitted_rpm or 0.0, rig, plan)
        return
    name = clearance.blade_set
    if not name:
        yield "the rig does not say which blade set is fitted (propeller.blade_set)"
    elif name != rig.propeller.blade_set:
        yield f"the clearance is for the set {name}, the rig has {rig.propeller.blade_set or 'none'} fitted"
    if clearance.standing.blade_set != name:
        yield f"the log was asked about {clearance.standing.blade_set}, not about {name}"
    if not clearance.standing.may_spin:
        yield f"the set {name} is {clearance.standing.sentence}"
    permitted = clearance.permitted_rpm
    if permitted is None:
        yield f"the permitted speed of the set {name} was not judged: {clearance.not_judged or 'no reason is known'}"
        return
    yield from _speed_objections(permitted, rig, plan)


def _speed_objections(permitted: float, rig: Rig, plan: Plan | None) -> Iterator[str]:
    overspeed = rig.limits.overspeed_rpm
    if overspeed is None:
        yield f"the rig sets no limits.overspeed_rpm; the set is permitted {permitted:.0f} rpm"
    elif overspeed > permitted:
        yield f"limits.overspeed_rpm {overspeed:.0f} is above the permitted {permitted:.0f} rpm of the set"
    if plan is not None:
        number, most = greatest_request(plan, rig)
        if most > permitted:
            yield f"step {number} of the plan asks for {most:.0f} rpm, the set is permitted {permitted:.0f} rpm"


def greatest_request(plan: Plan, rig: Rig) -> tuple[int, float]:
    """Step (from 1) and rpm of the greatest speed that a plan asks a governor for; (0, 0.0) when it asks for none.

    A multisine counts with its whole excursion, a throttle pulse where the speed controller takes it for a request.
    """
    controls = Controls(rig, governor_mode(plan, rig))
    found, request_rpm, throttle_us = (0, 0.0), 0.0, 0.0
    for number, step in enumerate(plan.steps, start=1):
        spans = controls.spans(step)
        if isinstance(step, (CoastDown, Inspect)):
            request_rpm = throttle_us = 0.0
        elif isinstance(step, Multisine):
            top_rpm = request_rpm + (step.amplitude_rpm or 0.0)
            spans = {REQUEST: (top_rpm, request_rpm), THROTTLE: (throttle_us + (step.amplitude_us or 0.0), throttle_us)}
        asked = max(*spans.get(REQUEST, (0.0, 0.0)), *map(controls.asked_rpm, spans.get(THROTTLE, (0.0, 0.0))))
        found = max(found, (number, asked), key=lambda pair: pair[1])
        request_rpm = spans.get(REQUEST, (0.0, request_rpm))[1]
        throttle_us = spans.get(THROTTLE, (0.0, throttle_us))[1]
    return found


def override_complaint(clearance: Clearance) -> str:
    """Why an override does not count, empty when it does: the very name, and a reason worth reading in a year."""
    override = clearance.override
    if override is None:
        return "there is none"
    if not clearance.blade_set or override.typed_name != clearance.blade_set:
        return f"the name typed is {override.typed_name!r}, the set fitted is {clearance.blade_set!r}"
    if not override.reason.strip() or len(override.reason) > LONGEST_REASON:
        return f"a reason of 1 to {LONGEST_REASON} characters is needed"
    return ""


def override_counts(clearance: Clearance | None) -> bool:
    """Whether somebody has let the set spin against the objections, as it has to be done."""
    return clearance is not None and clearance.override is not None and not override_complaint(clearance)


def greatest_permitted_rpm(clearance: Clearance | None) -> float:
    """The greatest speed that may be asked for: 0 for a set that nobody judged, no bound under an override."""
    if override_counts(clearance):
        return float("inf")
    return (clearance.permitted_rpm or 0.0) if clearance is not None else 0.0


def refusal(clearance: Clearance | None, rig: Rig, plan: Plan | None = None) -> str:
    """Why nothing is armed, in one line; empty when the set is cleared, or its objections were overridden."""
    against = objections(clearance, rig, plan)
    if not against:
        return ""
    if clearance is None or clearance.override is None:
        return "; ".join(against)
    if override_counts(clearance):
        return ""
    return f"{'; '.join(against)}; the override does not count: {override_complaint(clearance)}"


def remedy(clearance: Clearance, rig: Rig) -> str:
    """What to do about a refusal."""
    permitted, overspeed_rpm = clearance.permitted_rpm, rig.limits.overspeed_rpm
    if permitted is not None and overspeed_rpm is not None and overspeed_rpm > permitted:
        return f"Lower the rig's limits below {permitted:.0f} rpm, or fit a stronger set (`whirlbench check`)"
    if clearance.standing.state is State.RETIRED:
        return "A retired set does not come back: fit another one"
    if not clearance.standing.may_spin:
        return (
            "Look at every blade, root and fastener, then say what you found: --inspection TEXT of `whirlbench spin`, "
            "or of `whirlbench log add`"
        )
    return "`whirlbench check` tells what the set may turn and what is missing"
