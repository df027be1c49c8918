"""The device's limit table, one row a slot: number, start value, admitted range, meaning; and its checksum.

Sketch, simulated device and host agree on it: the sketch's copy and the protocol's table are generated from here.
Which key of a rig fills a slot is declared with that key.
"""

from __future__ import annotations

import struct
import zlib
from collections.abc import Sequence
from enum import IntEnum

from whirlbench.errors import LinkError
from whirlbench.units import LEAST_SAFE_PULSE_US, SAFE_PULSE_CAP_US

ADC_FULL = 1023  # 10 bits


class LimitId(IntEnum):
    """Slots of the device's limit table; where ``zero`` is admitted besides the range, it switches the rule off.

    The table's checksum is CRC-32 over all values in slot order, each as little-endian u32. A slot whose rule the
    firmware does not have admits only zero, so that nobody trusts a limit that is not watched.
    """

    start: int
    lowest: int
    highest: int
    zero: bool
    meaning: str

    def __new__(cls, number: int, start: int, lowest: int, highest: int, zero: bool, meaning: str) -> LimitId:
        """Slot ``number``, with what it holds at start and what it admits."""
        slot = int.__new__(cls, number)
        slot._value_ = number
        slot.start, slot.lowest, slot.highest, slot.zero, slot.meaning = start, lowest, highest, zero, meaning
        return slot

    @property
    def has_rule(self) -> bool:
        """Whether the firmware acts on it."""
        return self.highest > 0

    # number, start value, lowest, highest, zero admitted besides, meaning
    # fmt: off
    OVERSPEED_TICKS = (0, 0, 100, 20_000_000, True,
                       "shortest permitted turn, ticks: 120e6 / rpm, rounded up")
    OVERSPEED_CONFIRM = (1, 1, 1, 10, False, "consecutive edges that end a turn too short")
    VIBRATION_COUNTS = (2, 0, 1, 65_535, True,
                        "highest permitted RMS of a window, counts; admits only 0 without an accelerometer")
    VIBRATION_WINDOW = (3, 64, 8, 256, False, "samples in a window")
    HEARTBEAT_MS = (4, 0, 20, 2_000, True, "longest silence of the host")
    REST_MS = (5, 1_000, 100, 10_000, False, "without an edge for so long, the rotor is at rest")
    THROTTLE_SAFE_US = (6, 0, LEAST_SAFE_PULSE_US, SAFE_PULSE_CAP_US, False,
                        "pulse that stops the motor, kept over power-off; at start the one kept, 0: never set, then "
                        "no pulse goes out")
    THROTTLE_MAX_US = (7, 1000, 800, 2200, False, "highest permitted throttle pulse")
    SERVO_MIN_US = (8, 1500, 500, 2400, False, "shortest permitted servo pulse")
    SERVO_MAX_US = (9, 1500, 500, 2400, False, "longest permitted servo pulse")
    THROTTLE_SLEW_US_PER_S = (10, 400, 1, 65_535, True,
                              "fastest rise of the throttle pulse; falling is never slowed")
    PULSES_PER_REV = (11, 1, 1, 30, False, "tach marks in a turn, evenly spaced or not")
    CURRENT_COUNTS = (12, 0, 1, ADC_FULL - 1, True, "over-current: greatest permitted counts of the current's ADC")
    SLOW_CONFIRM_MS = (13, 20, 2, 2_000, False, "for so long a slow channel must be beyond its limit to trip")
    LOST_TACH_MS = (14, 0, 20, 5_000, True, "driven, yet no edge for so long")
    STUCK_SERVO_COUNTS = (15, 0, 1, ADC_FULL, True, "greatest permitted distance of the servo's feedback from command")
    SERVO_SAFE_US = (16, 0, 500, 2400, True,
                     "where the servo goes after a trip, and at Arm when no pulse went out before; 0: it stays")
    CURRENT_LEAST_COUNTS = (17, 0, 1, ADC_FULL - 1, True, "over-current the other way: least permitted counts")
    CURRENT_ZERO_COUNTS = (18, 0, 0, ADC_FULL, False, "counts without current; for the proof of a cut")
    CUT_CURRENT_COUNTS = (19, 0, 1, ADC_FULL, True, "after a cut, greatest distance from CURRENT_ZERO_COUNTS")
    CUT_PROOF_MS = (20, 3_000, 100, 20_000, False, "after a cut, longest time without a fall of the speed by an eighth")
    START_TACH_MS = (21, 2_000, 100, 10_000, False, "as LOST_TACH_MS, for the first edge after rest")
    DRIVEN_US = (22, 1_100, 800, 2_200, False, "throttle pulse from which the motor must turn")
    VOLTAGE_COUNTS = (23, 0, 1, ADC_FULL - 1, True, "least permitted counts of the pack's voltage while driven")
    SUPPLY_MV = (24, 0, 2_000, 6_000, True, "least permitted supply of the device")
    LOAD_SILENCE_MS = (25, 0, 30, 250, True, "longest time without a reading of the load cell; at its rail likewise")
    FROZEN_SAMPLES = (26, 0, 16, 4_000, True, "so many equal samples of one axis: the accelerometer is not believed")
    STUCK_SERVO_MS = (27, 1_000, 20, 10_000, False, "for so long STUCK_SERVO_COUNTS must be exceeded to trip")
    SERVO_LOW_COUNTS = (28, 0, 0, ADC_FULL, False, "feedback expected at SERVO_MIN_US")
    SERVO_HIGH_COUNTS = (29, 0, 0, ADC_FULL, False, "feedback expected at SERVO_MAX_US; straight in between")
    TACH_JUMP_PERIODS = (30, 0, 2, 30, True, "so many periods after a jump by half or more that nothing explains")
    THROTTLE_RATE_HZ = (31, 400, 40, 400, False, "pulses a second to the speed controller")
    SERVO_RATE_HZ = (32, 50, 40, 400, False, "pulses a second to the pitch servo; above 50 only for a digital servo")
    # fmt: on


