"""Rules between the keys of a rig that a single key's range cannot express."""

from __future__ import annotations

from collections.abc import Iterator
from itertools import pairwise
from math import ceil

from whirlbench.errors import RigError
from whirlbench.rig.blade_set_rules import blade_set_complaints
from whirlbench.rig.description import Rig
from whirlbench.rig.limits import TRENDS
from whirlbench.rig.size_rules import size_complaints
from whirlbench.units import SAFE_PULSE_CAP_US

# A rotor slower than this may be called "at rest": the bench then arms, resets and lets somebody walk up.
# Common practice, no source.
FASTEST_REST_RPM = 200.0
CALIBRATED_UNITS = {"current_a": "A", "voltage_v": "V", "thrust_n": "N", "pitch_deg": "deg"}


def check_rig(rig: Rig) -> None:
    """Raises RigError with the first broken rule."""
    for complaint in _complaints(rig):
        raise RigError(complaint)


def _complaints(rig: Rig) -> Iterator[str]:
    yield from size_complaints(rig)
    yield from _table_complaints("pitch.table", rig.pitch.table)
    yield from _table_complaints("speed_controller.request_table", rig.speed_controller.request_table)
    yield from _fold_complaints("pitch.table", rig.pitch.table)
    yield from _fold_complaints("speed_controller.request_table", rig.speed_controller.request_table)
    yield from _calibration_complaints(rig)
    yield from _table_complaints("propeller.coefficients", rig.propeller.coefficients)
    yield from blade_set_complaints(rig.blade_sets, rig.propeller.blade_set, rig.propeller.diameter_m)
    yield from _mode_complaints(rig)
    yield from _end_point_complaints(rig)
    yield from _safe_pitch_complaints(rig)
    yield from _throttle_complaints(rig)
    yield from _rest_complaints(rig)
    yield from _feedback_complaints(rig)
    yield from _trend_complaints(rig)
    if rig.vibration.band_hz[0] >= rig.vibration.band_hz[1]:
        yield f"vibration.band_hz is {list(rig.vibration.band_hz)}: the first must be below the second"


def _table_complaints(key: str, table: tuple[tuple[float, ...], ...] | None) -> Iterator[str]:
    if table is None:
        return
    if len(table) < 2:
        yield f"{key} has {len(table)} row(s): at least two are needed"
    for row, (before, after) in enumerate(pairwise(table), start=2):
        if after[0] <= before[0]:
            yield f"{key} row {row}: {after[0]:g} does not come after {before[0]:g}; sort the rows by it"


def _fold_complaints(key: str, table: tuple[tuple[float, float], ...] | None) -> Iterator[str]:
    """Nobody knows which pulse a value asks for that the table has twice."""
    rows = table or ()
    way = 1.0 if rows and rows[-1][1] > rows[0][1] else -1.0
    for number, (before, after) in enumerate(pairwise(rows), start=2):
        if (after[1] - before[1]) * way <= 0.0:
            yield f"{key} row {number}: {after[1]:g} after {before[1]:g}: the table turns back on itself"


def _feedback_complaints(rig: Rig) -> Iterator[str]:
    """A stuck servo is seen by its feedback alone."""
    seen = rig.pitch.feedback and rig.pitch.table and "pitch_deg" in rig.calibration
    if rig.limits.stuck_servo_deg is not None and not seen:
        yield "limits.stuck_servo_deg needs pitch.feedback = true, pitch.table and calibration.pitch_deg"


def _trend_complaints(rig: Rig) -> Iterator[str]:
    """A trend without samples never trips; the vibration limit's own rule ends a run in which none come."""
    for trend in TRENDS:
        by_vibration = "vibration_g_rms" in trend.watch.channels and trend.key in rig.limits.trend_trips
        if by_vibration and rig.limits.vibration_g_rms is None:
            yield f"limits.trend_trips: {trend.key} as a trip needs limits.vibration_g_rms, too: that sees samples come"


def _calibration_complaints(rig: Rig) -> Iterator[str]:
    """A misspelt channel or a foreign unit would leave a limit unwatched, or watched at a thousand times its value."""
    for name, calibration in rig.calibration.items():
        unit = CALIBRATED_UNITS.get(name)
        if unit is None:
            yield f"unknown key calibration.{name}; expected one of {', '.join(CALIBRATED_UNITS)}"
        elif calibration.unit != unit:
            yield f"calibration.{name}.unit is {calibration.unit!r}: expected {unit!r}, as the channel's name says"
        yield from _table_complaints(f"calibration.{name}.table", calibration.table)
        if calibration.table is None and calibration.units_per_count is None:
            yield f"calibration.{name} has neither units_per_count nor table: give one"
        if calibration.units_per_count == 0.0:
            yield f"calibration.{name}.units_per_count is 0: every reading would be zero; give the gain"


def _mode_complaints(rig: Rig) -> Iterator[str]:
    for name, mode in rig.modes.items():
        if mode.min_pitch_deg >= mode.max_pitch_deg:
            yield f"modes.{name}: min_pitch_deg {mode.min_pitch_deg:g} is not below max {mode.max_pitch_deg:g}"
        if mode.rpm[0] >= mode.rpm[1]:
            yield f"modes.{name}.rpm is {list(mode.rpm)}: the first must be below the second"


def _end_point_complaints(rig: Rig) -> Iterator[str]:
    low, high = rig.pitch.min_us, rig.pitch.max_us
    if low is not None and high is not None and low >= high:
        yield f"pitch: min_us {low:g} is not below max_us {high:g}"


def _safe_pitch_complaints(rig: Rig) -> Iterator[str]:
    """A trip sends the servo there unasked: beyond the pulses that were measured it may strike its stop."""
    safe_us, table = rig.pitch.safe_us, rig.pitch.table
    if safe_us is None or table is None:
        return
    low, high = table[0][0], table[-1][0]
    if not low <= safe_us <= high:
        yield (
            f"pitch.safe_us is {safe_us:g}: a trip would send the servo beyond pitch.table, which was measured from "
            f"{low:g} to {high:g} us; choose a pulse within it"
        )


def _rest_complaints(rig: Rig) -> Iterator[str]:
    """Pulses further apart than rest_ms look like rest."""
    unseen_rpm = 60_000.0 / (rig.tach.rest_ms * rig.tach.pulses_per_rev)
    if unseen_rpm > FASTEST_REST_RPM:
        least_ms = ceil(60_000.0 / (FASTEST_REST_RPM * rig.tach.pulses_per_rev))
        yield (
            f"tach.rest_ms is {rig.tach.rest_ms}: with {rig.tach.pulses_per_rev} pulse(s) a revolution a rotor at up "
            f"to {unseen_rpm:.0f} rpm would count as at rest; give at least {least_ms}"
        )


def _throttle_complaints(rig: Rig) -> Iterator[str]:
    throttle = rig.throttle
    if throttle.safe_us > SAFE_PULSE_CAP_US and not throttle.middle_neutral:
        yield (
            f"throttle.safe_us is {throttle.safe_us:g}: at most {SAFE_PULSE_CAP_US} us counts as safe, above it a "
            "motor may turn; for a controller with neutral in the middle set throttle.middle_neutral = true"
        )
    if not throttle.safe_us <= throttle.min_us < throttle.max_us:
        yield (
            f"throttle: safe_us {throttle.safe_us:g}, min_us {throttle.min_us:g}, max_us {throttle.max_us:g} "
            "must rise in that order"
        )
