"""The device's limit table: what each slot holds at start, what it admits, and its checksum.

Sketch, simulated device and host agree on it: the sketch's copy is generated from here.
"""

from __future__ import annotations

import struct
import zlib
from collections.abc import Sequence
from typing import NamedTuple

from whirlbench.errors import LinkError
from whirlbench.link.messages import LIMIT_SLOTS, LimitId


class LimitRange(NamedTuple):
    """Start value of a slot and the values it admits; ``zero`` says that 0 is admitted as well: rule off."""

    start: int
    lowest: int
    highest: int
    zero: bool = False


# A slot whose rule the firmware does not have admits only zero, so that nobody trusts a limit that is not watched.
NO_RULE = LimitRange(0, 0, 0)
SAFE_PULSE = LimitRange(1000, 800, 2200)

LIMIT_RANGES: dict[LimitId, LimitRange] = {
    LimitId.OVERSPEED_TICKS: LimitRange(0, 100, 20_000_000, zero=True),  # 50 us to 10 s
    LimitId.OVERSPEED_CONFIRM: LimitRange(1, 1, 10),
    LimitId.VIBRATION_COUNTS: LimitRange(0, 1, 65_535, zero=True),
    LimitId.VIBRATION_WINDOW: LimitRange(64, 8, 256),
    LimitId.HEARTBEAT_MS: LimitRange(0, 20, 2_000, zero=True),
    LimitId.REST_MS: LimitRange(1_000, 100, 10_000),
    LimitId.THROTTLE_SAFE_US: SAFE_PULSE,
    LimitId.THROTTLE_MAX_US: SAFE_PULSE,  # starts equal to the safe pulse: nothing turns before limits are sent
    LimitId.SERVO_MIN_US: LimitRange(1500, 500, 2400),
    LimitId.SERVO_MAX_US: LimitRange(1500, 500, 2400),
    LimitId.THROTTLE_SLEW_US_PER_S: LimitRange(400, 1, 65_535, zero=True),
    LimitId.PULSES_PER_REV: LimitRange(1, 1, 60),
    LimitId.CURRENT_COUNTS: NO_RULE,
    LimitId.CURRENT_CONFIRM_MS: NO_RULE,
    LimitId.LOST_TACH_MS: NO_RULE,
    LimitId.STUCK_SERVO_COUNTS: NO_RULE,
    LimitId.SERVO_SAFE_US: LimitRange(0, 500, 2400, zero=True),
}


def start_values() -> tuple[int, ...]:
    """The table as a device holds it after a restart, in slot order."""
    return tuple(LIMIT_RANGES[slot].start for slot in LimitId)


def admits(slot: int, value: int) -> bool:
    """Whether SetLimit with this slot number and value is answered DONE; an unknown slot admits nothing."""
    if not 0 <= slot < LIMIT_SLOTS:
        return False
    bounds = LIMIT_RANGES[LimitId(slot)]
    return bounds.lowest <= value <= bounds.highest or (bounds.zero and value == 0)


def missing_for_arming(values: Sequence[int]) -> LimitId | None:
    """The first slot that keeps a table from being armed with, or None when the table is complete.

    Overspeed and heartbeat have to be watched, and no maximum may lie below its minimum.
    """
    for slot in (LimitId.OVERSPEED_TICKS, LimitId.HEARTBEAT_MS):
        if values[slot] == 0:
            return slot
    if values[LimitId.THROTTLE_MAX_US] < values[LimitId.THROTTLE_SAFE_US]:
        return LimitId.THROTTLE_MAX_US
    if values[LimitId.SERVO_MAX_US] < values[LimitId.SERVO_MIN_US]:
        return LimitId.SERVO_MAX_US
    return None


def checksum(values: Sequence[int]) -> int:
    """CRC-32 (ISO-HDLC) over all values as little-endian u32, in slot order.

    Another number of values than slots raises LinkError.
    """
    if len(values) != LIMIT_SLOTS:
        raise LinkError(f"limit table with {len(values)} values, expected {LIMIT_SLOTS}")
    return zlib.crc32(struct.pack(f"<{LIMIT_SLOTS}I", *values))
