"""The rig's limits as the device's table, in wire units: the other half of ``link.limit_table``."""

from __future__ import annotations

from whirlbench.errors import RigError
from whirlbench.link.limit_table import LIMIT_RANGES, admits, missing_for_arming
from whirlbench.link.messages import LimitId
from whirlbench.rig.description import Rig, require
from whirlbench.safety.trip_limits import TripLimits

# Without a pitch table nobody may move the servo: both ends stay where the pulse's middle is (common practice).
SERVO_MIDDLE_US = 1500


def limit_table(rig: Rig) -> tuple[int, ...]:
    """Values for every slot, in slot order.

    RigError names the rig key when a limit that arming needs is absent, or when a value does not fit its slot.
    Limits that the firmware has no rule for stay zero there: the host's ring watches them.
    """
    require(rig, "limits.overspeed_rpm", "arming")
    limits, servo = TripLimits.from_rig(rig), servo_ends(rig)
    table = {
        LimitId.OVERSPEED_TICKS: limits.overspeed_ticks,
        LimitId.OVERSPEED_CONFIRM: limits.overspeed_confirm,
        LimitId.VIBRATION_COUNTS: limits.vibration_counts,
        LimitId.VIBRATION_WINDOW: limits.vibration_window,
        LimitId.HEARTBEAT_MS: rig.limits.heartbeat_ms,
        LimitId.REST_MS: rig.tach.rest_ms,
        LimitId.THROTTLE_SAFE_US: round(rig.throttle.safe_us),
        LimitId.THROTTLE_MAX_US: round(rig.throttle.max_us),
        LimitId.SERVO_MIN_US: servo[0],
        LimitId.SERVO_MAX_US: servo[1],
        LimitId.THROTTLE_SLEW_US_PER_S: max(1, round(rig.throttle.slew_us_per_s)),  # 0: without limit
        LimitId.PULSES_PER_REV: rig.tach.pulses_per_rev,
        LimitId.SERVO_SAFE_US: round(rig.pitch.safe_us) if rig.pitch.safe_us is not None else 0,
    }
    values = tuple(table.get(slot, 0) for slot in LimitId)
    _check(values)
    return values


KEY_OF = {
    LimitId.OVERSPEED_TICKS: "limits.overspeed_rpm",
    LimitId.OVERSPEED_CONFIRM: "limits.overspeed_confirm",
    LimitId.VIBRATION_COUNTS: "limits.vibration_g_rms",
    LimitId.VIBRATION_WINDOW: "limits.vibration_window_samples",
    LimitId.HEARTBEAT_MS: "limits.heartbeat_ms",
    LimitId.REST_MS: "tach.rest_ms",
    LimitId.THROTTLE_SAFE_US: "throttle.safe_us",
    LimitId.THROTTLE_MAX_US: "throttle.max_us",
    LimitId.SERVO_MIN_US: "pitch.table",
    LimitId.SERVO_MAX_US: "pitch.table",
    LimitId.THROTTLE_SLEW_US_PER_S: "throttle.slew_us_per_s",
    LimitId.PULSES_PER_REV: "tach.pulses_per_rev",
    LimitId.SERVO_SAFE_US: "pitch.safe_us",
}


def servo_ends(rig: Rig) -> tuple[int, int]:
    """Lowest and highest servo pulse in us that the device accepts: the table's ends, narrowed by the rig's keys."""
    if rig.pitch.table is None:
        return SERVO_MIDDLE_US, SERVO_MIDDLE_US
    low, high = rig.pitch.table[0][0], rig.pitch.table[-1][0]
    return round(max(low, rig.pitch.min_us or low)), round(min(high, rig.pitch.max_us or high))


def _check(values: tuple[int, ...]) -> None:
    for slot in LimitId:
        if not admits(slot, values[slot]):
            bounds = LIMIT_RANGES[slot]
            raise RigError(
                f"rig key {KEY_OF.get(slot, slot.name)} gives {values[slot]} for the device's slot {slot.name}, "
                f"which takes {bounds.lowest} to {bounds.highest}"
            )
    missing = missing_for_arming(values)
    if missing is not None:
        raise RigError(f"rig key {KEY_OF[missing]} gives {values[missing]} for {missing.name}: arming needs it")