LIMIT_SLOTS = len(LimitId)


def start_values() -> tuple[int, ...]:
    """The table as a device holds it after a restart, in slot order."""
    return tuple(slot.start for slot in LimitId)


def admits(slot: int, value: int, safe_cap_us: int = SAFE_PULSE_CAP_US) -> bool:
    """Whether SetLimit with this slot number and value is answered DONE; an unknown slot admits nothing.

    ``safe_cap_us``: greatest safe pulse of the build; another for speed controllers with neutral in the middle.
    """
    if not 0 <= slot < LIMIT_SLOTS:
        return False
    row = tuple(LimitId)[slot]
    highest = safe_cap_us if row is LimitId.THROTTLE_SAFE_US else row.highest
    return row.lowest <= value <= highest or (row.zero and value == 0)


def missing_for_arming(values: Sequence[int]) -> LimitId | None:
    """The first slot that keeps a table from being armed with, or None when the table is complete.

    Overspeed and heartbeat have to be watched, the safe pulse to be known, no maximum may lie below its minimum, and
    the servo's safe pulse not outside its range.
    """
    for slot in (LimitId.OVERSPEED_TICKS, LimitId.HEARTBEAT_MS, LimitId.THROTTLE_SAFE_US):
        if values[slot] == 0:
            return slot
    if values[LimitId.THROTTLE_MAX_US] < values[LimitId.THROTTLE_SAFE_US]:
        return LimitId.THROTTLE_MAX_US
    if values[LimitId.SERVO_MAX_US] < values[LimitId.SERVO_MIN_US]:
        return LimitId.SERVO_MAX_US
    safe_us = values[LimitId.SERVO_SAFE_US]
    if safe_us and not values[LimitId.SERVO_MIN_US] <= safe_us <= values[LimitId.SERVO_MAX_US]:
        return LimitId.SERVO_SAFE_US
    return None


def checksum(values: Sequence[int]) -> int:
    """CRC-32 (ISO-HDLC) over all values as little-endian u32, in slot order.

    Another number of values than slots raises LinkError.
    """
    if len(values) != LIMIT_SLOTS:
        raise LinkError(f"limit table with {len(values)} values, expected {LIMIT_SLOTS}")
    return zlib.crc32(struct.pack(f"<{LIMIT_SLOTS}I", *values))
