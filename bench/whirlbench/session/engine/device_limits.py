"""The rig's limits as the device's table, in wire units: what ``rig`` declares for the slots of ``link``."""

from __future__ import annotations

from whirlbench.errors import RigError
from whirlbench.link.limit_table import LimitId, admits, missing_for_arming
from whirlbench.rig.description import Rig, require
from whirlbench.rig.device_slots import SlotValue, slot_values
from whirlbench.units import MIDDLE_NEUTRAL_CAP_US, SAFE_PULSE_CAP_US


def device_limits(rig: Rig) -> tuple[int, ...]:
    """Values for every slot, in slot order.

    RigError names the rig key when a limit that arming needs is absent, or when a value does not fit its slot.
    A slot that no key fills has no rule in the firmware and stays zero: the host's ring watches those limits.
    """
    require(rig, "limits.overspeed_rpm", "arming")
    found = {LimitId[name]: value for name, value in slot_values(rig).items()}
    for slot, value in found.items():
        cap_us = MIDDLE_NEUTRAL_CAP_US if rig.throttle.middle_neutral else SAFE_PULSE_CAP_US
        if not admits(slot, value.counts, cap_us):
            raise RigError(f"{_told(slot, value)}, which takes {slot.lowest} to {slot.highest}")
    values = tuple(found[slot].counts if slot in found else 0 for slot in LimitId)
    missing = missing_for_arming(values)
    if missing is not None:
        within = ", outside the servo's range: arming needs it within" if missing is LimitId.SERVO_SAFE_US else ""
        raise RigError(f"{_told(missing, found[missing])}{within or ': arming needs it'}")
    return values


def _told(slot: LimitId, value: SlotValue) -> str:
    keys = " with ".join(value.keys)
    return f"rig key {keys} gives {value.counts} for the device's slot {slot.name}"
