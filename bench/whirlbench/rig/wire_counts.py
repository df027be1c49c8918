"""Limits in the counts of the sensors that watch them, rounded to the safe side, for the device's slots.

A limit without its calibration gives 0 here, which is off; a live run refuses such a rig (``calibration``).
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from itertools import pairwise
from typing import Protocol

ADC_FULL = 1023  # 10 bits
RAIL_COUNTS = 8  # a sensor whose zero lies higher than this never rests at the lower rail


class Scale(Protocol):
    """The part of a rig's calibration that says how counts become units."""

    @property
    def zero_counts(self) -> float:
        """Reading at zero."""

    @property
    def units_per_count(self) -> float | None:
        """Gain, or None: by the table."""

    @property
    def table(self) -> Sequence[tuple[float, float]] | None:
        """Rows of counts and value."""


def counts_at(scale: Scale, value: float) -> float:
    """Counts that give ``value``; beyond a table's ends its outermost straight goes on, NaN without any scale."""
    if scale.table is not None:
        return _between(sorted((units, counts) for counts, units in scale.table), value)
    gain = scale.units_per_count
    return scale.zero_counts + value / gain if gain else math.nan


def units_at(counts: float, scale: Scale | None) -> float:
    """Size of the value that ``counts`` give, the way back of ``counts_at``; NaN without any scale."""
    if scale is None:
        return math.nan
    if scale.table is not None:
        return abs(_between(sorted((float(row), units) for row, units in scale.table), counts))
    return abs((counts - scale.zero_counts) * scale.units_per_count) if scale.units_per_count else math.nan


def most_current_counts(current_a: float | None, scale: Scale | None) -> int:
    """Greatest permitted counts of a current that is limited either way; 0 without limit or calibration."""
    if current_a is None or scale is None:
        return 0
    return _in_range(math.floor(max(counts_at(scale, current_a), counts_at(scale, -current_a))))


def least_current_counts(current_a: float | None, scale: Scale | None) -> int:
    """Least permitted counts of it; 0, off, where the sensor's zero is its lower rail."""
    if current_a is None or scale is None or counts_at(scale, 0.0) <= RAIL_COUNTS:
        return 0
    return _in_range(math.ceil(min(counts_at(scale, current_a), counts_at(scale, -current_a))))


def zero_current_counts(_: float | None, scale: Scale | None) -> int:
    """Counts without current; 0 without calibration."""
    return 0 if scale is None else min(max(round(counts_at(scale, 0.0)), 0), ADC_FULL)


def current_distance_counts(current_a: float | None, scale: Scale | None) -> int:
    """Distance in counts from no current to ``current_a``, at least 1; 0 without limit or calibration."""
    if current_a is None or scale is None:
        return 0
    return _in_range(math.floor(abs(counts_at(scale, current_a) - counts_at(scale, 0.0))))


def least_voltage_counts(voltage_v: float | None, scale: Scale | None) -> int:
    """Least permitted counts of the pack's voltage; 0 without limit or calibration."""
    return 0 if voltage_v is None or scale is None else _in_range(math.ceil(counts_at(scale, voltage_v)))


Table = Sequence[tuple[float, float]] | None


def feedback_counts(pulse_us: float, scale: Scale | None, table: Table) -> int:
    """Counts of the servo's feedback at a pulse, by pitch table and calibration; 0 without them."""
    if scale is None or not table:
        return 0
    return min(max(round(counts_at(scale, _between(list(table), pulse_us))), 0), ADC_FULL)


def stuck_servo_counts(stuck_deg: float | None, scale: Scale | None, table: Table, ends_us: tuple[int, int]) -> int:
    """Permitted distance of feedback from command: ``stuck_deg``, and what the linkage bends the straight between.

    The device expects the feedback on a straight between the servo's ends; 0 without limit, calibration or table.
    """
    if stuck_deg is None or scale is None or not table:
        return 0
    low, high = (feedback_counts(end, scale, table) for end in ends_us)
    span_us = ends_us[1] - ends_us[0]
    straight = [(float(ends_us[0]), float(low)), (float(ends_us[1]), float(high))]
    inside = [us for us, _ in table if ends_us[0] <= us <= ends_us[1]] if span_us > 0 else []
    bent = max((abs(feedback_counts(us, scale, table) - _between(straight, us)) for us in inside), default=0.0)
    return _in_range(math.ceil(abs(counts_at(scale, stuck_deg) - counts_at(scale, 0.0)) + bent), ADC_FULL)


def _in_range(counts: float, most: int = ADC_FULL - 1) -> int:
    return int(min(max(counts, 1), most))


def _between(points: Sequence[tuple[float, float]], x: float) -> float:
    """Straight pieces through ``points``, sorted by the first; the outermost go on beyond the ends."""
    pieces = list(pairwise(points))
    (x_0, y_0), (x_1, y_1) = next((piece for piece in pieces if x <= piece[1][0]), pieces[-1])
    return y_0 + (x - x_0) * (y_1 - y_0) / (x_1 - x_0)
