"""What is on the stand, as frozen descriptions with their validity rules.

Every section and nearly every key is optional: an analysis asks for what it uses with ``require`` and a missing key
is named to the user. Keys unknown to these classes are refused, so that a misspelt limit is never silently absent.
"""

from __future__ import annotations

import math
from typing import Annotated, Literal, Union

import msgspec
from msgspec import Meta

from whirlbench.errors import RigError
from whirlbench.rig.blade_sets import BladeSet

Positive = Annotated[float, Meta(gt=0)]
NotNegative = Annotated[float, Meta(ge=0)]
Pulse = Annotated[float, Meta(ge=500, le=2500)]
BladeCount = Annotated[int, Meta(ge=1, le=12)]


class Section(msgspec.Struct, frozen=True, forbid_unknown_fields=True, omit_defaults=True):
    """Base of every table of the rig file."""


class Propeller(Section, frozen=True):
    """`[propeller]`: the disk."""

    blades: BladeCount | None = None
    diameter_m: Positive | None = None
    blade_set: str | None = None  # which of [blade_sets.NAME] is fitted
    inertia_kg_m2: Positive | None = None  # whole rotor, about the shaft
    rotor_kg: Positive | None = None  # whole rotor: hub, blades, spinner; for the balance grade
    coefficients: tuple[tuple[float, float, float], ...] | None = None  # [[pitch_deg, ct, cp], ...] measured at rest
    coefficients_stderr_pct: NotNegative | None = None


class Air(Section, frozen=True):
    """`[air]`: density as measured, or the readings it follows from."""

    density_kg_m3: Positive | None = None
    temperature_c: Annotated[float, Meta(ge=-60, le=60)] | None = None
    pressure_hpa: Annotated[float, Meta(ge=300, le=1100)] | None = None
    humidity_pct: Annotated[float, Meta(ge=0, le=100)] | None = None


class Limits(Section, frozen=True):
    """`[limits]`: a key that is absent is a limit that is not applied."""

    overspeed_rpm: Positive | None = None
    vibration_g_rms: Positive | None = None
    current_a: Positive | None = None
    thrust_n: Positive | None = None
    power_w: Positive | None = None
    tip_mach: Annotated[float, Meta(gt=0, lt=1)] | None = None
    minimum_voltage_v: Positive | None = None
    motor_torque_n_m: Positive | None = None
    servo_torque_n_m: Positive | None = None
    root_reserve_factor: Positive | None = None
    throttle_headroom_pct: Annotated[float, Meta(ge=0, lt=100)] | None = None
    heartbeat_ms: Annotated[int, Meta(ge=20, le=2000)] = 100
    surface_ms: Annotated[int, Meta(ge=50, le=2000)] = 300  # longest silence of the operator's window or terminal
    lost_tach_ms: Annotated[int, Meta(ge=20, le=5000)] | None = None
    start_tach_ms: Annotated[int, Meta(ge=100, le=10000)] = 2000  # the same, for the first pulse after rest
    confirm_ms: Annotated[int, Meta(ge=0, le=1000)] = 0  # a slow channel trips when beyond its limit for so long
    overspeed_confirm: Annotated[int, Meta(ge=1, le=10)] = 1  # consecutive short tach periods
    vibration_window_samples: Annotated[int, Meta(ge=8, le=256)] = 64


class Tach(Section, frozen=True):
    """`[tach]`: the pulse pick-up."""

    pulses_per_rev: Annotated[int, Meta(ge=1, le=60)] = 1
    rest_ms: Annotated[int, Meta(ge=100, le=10000)] = 1000  # without a pulse for so long, the rotor is at rest


class Pitch(Section, frozen=True):
    """`[pitch]`: blade angle at 0.75 radius against servo pulse, as measured with a protractor."""

    table: tuple[tuple[Pulse, float], ...] | None = None
    safe_us: Pulse | None = None  # where the servo goes after a trip; absent: it holds
    min_us: Pulse | None = None  # end points that the device enforces; absent: the table's ends
    max_us: Pulse | None = None
    stderr_deg: NotNegative = 0.1  # of the true blade angle against the reading: protractor, play of the linkage
    feedback: bool = False  # whether a feedback potentiometer is wired


class Mode(Section, frozen=True):
    """`[modes.NAME]`: one position of the condition lever."""

    min_pitch_deg: float
    max_pitch_deg: float
    rpm: tuple[NotNegative, Positive]
    max_throttle_pct: Annotated[float, Meta(gt=0, le=100)] = 100.0  # how far the lever position lets the throttle open
    powered: bool = True  # whether the motor may be driven: then a failed governor must not reach the overspeed limit
    forbid_reverse: bool = False  # whether thrust must stay above zero


