"""`[limits]`, one row a limit: range, unit, meaning, who watches it, the device's slot, channels, label and rule.

Whoever adds a limit writes a row here; a rule that exists already is named, a new one goes to ``safety.host_rules``
and, when the device has it too, to ``safety.device_rules`` and its twin in the sketch, with a slot in
``link.limit_table``.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Annotated

from msgspec import Meta

from whirlbench.physics.atmosphere import DRY_AIR_GAMMA, DRY_AIR_J_KG_K, ZERO_CELSIUS_K
from whirlbench.rig.declaration import FromRig, Positive, Ring, Section, Side, Slot, Watch, key, keys_of

STANDARD_TEMPERATURE_C = 15.0
TICKS_PER_MINUTE = 60 * 2_000_000  # tach periods are counted at 2 MHz
BOTH = Ring.DEVICE | Ring.HOST
WATCHED = Ring.HOST | Ring.ADVICE  # trips in a run, and bounds what check and limits advise


def overspeed_ticks(overspeed_rpm: float | None, clock_correction: float = 1.0) -> int:
    """Shortest permitted turn in ticks of 0.5 us of the device, rounded to the safe side; 0 without the limit.

    A turn is above the limit speed exactly when its whole ticks are below this number. ``clock_correction``: true
    speed over the speed that the device's clock gives.
    """
    return 0 if overspeed_rpm is None else math.ceil(TICKS_PER_MINUTE * clock_correction / overspeed_rpm)


def vibration_counts(vibration_g_rms: float | None, g_per_count: float) -> int:
    """Vibration limit in accelerometer counts, rounded to the safe side, at least 1; 0 without the limit."""
    return 0 if vibration_g_rms is None else max(1, math.floor(vibration_g_rms / g_per_count + 1e-9))


def speed_of_sound_m_s(temperature_c: float) -> float:
    """Speed of sound in dry air at ``temperature_c``, above -273.15; source: ISO 2533."""
    return math.sqrt(DRY_AIR_GAMMA * DRY_AIR_J_KG_K * (temperature_c + ZERO_CELSIUS_K))


def tip_mach_per_rpm(_: None, diameter_m: float | None, temperature_c: float | None) -> float:
    """Tip Mach number at rest for each rpm; without a temperature that of 15 C (standard), without diameter NaN."""
    celsius = STANDARD_TEMPERATURE_C if temperature_c is None else temperature_c
    return math.nan if diameter_m is None else math.pi * diameter_m / 60.0 / speed_of_sound_m_s(celsius)


TIP_MACH = FromRig(tip_mach_per_rpm, ("propeller.diameter_m", "air.temperature_c"))
ADVICE = Watch(Ring.ADVICE)


class Limits(Section, frozen=True):
    """`[limits]`: a key that is absent is a limit that is not applied."""

    overspeed_rpm: Annotated[
        Positive | None,
        key(
            "Greatest permitted speed of the propeller; arming needs it.",
            "rpm",
            Watch(BOTH, "overspeed", channels=("rpm",), rule="overspeed"),
            Slot("OVERSPEED_TICKS", FromRig(overspeed_ticks, ("tach.clock_correction",))),
        ),
    ] = None
    vibration_g_rms: Annotated[
        Positive | None,
        key(
            "Greatest permitted vibration over a window, all axes together, mean removed.",
            "g rms",
            Watch(BOTH, "vibration", channels=("vibration_g_rms",), rule="vibration window"),
            Slot("VIBRATION_COUNTS", FromRig(vibration_counts, ("vibration.g_per_count",))),
        ),
    ] = None
    current_a: Annotated[
        Positive | None,
        key(
            "Greatest permitted pack current, either way.",
            "A",
            Watch(WATCHED, "current", Side.SIZE, ("current_a",), rule="level"),
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
            Watch(WATCHED, "least voltage", Side.LOWER, ("voltage_v",), rule="level", while_driven=True),
        ),
    ] = None
    motor_torque_n_m: Annotated[Positive | None, key("Greatest torque of the motor.", "N m", ADVICE)] = None
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
            Watch(Ring.HOST, channels=("rpm", "throttle_us"), rule="lost tach"),
        ),
    ] = None
    start_tach_ms: Annotated[
        int, Meta(ge=100, le=10000), key("The same, for the first pulse after rest.", "ms", Watch(Ring.HOST))
    ] = 2000
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


# In the order of the rows. What a rule watches can trip; what has a label has a margin.
WITH_RULE: tuple[Limit, ...] = tuple(
    Limit(row.name, row.unit, row.watch) for row in keys_of(Limits) if row.watch is not None and row.watch.rule
)
WITH_MARGIN: tuple[Limit, ...] = tuple(limit for limit in WITH_RULE if limit.watch.label)
