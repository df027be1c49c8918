"""The rig's governor as the parameters that are loaded onto the device before arming."""

from __future__ import annotations

from whirlbench.errors import RigError
from whirlbench.link.messages import GovernorId, GovernorMode, SetGovernor
from whirlbench.rig.description import Governor, Rig, servo_ends

ONE_Q16_16 = 1 << 16
GAIN_LIMIT = 1000.0  # us per rpm (per second): keeps the device's products within 64 bits
GREATEST_SLEW = 65_535  # us/s, 16 bits
IDLE_SHARE = 0.05  # of the throttle range, where the rig does not say (common practice, no source)
MODES = {
    "pass_through": GovernorMode.PASS_THROUGH,
    "throttle": GovernorMode.THROTTLE,
    "pitch": GovernorMode.PITCH,
}
GAINS = {
    "kp_us_per_rpm": GovernorId.THROTTLE_KP,
    "ki_us_per_rpm_s": GovernorId.THROTTLE_KI,
    "pitch_kp_us_per_rpm": GovernorId.PITCH_KP,
    "pitch_ki_us_per_rpm_s": GovernorId.PITCH_KI,
}
SLEWS = {
    "throttle_slew_us_per_s": GovernorId.THROTTLE_SLEW_US_PER_S,
    "pitch_slew_us_per_s": GovernorId.PITCH_SLEW_US_PER_S,
}


def governor_parameter(key: str, value: float) -> SetGovernor:
    """The command that sets the rig key ``governor.KEY``; RigError when the key or its value cannot be sent."""
    if key in GAINS:
        return SetGovernor(GAINS[key], _fixed_point(key, value))
    if key in SLEWS:
        return SetGovernor(SLEWS[key], _slew(key, value))
    raise RigError(f"governor.{key} cannot be set while running; known: {', '.join((*GAINS, *SLEWS))}")


def governor_parameters(rig: Rig, active: bool = True) -> tuple[SetGovernor, ...]:
    """Every parameter for the device, MODE last; with ``active`` false, or mode pass_through, only the mode."""
    governor = rig.governor
    if not active or governor.mode == "pass_through":
        return (SetGovernor(GovernorId.MODE, GovernorMode.PASS_THROUGH),)
    keys = (*GAINS, *SLEWS)
    return (
        *(governor_parameter(key, getattr(governor, key)) for key in keys),
        *_ranges(rig, governor),
        SetGovernor(GovernorId.MODE, MODES[governor.mode]),
    )


def _ranges(rig: Rig, governor: Governor) -> tuple[SetGovernor, ...]:
    table = rig.pitch.table
    if governor.mode == "pitch" and table is None:
        raise RigError("rig key pitch.table is missing: governor.mode = pitch moves the servo within it")
    ranges = (
        SetGovernor(GovernorId.THROTTLE_MIN_US, round(_idle_us(rig))),
        SetGovernor(GovernorId.THROTTLE_MAX_US, round(rig.throttle.max_us)),
    )
    if table is None:
        return ranges
    ends = servo_ends(rig)
    return (*ranges, SetGovernor(GovernorId.PITCH_MIN_US, ends[0]), SetGovernor(GovernorId.PITCH_MAX_US, ends[1]))


def _idle_us(rig: Rig) -> float:
    """Lowest pulse of the governor: without a tach period it stays there, so the motor must start from rest at it."""
    throttle = rig.throttle
    if rig.governor.idle_us is None:
        return throttle.min_us + IDLE_SHARE * (throttle.max_us - throttle.min_us)
    if not throttle.min_us <= rig.governor.idle_us < throttle.max_us:
        raise RigError(f"governor.idle_us is {rig.governor.idle_us:g}: it must lie within throttle.min_us and max_us")
    return rig.governor.idle_us


def _slew(key: str, value: float) -> int:
    """A slew in us/s, at least 1: on the device zero is no limit at all."""
    if not 0.0 < value <= GREATEST_SLEW:
        raise RigError(f"governor.{key} is {value:g}: expected a number above 0, at most {GREATEST_SLEW}")
    return max(1, round(value))


def _fixed_point(key: str, value: float) -> int:
    if not abs(value) <= GAIN_LIMIT:
        raise RigError(f"governor.{key} is {value:g}: the device takes -{GAIN_LIMIT:g} to {GAIN_LIMIT:g}")
    return round(value * ONE_Q16_16)