class Calibration(Section, frozen=True):
    """`[calibration.CHANNEL]`: counts to units, ``value = (counts - zero_counts) * units_per_count``, or a table."""

    unit: str
    zero_counts: float = 0.0
    units_per_count: float | None = None
    table: tuple[tuple[float, float], ...] | None = None  # [[counts, value], ...], straight between points
    stderr_zero: NotNegative = 0.0  # standard errors in units
    stderr_gain_pct: NotNegative = 0.0
    residual: NotNegative = 0.0  # scatter of the points about the fit, in units
    points: tuple[tuple[float, float], ...] | None = None  # what the fit was made from


class Throttle(Section, frozen=True):
    """`[throttle]`: end points that the speed controller was taught."""

    safe_us: Pulse = 1000.0
    min_us: Pulse = 1100.0
    max_us: Pulse = 1900.0
    slew_us_per_s: Positive = 400.0


class SpeedController(Section, frozen=True):
    """`[speed_controller]`: who governs, and what a request pulse means to a governing controller."""

    governs: bool = False
    request_table: tuple[tuple[Pulse, NotNegative], ...] | None = None  # [[pulse_us, rpm], ...]
    proportional: NotNegative | None = None  # its own unit-less settings, noted for comparison
    integral: NotNegative | None = None
    pole_pairs: Annotated[int, Meta(ge=1)] | None = None


class Governor(Section, frozen=True):
    """`[governor]`: the bench's own governor, in the microcontroller."""

    mode: Literal["pass_through", "throttle", "pitch"] = "pass_through"
    kp_us_per_rpm: float = 0.0
    ki_us_per_rpm_s: float = 0.0
    pitch_kp_us_per_rpm: float = 0.0
    pitch_ki_us_per_rpm_s: float = 0.0
    idle_us: Pulse | None = None  # lowest throttle pulse it uses; the motor has to start at it. Absent: 5 % throttle
    throttle_slew_us_per_s: Positive = 2000.0
    pitch_slew_us_per_s: Positive = 2000.0


class Motor(Section, frozen=True):
    """`[motor]`: the electric machine and its gear."""

    kv_rpm_per_v: Positive | None = None
    resistance_ohm: Positive | None = None
    no_load_current_a: NotNegative | None = None
    gear_ratio: Positive = 1.0  # motor turns per propeller turn


class Pack(Section, frozen=True):
    """`[pack]`: the battery."""

    cells: Annotated[int, Meta(ge=1, le=24)] | None = None
    resistance_ohm: NotNegative | None = None
    capacity_ah: Positive | None = None


class Servo(Section, frozen=True):
    """`[servo]`: what moves the pitch."""

    torque_n_m: Positive | None = None
    slew_us_per_s: Positive | None = None
    lever_ratio: Positive | None = None  # servo degrees per blade degree, all blades together


class Vibration(Section, frozen=True):
    """`[vibration]`: the accelerometer."""

    rate_hz: Literal[800, 1600, 3200] = 1600
    g_per_count: Positive = 0.0039
    band_hz: tuple[NotNegative, Positive] = (10.0, 400.0)


class Stand(Section, frozen=True):
    """`[stand]`: the structure and its surroundings, for check-list and fragment range."""

    shaft_height_m: Positive | None = None
    can_yaw: bool = False
    yaw_rate_deg_s: NotNegative | None = None
    guard: str | None = None
    isolator: str | None = None


class Rig(Section, frozen=True):
    """A whole rig file."""

    name: str = ""
    propeller: Propeller = Propeller()
    blade_sets: dict[str, BladeSet] = {}
    air: Air = Air()
    limits: Limits = Limits()
    tach: Tach = Tach()
    pitch: Pitch = Pitch()
    modes: dict[str, Mode] = {}
    calibration: dict[str, Calibration] = {}
    throttle: Throttle = Throttle()
    speed_controller: SpeedController = SpeedController()
    governor: Governor = Governor()
    motor: Motor = Motor()
    pack: Pack = Pack()
    servo: Servo = Servo()
    vibration: Vibration = Vibration()
    stand: Stand = Stand()


def require(rig: Rig, path: str, purpose: str) -> Union[float, int, str, tuple, Section, dict]:  # noqa: UP007
    """The value at ``path`` ("propeller.diameter_m"); a RigError names the key and ``purpose`` when it is absent."""
    value: object = rig
    for part in path.split("."):
        value = value.get(part) if isinstance(value, dict) else getattr(value, part)
    if value is None or value == {}:
        raise RigError(f"rig key {path} is missing: {purpose} needs it")
    return value  # type: ignore[return-value]


def require_number(rig: Rig, path: str, purpose: str) -> float:
    """Like ``require`` for a single number."""
    value = require(rig, path, purpose)
    if not isinstance(value, (int, float)) or not math.isfinite(value):
        raise RigError(f"rig key {path} is {value!r}: {purpose} needs a finite number")
    return float(value)
