"""Whether a plan fits a rig: checked as a whole before anything is armed."""

from __future__ import annotations

from collections.abc import Iterator

from whirlbench.errors import PlanError, RigError
from whirlbench.rig.description import Rig, servo_ends
from whirlbench.session.plan.controls import REQUEST, SERVO, THROTTLE, Controls, multisine_control
from whirlbench.session.plan.steps import AnyStep, CoastDown, Inspect, Multisine, Plan


def governor_mode(plan: Plan | None, rig: Rig) -> str:
    """Mode of the bench governor under ``plan``."""
    return "pass_through" if plan is not None and plan.governor == "off" else rig.governor.mode


def check_plan(plan: Plan, rig: Rig, source: str = "plan") -> None:
    """Raises PlanError for the first step that the rig cannot do, naming its number and key."""
    controls = Controls(rig, governor_mode(plan, rig))
    present = {THROTTLE: rig.throttle.safe_us, REQUEST: 0.0}
    for number, step in enumerate(plan.steps, start=1):
        try:
            complaints = list(_complaints(step, controls, present))
        except (PlanError, RigError) as error:
            complaints = [str(error)]
        if complaints:
            raise PlanError(f"{source}: step {number} ({step.kind}): {complaints[0]}")
        present = _after(step, controls, present)
    slew = rig.throttle.slew_us_per_s
    if plan.ramp_us_per_s > slew:
        above = f"ramp_us_per_s {plan.ramp_us_per_s:g} is above the rig's throttle.slew_us_per_s {slew:g}"
        raise PlanError(f"{source}: {above}")


def _after(step: AnyStep, controls: Controls, present: dict[str, float]) -> dict[str, float]:
    """Set-points at the end of ``step``, from those at its beginning; a servo that was never moved is left out."""
    if isinstance(step, (CoastDown, Inspect)):
        return {**present, THROTTLE: controls.rig.throttle.safe_us, REQUEST: 0.0}
    moved = {control: last for control, (_, last) in controls.spans(step).items()}
    if THROTTLE in moved and controls.governor_mode != "pitch":
        moved.setdefault(REQUEST, 0.0)
    return {**present, **moved}


def _complaints(step: AnyStep, controls: Controls, present: dict[str, float]) -> Iterator[str]:
    if isinstance(step, Multisine):
        yield from _multisine_complaints(step, controls)
        yield from _excursion_complaints(step, controls, present)
        return
    for control, span in controls.spans(step).items():
        yield from _owner_complaints(control, controls)
        for value in span:
            yield from _range_complaints(control, value, controls)
    ramp = getattr(step, "ramp_us_per_s", None)
    if ramp is not None and ramp > controls.rig.throttle.slew_us_per_s:
        yield f"ramp_us_per_s is {ramp:g}, above the rig's throttle.slew_us_per_s"


def _owner_complaints(control: str, controls: Controls) -> Iterator[str]:
    """Two hands must not be on one lever: what a governor moves, a plan does not."""
    mode, controller = controls.governor_mode, controls.rig.speed_controller
    if control == THROTTLE and mode == "throttle":
        yield 'the rig\'s governor moves the throttle: give request_rpm, or set governor = "off" in the plan'
    if control == SERVO and mode == "pitch":
        yield 'the rig\'s governor moves the pitch: give request_rpm, or set governor = "off" in the plan'
    if control == REQUEST and mode == "pass_through":
        if not controller.governs:
            yield "request_rpm needs a governor: set governor.mode or speed_controller.governs in the rig"
        elif controller.request_table is None:
            yield "request_rpm needs the rig key speed_controller.request_table"


def _range_complaints(control: str, value: float, controls: Controls) -> Iterator[str]:
    rig = controls.rig
    if control == THROTTLE and not rig.throttle.safe_us <= value <= rig.throttle.max_us:
        yield f"throttle pulse {value:g} us is outside the rig's {rig.throttle.safe_us:g} to {rig.throttle.max_us:g}"
    if control == SERVO:
        yield from _servo_complaints(value, controls)
    limit_rpm = rig.limits.overspeed_rpm
    if control == REQUEST and limit_rpm is not None and value >= limit_rpm:
        yield f"request_rpm {value:g} is not below limits.overspeed_rpm {limit_rpm:g}"
    pulse_us = controls.request_pulse_us(value) if control == REQUEST and value else None
    if pulse_us is not None and not rig.throttle.safe_us <= pulse_us <= rig.throttle.max_us:
        yield f"request_rpm {value:g} is outside the speed controller's request_table"


def _servo_complaints(value: float, controls: Controls) -> Iterator[str]:
    controls.pitch_curve()  # nobody moves a servo without a table
    low, high = servo_ends(controls.rig)
    if not low - 0.5 <= value <= high + 0.5:
        yield f"servo pulse {value:.0f} us is outside the rig's pitch.table, min_us and max_us, {low} to {high}"


def _multisine_complaints(step: Multisine, controls: Controls) -> Iterator[str]:
    control, amplitude = multisine_control(step)
    yield from _owner_complaints(control, controls)
    most, unit = _widest_swing(control, controls)
    if amplitude > most:
        yield f"amplitude_{unit} {amplitude:g} is more than half of what the rig admits, {2.0 * most:g} {unit}"
    if step.tones > 1 and step.low_hz >= step.high_hz:
        yield f"low_hz {step.low_hz:g} is not below high_hz {step.high_hz:g}"
    if step.duration_s * step.low_hz < 1.0:
        yield f"duration_s {step.duration_s:g} does not hold one period of low_hz {step.low_hz:g}"


def _excursion_complaints(step: Multisine, controls: Controls, present: dict[str, float]) -> Iterator[str]:
    """Both ends of the excursion about the set-point that the steps before leave."""
    control, amplitude = multisine_control(step)
    middle = present.get(control)
    if middle is None:
        return
    if control == SERVO:
        amplitude = abs(controls.servo_us(controls.pitch_deg(middle) + amplitude) - middle)
    for value in (middle - amplitude, middle + amplitude):
        if control == REQUEST and value < 0.0:
            yield f"about a request of {middle:g} rpm the multisine goes down to {value:g} rpm: raise the request first"
        for complaint in _range_complaints(control, value, controls):
            yield f"about {middle:g} the multisine goes to {value:g}: {complaint}"


def _widest_swing(control: str, controls: Controls) -> tuple[float, str]:
    """The greatest excursion that could stay within the rig's range about any middle, and its unit."""
    rig = controls.rig
    if control == THROTTLE:
        return (rig.throttle.max_us - rig.throttle.safe_us) / 2.0, "us"
    if control == SERVO:
        pitch = controls.pitch_curve().values
        return float(pitch.max() - pitch.min()) / 2.0, "deg"
    limit_rpm = rig.limits.overspeed_rpm
    return (limit_rpm / 2.0 if limit_rpm is not None else float("inf")), "rpm"
