"""Limit tables for work at a stand whose motor must not be driven: the throttle's greatest pulse is its safe one.

The device itself then refuses every other pulse, whatever this program or anybody else sends.
"""

from __future__ import annotations

from whirlbench.errors import RigError
from whirlbench.link.limit_table import LimitId, admits, start_values
from whirlbench.rig.description import Rig
from whirlbench.units import MIDDLE_NEUTRAL_CAP_US, SAFE_PULSE_CAP_US

HEARTBEAT_MS = 500  # nothing can be driven: a busy computer need not end the work
HAND_RPM = 300.0  # nobody turns a propeller faster by hand; judgement, no source


def still_table(rig: Rig, servo_us: tuple[int, int] | None = None, **slots: int) -> tuple[int, ...]:
    """Values in slot order: no pulse but the safe one, the servo within ``servo_us``, and ``slots`` by name.

    Every rule is off but those of arming itself (overspeed at what a hand can turn, heartbeat) and those that
    ``slots`` name. RigError names a value that does not fit its slot.
    """
    safe_us = round(rig.throttle.safe_us)
    found = dict(zip(LimitId, start_values(), strict=True))
    own = {
        "THROTTLE_SAFE_US": safe_us,
        "PULSES_PER_REV": rig.tach.pulses_per_rev,
        "REST_MS": rig.tach.rest_ms,
        "THROTTLE_RATE_HZ": rig.throttle.rate_hz,
        "SERVO_RATE_HZ": rig.servo.rate_hz,
        "HEARTBEAT_MS": HEARTBEAT_MS,
        "OVERSPEED_TICKS": hand_ticks(HAND_RPM),
    }
    if servo_us is not None:
        own |= {"SERVO_MIN_US": servo_us[0], "SERVO_MAX_US": servo_us[1]}
    for name, value in {**own, **slots, "THROTTLE_MAX_US": safe_us}.items():
        slot = LimitId[name]
        if not admits(slot, value, MIDDLE_NEUTRAL_CAP_US if rig.throttle.middle_neutral else SAFE_PULSE_CAP_US):
            raise RigError(
                f"{value} does not fit the device's slot {name}, which takes {slot.lowest} to {slot.highest}"
            )
        found[slot] = value
    return tuple(found[slot] for slot in LimitId)


def hand_ticks(rpm: float) -> int:
    """Ticks of a turn at ``rpm``, for OVERSPEED_TICKS."""
    return round(120e6 / rpm)
