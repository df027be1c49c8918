"""`[limits]`, one row a limit: range, unit, meaning, who watches it, the device's slot, channels, label and rule.

Whoever adds a limit writes a row here; a rule that exists already is named, a new one goes to ``safety.host_rules``
and, when the device has it too, to ``safety.device_rules`` and its twin in the sketch, with a slot in
``link.limit_table``.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from operator import mul
from typing import Annotated, Literal

from msgspec import Meta

from whirlbench.physics.atmosphere import DRY_AIR_GAMMA, DRY_AIR_J_KG_K, ZERO_CELSIUS_K
from whirlbench.rig.declaration import FromRig, Positive, Ring, Section, Side, Slot, Watch, key, keys_of
from whirlbench.rig.wire_counts import (
    Scale,
    Table,
    current_distance_counts,
    feedback_counts,
    least_current_counts,
    least_voltage_counts,
    most_current_counts,
    stuck_servo_counts,
    units_at,
    zero_current_counts,
)

STANDARD_TEMPERATURE_C = 15.0
TICKS_PER_MINUTE = 60 * 2_000_000  # tach periods are counted at 2 MHz
BOTH = Ring.DEVICE | Ring.HOST
WATCHED = Ring.HOST | Ring.ADVICE  # trips in a run, and bounds what check and limits advise
EVERYWHERE = BOTH | Ring.ADVICE
# Without a pitch table nobody may move the servo: both ends stay where the pulse's middle is (common practice).
SERVO_MIDDLE_US = 1500


def overspeed_ticks(overspeed_rpm: float | None, clock_correction: float = 1.0) -> int:
    """Shortest permitted turn in ticks of 0.5 us of the device, rounded to the safe side; 0 without the limit.

    A turn is above the limit speed exactly when its whole ticks are below this number. ``clock_correction``: true
    speed over the speed that the device's clock gives.
    """
    return 0 if overspeed_rpm is None else math.ceil(TICKS_PER_MINUTE * clock_correction / overspeed_rpm)


def overspeed_held_rpm(ticks: int, clock_correction: float) -> float:
    """The speed that ``ticks`` of the slot stand for: turns shorter than that trip."""
    return TICKS_PER_MINUTE * clock_correction / ticks


def vibration_counts(vibration_g_rms: float | None, g_per_count: float) -> int:
    """Vibration limit in accelerometer counts, rounded to the safe side, at least 1; 0 without the limit."""
    return 0 if vibration_g_rms is None else max(1, math.floor(vibration_g_rms / g_per_count + 1e-9))


def least_servo_us(min_us: float | None, table: Table) -> int:
    """Shortest servo pulse that the device accepts: the table's first, or the rig's own end where that is longer."""
    return SERVO_MIDDLE_US if not table else round(max(table[0][0], min_us or table[0][0]))


def greatest_servo_us(max_us: float | None, table: Table) -> int:
    """Longest servo pulse that the device accepts: the table's last, or the rig's own end where that is shorter."""
    return SERVO_MIDDLE_US if not table else round(min(table[-1][0], max_us or table[-1][0]))


def low_feedback_counts(_: float | None, scale: Scale | None, table: Table, min_us: float | None) -> int:
    """Feedback expected at the servo's lower end."""
    return feedback_counts(least_servo_us(min_us, table), scale, table)


def high_feedback_counts(_: float | None, scale: Scale | None, table: Table, max_us: float | None) -> int:
    """Feedback expected at the servo's upper end."""
    return feedback_counts(greatest_servo_us(max_us, table), scale, table)


def stuck_counts(
    stuck_deg: float | None, scale: Scale | None, table: Table, min_us: float | None, max_us: float | None
) -> int:
    """Permitted distance of the servo's feedback from its command, in counts."""
    return stuck_servo_counts(
        stuck_deg, scale, table, (least_servo_us(min_us, table), greatest_servo_us(max_us, table))
    )


def supply_mv(supply_v: float | None) -> int:
    """Least supply in mV, rounded to the safe side; 0 without the limit."""
    return 0 if supply_v is None else math.ceil(supply_v * 1e3)


def with_limit(number: int, limit: float | None) -> int:
    """``number`` where the limit that it serves is set, else 0."""
    return 0 if limit is None else number


def speed_of_sound_m_s(temperature_c: float) -> float:
    """Speed of sound in dry air at ``temperature_c``, above -273.15; source: ISO 2533."""
    return math.sqrt(DRY_AIR_GAMMA * DRY_AIR_J_KG_K * (temperature_c + ZERO_CELSIUS_K))


