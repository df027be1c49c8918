"""The three things a plan moves (throttle, request, servo) and how a step's keys become values of them."""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np

from whirlbench.calibration.curves import Curve, curve_through
from whirlbench.errors import PlanError
from whirlbench.rig.description import Rig, require, servo_ends
from whirlbench.session.plan.steps import AnyStep, CoastDown, Inspect, Multisine

THROTTLE, REQUEST, SERVO = "throttle_us", "request_rpm", "servo_us"
Span = tuple[float, float]  # where a step begins and ends with a control; equal for a plain target


@dataclass
class SetPoints:
    """What is asked of the device at an instant; a request of None was never made, a servo pulse of 0 is none."""

    throttle_us: float
    servo_us: float
    request_rpm: float | None = None

    def get(self, control: str) -> float:
        """Value of ``control``; a request never made counts as zero."""
        return float(getattr(self, control) or 0.0)


@dataclass(frozen=True)
class Controls:
    """Turns keys of steps into values of controls on one rig."""

    rig: Rig
    governor_mode: str  # what is in force for this plan: pass_through, throttle, pitch
    _pitch: list[Curve] = field(default_factory=list, repr=False)

    def throttle_us(self, percent: float) -> float:
        """Pulse at ``percent`` of the taught range."""
        return self.rig.throttle.pulse_at_us(percent)

    def servo_us(self, pitch_deg: float) -> float:
        """Servo pulse for a blade angle, by the rig's pitch table; RigError without one."""
        return float(self.pitch_curve().inverse(np.array([pitch_deg]))[0])

    def pitch_deg(self, servo_us: float) -> float:
        """Blade angle at a servo pulse, by the rig's pitch table; RigError without one."""
        return float(self.pitch_curve().value(np.array([servo_us]))[0])

    def pitch_curve(self) -> Curve:
        """The rig's pitch table as a curve; RigError without one."""
        table = require(self.rig, "pitch.table", "a plan that moves the pitch")
        if not self._pitch:
            self._pitch.append(curve_through(table, "deg"))
        return self._pitch[0]

    def first_servo_us(self) -> float:
        """Where a servo goes that has had no pulse yet: the rig's safe pulse, else the flattest pitch of its table.

        Always one that the device accepts. Zero, for no pulse, without a pitch table.
        """
        pitch = self.rig.pitch
        if pitch.table is None:
            return 0.0
        wanted_us = pitch.safe_us if pitch.safe_us is not None else min(pitch.table, key=lambda row: abs(row[1]))[0]
        return self.permitted_servo_us(wanted_us)

    def permitted_servo_us(self, servo_us: float) -> float:
        """The nearest pulse between the servo's end points: its safe pulse may lie outside them, set-points may not."""
        low, high = servo_ends(self.rig)
        return float(min(max(servo_us, low), high))

    def request_pulse_us(self, request_rpm: float) -> float | None:
        """Pulse that asks a governing speed controller for ``request_rpm``; None where it does not govern."""
        controller = self.rig.speed_controller
        if not controller.governs or controller.request_table is None or self.governor_mode != "pass_through":
            return None
        if request_rpm < controller.request_table[0][1]:
            return self.rig.throttle.safe_us  # below its slowest speed the speed controller stops
        curve = curve_through(controller.request_table, "rpm")
        return float(curve.inverse(np.array([request_rpm]))[0])

    def asked_rpm(self, throttle_us: float) -> float:
        """Speed that a throttle pulse asks a governing speed controller for; 0 where it does not govern."""
        controller = self.rig.speed_controller
        table = controller.request_table
        if not controller.governs or table is None or self.governor_mode != "pass_through":
            return 0.0
        if throttle_us < table[0][0]:
            return 0.0  # below its slowest speed the speed controller stops
        return float(curve_through(table, "rpm").value(np.array([throttle_us]))[0])

    def spans(self, step: AnyStep) -> dict[str, Span]:
        """Where ``step`` takes each control that it names; empty for steps without targets."""
        if isinstance(step, (CoastDown, Inspect, Multisine)):
            return {}
        found: dict[str, Span] = {}
        for key, control, convert in (
            ("throttle_us", THROTTLE, float),
            ("throttle_pct", THROTTLE, self.throttle_us),
            ("request_rpm", REQUEST, float),
            ("servo_us", SERVO, float),
            ("pitch_deg", SERVO, self.servo_us),
        ):
            value = getattr(step, key)
            if value is None:
                continue
            if control in found:
                raise PlanError(f"key {key} and another key both set {control}: keep one")
            first, last = value if isinstance(value, tuple) else (value, value)
            found[control] = (convert(first), convert(last))
        return found


def multisine_control(step: Multisine) -> tuple[str, float]:
    """The control that ``step`` moves and its amplitude as written; PlanError unless it names exactly one."""
    amplitudes = ((THROTTLE, step.amplitude_us), (REQUEST, step.amplitude_rpm), (SERVO, step.amplitude_deg))
    named = [(control, value) for control, value in amplitudes if value is not None]
    if len(named) != 1:
        raise PlanError("a multisine needs exactly one of amplitude_us, amplitude_rpm, amplitude_deg")
    return named[0]