def tip_mach_per_rpm(_: None, diameter_m: float | None, temperature_c: float | None) -> float:
    """Tip Mach number at rest for each rpm; without a temperature that of 15 C (standard), without diameter NaN."""
    celsius = STANDARD_TEMPERATURE_C if temperature_c is None else temperature_c
    return math.nan if diameter_m is None else math.pi * diameter_m / 60.0 / speed_of_sound_m_s(celsius)


TIP_MACH = FromRig(tip_mach_per_rpm, ("propeller.diameter_m", "air.temperature_c"))
ADVICE = Watch(Ring.ADVICE)
TrendPct = Annotated[float, Meta(ge=0.1, le=1000)]
Trend = Literal["drift_1p_pct", "drift_thrust_pct", "drift_current_pct", "hunting_pct", "sag_pct"]
FEEDBACK = ("calibration.pitch_deg", "pitch.table")  # what the servo's feedback is read by


class Limits(Section, frozen=True):
    """`[limits]`: a key that is absent is a limit that is not applied."""

    overspeed_rpm: Annotated[
        Positive | None,
        key(
            "Greatest permitted speed of the propeller; arming needs it.",
            "rpm",
            Watch(BOTH, "overspeed", channels=("rpm",), rule="overspeed"),
            Slot(
                "OVERSPEED_TICKS",
                FromRig(overspeed_ticks, ("tach.clock_correction",)),
                FromRig(overspeed_held_rpm, ("tach.clock_correction",)),
            ),
        ),
    ] = None
    vibration_g_rms: Annotated[
        Positive | None,
        key(
            "Greatest permitted vibration over a window, all axes together, mean removed.",
            "g rms",
            Watch(
                BOTH,
                "vibration",
                channels=("vibration_g_rms",),
                rule="vibration window",
                sensor_rule="accelerometer",
            ),
            Slot(
                "VIBRATION_COUNTS",
                FromRig(vibration_counts, ("vibration.g_per_count",)),
                FromRig(mul, ("vibration.g_per_count",)),
            ),
        ),
    ] = None
    current_a: Annotated[
        Positive | None,
        key(
            "Greatest permitted pack current, either way; a sensor at its rail trips as well.",
            "A",
            Watch(EVERYWHERE, "current", Side.SIZE, ("current_a",), rule="level"),
            Slot(
                "CURRENT_COUNTS",
                FromRig(most_current_counts, ("calibration.current_a",)),
                FromRig(units_at, ("calibration.current_a",)),
            ),
            Slot("CURRENT_LEAST_COUNTS", FromRig(least_current_counts, ("calibration.current_a",))),
        ),
    ] = None
    thrust_n: Annotated[
        Positive | None,
        key(
            "Greatest permitted thrust, forwards or backwards; a load cell that falls silent trips as well.",
            "N",
            Watch(WATCHED, "thrust", Side.SIZE, ("thrust_n",), rule="level", sensor_rule="load cell"),
        ),
    ] = None
    power_w: Annotated[
        Positive | None,
        key(
            "Greatest permitted electric power, either way.",
            "W",
            Watch(WATCHED, "power", Side.SIZE, ("current_a", "voltage_v"), rule="level"),
        ),
    ] = None
    tip_mach: Annotated[
        Annotated[float, Meta(gt=0, lt=1)] | None,
        key(
            "Greatest permitted Mach number of the blade tip in still, dry air.",
            "",
            Watch(WATCHED, "tip Mach", channels=("rpm",), factor=TIP_MACH, rule="level", needs=TIP_MACH.also[:1]),
        ),
    ] = None
    minimum_voltage_v: Annotated[
        Positive | None,
        key(
            "Least permitted pack voltage while the throttle is open.",
            "V",
            Watch(EVERYWHERE, "least voltage", Side.LOWER, ("voltage_v",), rule="level", while_driven=True),
            Slot(
                "VOLTAGE_COUNTS",
                FromRig(least_voltage_counts, ("calibration.voltage_v",)),
                FromRig(units_at, ("calibration.voltage_v",)),
            ),
        ),
    ] = None
    motor_torque_n_m: Annotated[
        Positive | None,
        key("Greatest torque at the motor's own shaft: the propeller's, divided by the gear ratio.", "N m", ADVICE),
    ] = None
    servo_torque_n_m: Annotated[
        Positive | None, key("Greatest torque that the pitch servo may have to hold.", "N m", ADVICE)
    ] = None
    root_reserve_factor: Annotated[
        Positive | None, key("Least reserve in every mode of failure of a blade root.", "", ADVICE)
    ] = None
    throttle_headroom_pct: Annotated[
        Annotated[float, Meta(ge=0, lt=100)] | None,
        key("Throttle travel that must stay free, so that a governor can act.", "%", ADVICE),
    ] = None
    heartbeat_ms: Annotated[
        int,
        Meta(ge=20, le=2000),
        key(
            "Longest silence of the host before the device cuts the power.",
            "ms",
            Watch(Ring.DEVICE),
            Slot("HEARTBEAT_MS", FromRig(int)),
        ),
    ] = 100
    surface_ms: Annotated[
        int,
        Meta(ge=50, le=2000),
        key(
            "Longest silence of the operator's window or terminal before the host withholds its heartbeat.",
            "ms",
            Watch(Ring.HOST),
        ),
    ] = 300
    lost_tach_ms: Annotated[
        Annotated[int, Meta(ge=20, le=5000)] | None,
        key(
            "Longest time without a tach pulse while the motor is driven.",
            "ms",
            Watch(BOTH, channels=("rpm", "throttle_us"), rule="lost tach"),
            Slot("LOST_TACH_MS", FromRig(lambda ms: ms or 0)),
        ),
    ] = None
    start_tach_ms: Annotated[
        int,
        Meta(ge=100, le=10000),
        key("The same, for the first pulse after rest.", "ms", Watch(BOTH), Slot("START_TACH_MS", FromRig(int))),
    ] = 2000
    tach_jump_periods: Annotated[
        int,
        Meta(ge=2, le=30),
        key(
            "So many tach periods in a row, each longer or shorter by half than the last believed, trip.",
            "",
            Watch(Ring.DEVICE),
            Slot("TACH_JUMP_PERIODS", FromRig(int)),
        ),
    ] = 4
    load_cell_ms: Annotated[
        int,
        Meta(ge=30, le=250),
        key(
            "With thrust_n: longest time without a reading of the load cell.",
            "ms",
            Watch(Ring.DEVICE),
            Slot("LOAD_SILENCE_MS", FromRig(with_limit, ("limits.thrust_n",))),
        ),
    ] = 100
    frozen_samples: Annotated[
        int,
        Meta(ge=16, le=4000),
        key(
            "With vibration_g_rms: so many equal samples of one axis, and the accelerometer is not believed.",
            "",
            Watch(BOTH),
            Slot("FROZEN_SAMPLES", FromRig(with_limit, ("limits.vibration_g_rms",))),
        ),
    ] = 400
    stuck_servo_deg: Annotated[
        Positive | None,
        key(
            "Greatest permitted distance of the pitch servo's feedback from what its pulse commands.",
            "deg",
            Watch(Ring.DEVICE),
            Slot("STUCK_SERVO_COUNTS", FromRig(stuck_counts, (*FEEDBACK, "pitch.min_us", "pitch.max_us"))),
            Slot("SERVO_LOW_COUNTS", FromRig(low_feedback_counts, (*FEEDBACK, "pitch.min_us"))),
            Slot("SERVO_HIGH_COUNTS", FromRig(high_feedback_counts, (*FEEDBACK, "pitch.max_us"))),
        ),
    ] = None
    stuck_servo_ms: Annotated[
        int,
        Meta(ge=20, le=10000),
        key(
            "For so long it must be exceeded to trip: longer than the servo's whole way takes.",
            "ms",
            Watch(Ring.DEVICE),
            Slot("STUCK_SERVO_MS", FromRig(int)),
        ),
    ] = 1000
    supply_v: Annotated[
        Annotated[float, Meta(ge=2.0, le=6.0)] | None,
        key(
            "Least permitted supply of the microcontroller.",
            "V",
            Watch(Ring.DEVICE),
            Slot("SUPPLY_MV", FromRig(supply_mv)),
        ),
    ] = None
    device_confirm_ms: Annotated[
        int,
        Meta(ge=2, le=2000),
        key(
            "How long a slow channel must stay beyond its limit for the device to trip.",
            "ms",
            Watch(Ring.DEVICE),
            Slot("SLOW_CONFIRM_MS", FromRig(int)),
        ),
    ] = 20
    cut_proof_ms: Annotated[
        int,
        Meta(ge=100, le=20000),
        key(
            "After a cut, longest time without a fall of the speed by an eighth: else the cut failed.",
            "ms",
            Watch(Ring.DEVICE),
            Slot("CUT_PROOF_MS", FromRig(int)),
        ),
    ] = 3000
    cut_current_a: Annotated[
        Positive | None,
        key(
            "After a cut, greatest current, either way: else the cut failed.",
            "A",
            Watch(Ring.DEVICE),
            Slot("CUT_CURRENT_COUNTS", FromRig(current_distance_counts, ("calibration.current_a",))),
            Slot("CURRENT_ZERO_COUNTS", FromRig(zero_current_counts, ("calibration.current_a",))),
        ),
    ] = None
    confirm_ms: Annotated[
        int,
        Meta(ge=0, le=1000),
        key("How long a slow channel must stay beyond its limit to trip.", "ms", Watch(Ring.HOST)),
    ] = 0
    overspeed_confirm: Annotated[
        int,
        Meta(ge=1, le=10),
        key(
            "Consecutive tach pulses that end a turn beyond the limit, and so trip.",
            "",
            Watch(BOTH),
            Slot("OVERSPEED_CONFIRM", FromRig(int)),
        ),
    ] = 1
    vibration_window_samples: Annotated[
        int,
        Meta(ge=8, le=256),
        key("Samples over which vibration is judged.", "", Watch(BOTH), Slot("VIBRATION_WINDOW", FromRig(int))),
    ] = 64
    drift_1p_pct: Annotated[
        TrendPct,
        key(
            "Trend: how far the 1P vector may leave what the run learned at this speed and blade angle.",
            "%",
            Watch(
                Ring.HOST,
                "1P drift",
                channels=("vibration_g_rms", "rpm", "throttle_us"),
                rule="own 1P band",
                caution="the 1P vector left its own band: a crack, a blade that moved, a weight that shifted",
            ),
        ),
    ] = 40.0
    drift_thrust_pct: Annotated[
        TrendPct,
        key(
            "Trend: how far thrust over the square of the speed may leave what the run learned at this blade angle.",
            "%",
            Watch(
                Ring.HOST,
                "thrust drift",
                channels=("thrust_n", "rpm", "throttle_us"),
                rule="own thrust",
                caution="thrust left its own model: a loose pitch link, a blade that turned, a load cell that slips",
            ),
        ),
    ] = 12.0
    drift_current_pct: Annotated[
        TrendPct,
        key(
            "Trend: how far electric power over the cube of the speed may leave what the run learned, likewise.",
            "%",
            Watch(
                Ring.HOST,
                "current drift",
                channels=("current_a", "voltage_v", "rpm", "throttle_us"),
                rule="own current",
                caution="current left its own model: blade angle, bearings, a winding or the current sensor changed",
            ),
        ),
    ] = 15.0
    hunting_pct: Annotated[
        TrendPct,
        key(
            "Trend: how far the speed may swing by itself, peak, 0.5 to 4 Hz, while no command moves.",
            "%",
            Watch(
                Ring.HOST,
                "hunting",
                channels=("rpm", "throttle_us"),
                rule="hunting",
                caution="the speed is hunting: gains too high, or play in the pitch linkage",
            ),
        ),
    ] = 1.0
    sag_pct: Annotated[
        TrendPct,
        key(
            "Trend: how much less than at rest before the run the pack may give while it is driven.",
            "%",
            Watch(
                Ring.HOST,
                "pack sag",
                channels=("voltage_v", "throttle_us"),
                rule="pack sag",
                caution="the pack sags: nearly empty, a weak cell, or a contact that heats",
            ),
        ),
    ] = 20.0
    trend_trips: Annotated[
        tuple[Trend, ...],
        key("Trends that abort the run; all others are cautions.", "", Watch(Ring.HOST)),
    ] = ()


@dataclass(frozen=True)
class Limit:
    """A limit that a rule or a margin watches, as its row declares it."""

    key: str
    unit: str
    watch: Watch

    def value(self, limits: Limits) -> float | None:
        """The rig's number, None where it sets none."""
        value: float | None = getattr(limits, self.key)
        return value


# In the order of the rows. What a rule watches can trip, or, of a trend, cautions; what has a label has a margin.
_RULED: tuple[Limit, ...] = tuple(
    Limit(row.name, row.unit, row.watch) for row in keys_of(Limits) if row.watch is not None and row.watch.rule
)
WITH_RULE: tuple[Limit, ...] = tuple(limit for limit in _RULED if not limit.watch.caution)
WITH_MARGIN: tuple[Limit, ...] = tuple(limit for limit in WITH_RULE if limit.watch.label)
TRENDS: tuple[Limit, ...] = tuple(limit for limit in _RULED if limit.watch.caution)


def caution_words(rule: str, value: float, limit: float) -> str:
    """What a trend found, as every surface says it; KeyError for a rule that is no trend."""
    (trend,) = (one for one in TRENDS if one.key == rule)
    return f"{trend.watch.label} {value:.3g} {trend.unit}, limit {limit:.3g} {trend.unit}: {trend.watch.caution}"
