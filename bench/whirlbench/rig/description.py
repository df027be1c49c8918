"""What is on the stand, as frozen descriptions with their validity rules.

Every section and nearly every key is optional: an analysis asks for what it uses with ``require`` and a missing key
is named to the user. Keys unknown to these classes are refused, so that a misspelt limit is never silently absent.
"""

from __future__ import annotations

import math
from itertools import pairwise
from typing import Annotated, Any, Literal

import msgspec
from msgspec import Meta, field

from whirlbench.errors import RigError
from whirlbench.rig.blade_sets import BladeSet
from whirlbench.rig.declaration import FromRig, NotNegative, Positive, Pulse, Section, Slot, key, value_at
from whirlbench.rig.limits import Limits, greatest_servo_us, least_servo_us
from whirlbench.units import LEAST_SAFE_PULSE_US, MIDDLE_NEUTRAL_CAP_US

SURE_ERRORS = 2.0  # standard errors by which a reading must pass an end to lie beyond it
PROLONGED = "prolonged"  # the word beside such a reading, on every surface
BladeCount = Annotated[int, Meta(ge=1, le=12)]


CheckLine = Annotated[str, Meta(min_length=1, max_length=160)]


def whole_us(pulse_us: float | None) -> int:
    """A pulse in whole microseconds; 0 where the rig gives none."""
    return 0 if pulse_us is None else round(pulse_us)


class Propeller(Section, frozen=True):
    """`[propeller]`: the disk."""

    blades: Annotated[BladeCount | None, key("Number of blades.", example=4)] = None
    diameter_m: Annotated[Positive | None, key("Diameter of the disk.", "m", example=0.56, within=(0.05, 3.0))] = None
    blade_set: Annotated[str | None, key("Which of [blade_sets.NAME] is fitted.")] = None
    inertia_kg_m2: Annotated[Positive | None, key("Inertia of the whole rotor about the shaft.", "kg m2")] = None
    fastener_torque_n_m: Annotated[
        Positive | None,
        key("Torque of the blades' fasteners as tightened, for the check-list.", "N m", within=(0.01, 100)),
    ] = None
    rotor_kg: Annotated[
        Positive | None, key("Mass of the whole rotor, hub, blades and spinner; for the balance grade.", "kg")
    ] = None
    coefficients: Annotated[
        tuple[tuple[float, float, float], ...] | None,
        key("Rows of pitch in degrees, thrust and power coefficient, as measured at rest."),
    ] = None
    coefficients_stderr_pct: Annotated[NotNegative | None, key("Standard error of the coefficients.", "%")] = None


class Air(Section, frozen=True):
    """`[air]`: density as measured, or the readings it follows from."""

    density_kg_m3: Annotated[Positive | None, key("Density, when it was measured.", "kg/m3", within=(0.3, 2.0))] = None
    temperature_c: Annotated[Annotated[float, Meta(ge=-60, le=60)] | None, key("Temperature of the air.", "C")] = None
    pressure_hpa: Annotated[
        Annotated[float, Meta(ge=300, le=1100)] | None, key("Pressure at the stand, not reduced to sea level.", "hPa")
    ] = None
    humidity_pct: Annotated[Annotated[float, Meta(ge=0, le=100)] | None, key("Relative humidity.", "%")] = None


class Tach(Section, frozen=True):
    """`[tach]`: the pulse pick-up."""

    pulses_per_rev: Annotated[
        int,
        Meta(ge=1, le=30),
        key("Pulses in a turn of the propeller, evenly spaced or not.", "", None, Slot("PULSES_PER_REV", FromRig(int))),
    ] = 1
    clock_correction: Annotated[
        float,
        Meta(ge=0.98, le=1.02),
        key("True speed over the speed shown, from a known frequency; a board's resonator may be off by 0.5 %."),
    ] = 1.0
    stderr_pct: Annotated[NotNegative | None, key("Standard error of the correction; absent: not known.", "%")] = None
    date: Annotated[str | None, key("Day of the calibration; absent: marks and clock were never compared.")] = None
    rest_ms: Annotated[
        int,
        Meta(ge=100, le=10000),
        key("Without a pulse for so long, the rotor is at rest.", "ms", None, Slot("REST_MS", FromRig(int))),
    ] = 1000


class Pitch(Section, frozen=True):
    """`[pitch]`: blade angle at 0.75 radius against servo pulse, as measured with a protractor."""

    table: Annotated[
        tuple[tuple[Pulse, float], ...] | None, key("Rows of servo pulse in us and blade angle in degrees, rising.")
    ] = None
    safe_us: Annotated[
        Pulse | None,
        key(
            "Where the servo goes after a trip; absent: it holds.", "us", None, Slot("SERVO_SAFE_US", FromRig(whole_us))
        ),
    ] = None
    min_us: Annotated[
        Pulse | None,
        key(
            "Shortest servo pulse that the device accepts; absent: the table's first.",
            "us",
            None,
            Slot("SERVO_MIN_US", FromRig(least_servo_us, ("pitch.table",))),
        ),
    ] = None
    max_us: Annotated[
        Pulse | None,
        key(
            "Longest servo pulse that the device accepts; absent: the table's last.",
            "us",
            None,
            Slot("SERVO_MAX_US", FromRig(greatest_servo_us, ("pitch.table",))),
        ),
    ] = None
    stderr_deg: Annotated[
        NotNegative,
        key("Standard error of the true blade angle against the reading: protractor, play of the linkage.", "deg"),
    ] = 0.1
    play_deg: Annotated[NotNegative | None, key("Play of the linkage, from end to end; absent: not known.", "deg")] = (
        None
    )
    play_stderr_deg: Annotated[NotNegative | None, key("Standard error of the play; absent: not known.", "deg")] = None
    date: Annotated[str | None, key("Day of the calibration.")] = None
    feedback: Annotated[bool, key("Whether a feedback potentiometer is wired.")] = False


class Mode(Section, frozen=True):
    """`[modes.NAME]`: one position of the condition lever."""

    min_pitch_deg: Annotated[float, key("Least blade angle of the position.", "deg", example=8)]
    max_pitch_deg: Annotated[float, key("Greatest blade angle of the position.", "deg", example=22)]
    rpm: Annotated[
        tuple[NotNegative, Positive], key("Lowest and highest speed of the position.", "rpm", example=[3500, 5300])
    ]
    max_throttle_pct: Annotated[float, Meta(gt=0, le=100), key("How far the position lets the throttle open.", "%")] = (
        100.0
    )
    powered: Annotated[
        bool,
        key("Whether the motor may be driven: then a failed governor must not reach the overspeed limit."),
    ] = True
    forbid_reverse: Annotated[bool, key("Whether thrust must stay above zero.")] = False


class Calibration(Section, frozen=True):
    """`[calibration.CHANNEL]`: counts to units, ``value = (counts - zero_counts) * units_per_count``, or a table."""

    unit: Annotated[str, key("Unit of the channel, as its name says.", example="A")]
    zero_counts: Annotated[float, key("Reading at zero.", "counts")] = 0.0
    units_per_count: Annotated[float | None, key("Gain; absent: by the table.", "units a count")] = None
    table: Annotated[
        tuple[tuple[float, float], ...] | None, key("Rows of counts and value, straight between points.")
    ] = None
    stderr_zero: Annotated[NotNegative, key("Standard error of the zero.", "units")] = 0.0
    stderr_gain_pct: Annotated[NotNegative, key("Standard error of the gain.", "%")] = 0.0
    residual: Annotated[NotNegative, key("Standard uncertainty of one reading: scatter and hysteresis.", "units")] = 0.0
    hysteresis: Annotated[
        NotNegative | None, key("Greatest gap between going up and down; absent: not known.", "units")
    ] = None
    span: Annotated[
        tuple[float, float] | None, key("Least and greatest value calibrated; beyond, the line is prolonged.", "units")
    ] = None
    date: Annotated[str | None, key("Day of the calibration.")] = None
    points: Annotated[
        tuple[tuple[float, float], ...] | None, key("Rows of counts and value that the fit was made from.")
    ] = None

    def stderr(self, value: float) -> float:
        """Standard error of a reading of ``value``, units; NaN where no part of it is known, which is not zero.

        Zero, gain and scatter are taken as independent (JCGM 100:2008, 5.1.2).
        """
        error = math.hypot(self.stderr_zero, self.stderr_gain_pct / 100.0 * value, self.residual)
        return error if error > 0.0 else math.nan

    def prolonged(self, value: float) -> bool:
        """Whether ``value`` lies beyond what was calibrated, by more than its own error; a span not given says no."""
        if self.span is None or math.isnan(value):
            return False
        low, high = sorted(self.span)
        error = self.stderr(value)
        spare = 0.0 if math.isnan(error) else SURE_ERRORS * error
        return not low - spare <= value <= high + spare


class Throttle(Section, frozen=True):
    """`[throttle]`: end points that the speed controller was taught."""

    safe_us: Annotated[
        float,
        Meta(ge=LEAST_SAFE_PULSE_US, le=MIDDLE_NEUTRAL_CAP_US),
        key(
            "Pulse that stops the motor; above 1200 only with middle_neutral.",
            "us",
            None,
            Slot("THROTTLE_SAFE_US", FromRig(whole_us)),
        ),
    ] = 1000.0
    middle_neutral: Annotated[
        bool,
        key("The controller's neutral lies in the middle of its range: needs a sketch built with MIDDLE_NEUTRAL."),
    ] = False
    min_us: Annotated[
        Pulse,
        key("Pulse from which the motor must turn: 0 % throttle.", "us", None, Slot("DRIVEN_US", FromRig(whole_us))),
    ] = 1100.0
    max_us: Annotated[
        Pulse,
        key("Pulse of the open throttle: 100 %.", "us", None, Slot("THROTTLE_MAX_US", FromRig(whole_us))),
    ] = 1900.0
    slew_us_per_s: Annotated[
        Positive,
        key(
            "Fastest rise of the throttle pulse; falling is never slowed.",
            "us/s",
            None,
            Slot("THROTTLE_SLEW_US_PER_S", FromRig(lambda slew: max(1, round(slew)))),  # 0 would be: without limit
        ),
    ] = 400.0
    rate_hz: Annotated[
        int,
        Meta(ge=40, le=400),
        key(
            "Pulses a second to the speed controller; as many as it takes.",
            "Hz",
            None,
            Slot("THROTTLE_RATE_HZ", FromRig(int)),
        ),
    ] = 400
    date: Annotated[str | None, key("Day on which the end points were found; absent: they are an assumption.")] = None

    def pulse_at_us(self, percent: float) -> float:
        """Pulse in us at ``percent`` of the taught range."""
        return self.min_us + (self.max_us - self.min_us) * percent / 100.0


class Transmitter(Section, frozen=True):
    """`[transmitter]`: the scale of servo travel, in which end points are set."""

    middle_us: Annotated[Pulse, key("Pulse at 0 %; the default is common practice, measure your own.", "us")] = 1500.0
    full_travel_us: Annotated[
        Annotated[float, Meta(gt=0, le=1500)],
        key("From 0 % to 100 %, either way; the default is common practice, measure your own.", "us"),
    ] = 500.0
    stderr_middle_us: Annotated[NotNegative | None, key("Standard error of the middle; absent: not known.", "us")] = (
        None
    )
    stderr_full_travel_us: Annotated[
        NotNegative | None, key("Standard error of the full travel; absent: not known.", "us")
    ] = None
    date: Annotated[str | None, key("Day on which it was measured; absent: the scale is an assumption.")] = None


class SpeedController(Section, frozen=True):
    """`[speed_controller]`: who governs, and what a request pulse means to a governing controller."""

    governs: Annotated[bool, key("Whether the speed controller governs rpm by itself.")] = False
    request_table: Annotated[
        tuple[tuple[Pulse, NotNegative], ...] | None, key("Rows of request pulse in us and speed in rpm, rising.")
    ] = None
    proportional: Annotated[NotNegative | None, key("Its own setting, noted for comparison.")] = None
    integral: Annotated[NotNegative | None, key("Its own setting, noted for comparison.")] = None
    pole_pairs: Annotated[Annotated[int, Meta(ge=1)] | None, key("Pole pairs of the motor.")] = None


class Governor(Section, frozen=True):
    """`[governor]`: the bench's own governor, in the microcontroller."""

    mode: Annotated[
        Literal["pass_through", "throttle", "pitch"], key("What the governor moves; pass_through: nothing.")
    ] = "pass_through"
    kp_us_per_rpm: Annotated[float, key("Proportional gain to the throttle.", "us/rpm")] = 0.0
    ki_us_per_rpm_s: Annotated[float, key("Integral gain to the throttle.", "us/(rpm s)")] = 0.0
    pitch_kp_us_per_rpm: Annotated[
        float, key("Proportional gain to the servo; negative where a longer pulse means more pitch.", "us/rpm")
    ] = 0.0
    pitch_ki_us_per_rpm_s: Annotated[float, key("Integral gain to the servo.", "us/(rpm s)")] = 0.0
    idle_us: Annotated[
        Pulse | None,
        key("Lowest throttle pulse it uses; the motor has to start at it; absent: 5 % throttle.", "us"),
    ] = None
    throttle_slew_us_per_s: Annotated[Positive, key("Fastest change of the throttle pulse.", "us/s")] = 2000.0
    pitch_slew_us_per_s: Annotated[Positive, key("Fastest change of the servo pulse.", "us/s")] = 2000.0


class Motor(Section, frozen=True):
    """`[motor]`: the electric machine and its gear."""

    kv_rpm_per_v: Annotated[Positive | None, key("Speed constant of the motor itself, before the gear.", "rpm/V")] = (
        None
    )
    resistance_ohm: Annotated[Positive | None, key("Resistance of motor and leads.", "ohm")] = None
    no_load_current_a: Annotated[NotNegative | None, key("Current of motor and gear, propeller off.", "A")] = None
    gear_ratio: Annotated[
        Positive, key("Motor turns in a turn of the propeller, 3.0 for a gear of 3 : 1; all rpm are the propeller's.")
    ] = 1.0


class Pack(Section, frozen=True):
    """`[pack]`: the battery."""

    cells: Annotated[Annotated[int, Meta(ge=1, le=24)] | None, key("Cells in series.")] = None
    resistance_ohm: Annotated[NotNegative | None, key("Resistance of the whole pack.", "ohm")] = None
    capacity_ah: Annotated[Positive | None, key("Capacity.", "Ah")] = None


class Servo(Section, frozen=True):
    """`[servo]`: what moves the pitch."""

    torque_n_m: Annotated[Positive | None, key("Torque that the servo can hold.", "N m")] = None
    slew_us_per_s: Annotated[Positive | None, key("How fast the servo follows its pulse.", "us/s")] = None
    rate_hz: Annotated[
        int,
        Meta(ge=40, le=400),
        key(
            "Pulses a second to the servo; more than 50 only for a digital one: an analogue servo may burn.",
            "Hz",
            None,
            Slot("SERVO_RATE_HZ", FromRig(int)),
        ),
    ] = 50
    lever_ratio: Annotated[
        Positive | None, key("Servo degrees for one degree of blade angle, all blades together.")
    ] = None


class Vibration(Section, frozen=True):
    """`[vibration]`: the accelerometer."""

    rate_hz: Annotated[Literal[800, 1344, 1600, 3200], key("Nominal sample rate.", "Hz")] = 1600
    g_per_count: Annotated[Positive, key("Acceleration of one count.", "g")] = 0.0039
    stderr_pct: Annotated[NotNegative | None, key("Standard error of the scale; absent: not known.", "%")] = None
    date: Annotated[str | None, key("Day of the calibration; absent: the scale is the data sheet's.")] = None
    band_hz: Annotated[tuple[NotNegative, Positive], key("Band in which levels are given.", "Hz")] = (10.0, 400.0)


class Stand(Section, frozen=True):
    """`[stand]`: the structure and its surroundings, for check-list and fragment range."""

    shaft_height_m: Annotated[Positive | None, key("Height of the shaft above ground.", "m", within=(0.1, 10.0))] = None
    can_yaw: Annotated[bool, key("Whether the stand can turn about the vertical.")] = False
    yaw_rate_deg_s: Annotated[NotNegative | None, key("How fast it may turn so.", "deg/s")] = None
    guard: Annotated[str | None, key("The guard in words, for the check-list.")] = None
    isolator: Annotated[str | None, key("The isolating switch in words, for the check-list.")] = None
    second_cut: Annotated[str | None, key("What the second cut opens, in words, for the check-list.")] = None
    check_list: Annotated[tuple[CheckLine, ...], key("Lines of your own for the check-list.")] = ()


class Rig(Section, frozen=True):
    """A whole rig file."""

    name: Annotated[str, key("Name of the rig, for titles.")] = ""
    propeller: Propeller = Propeller()
    blade_sets: Annotated[dict[str, BladeSet], key("Blade sets by name.", example="[blade_sets.moulded]")] = field(
        default_factory=dict
    )
    air: Air = Air()
    limits: Limits = Limits()
    tach: Tach = Tach()
    pitch: Pitch = Pitch()
    modes: Annotated[dict[str, Mode], key("Positions of the condition lever.", example="[modes.flight]")] = field(
        default_factory=dict
    )
    calibration: dict[str, Calibration] = field(default_factory=dict)
    throttle: Throttle = Throttle()
    transmitter: Transmitter = Transmitter()
    speed_controller: SpeedController = SpeedController()
    governor: Governor = Governor()
    motor: Motor = Motor()
    pack: Pack = Pack()
    servo: Servo = Servo()
    vibration: Vibration = Vibration()
    stand: Stand = Stand()


def require(rig: Rig, path: str, purpose: str) -> Any:
    """The value at ``path`` ("propeller.diameter_m"); a RigError names the key and ``purpose`` when it is absent."""
    value = value_at(rig, path)
    if value is None or value == {}:
        raise RigError(f"rig key {path} is missing: {purpose} needs it")
    return value


def require_number(rig: Rig, path: str, purpose: str) -> float:
    """Like ``require`` for a single number."""
    value = require(rig, path, purpose)
    if not isinstance(value, (int, float)) or not math.isfinite(value):
        raise RigError(f"rig key {path} is {value!r}: {purpose} needs a finite number")
    return float(value)


def servo_ends(rig: Rig) -> tuple[int, int]:
    """Lowest and highest servo pulse in us that the device accepts: the table's ends, narrowed by the rig's keys."""
    return least_servo_us(rig.pitch.min_us, rig.pitch.table), greatest_servo_us(rig.pitch.max_us, rig.pitch.table)


def pitch_ends_deg(rig: Rig) -> tuple[float, float]:
    """Least and greatest blade angle in degrees between the servo's end points; infinite without a pitch table."""
    if rig.pitch.table is None:
        return -math.inf, math.inf
    (first, angle), *rows = sorted(rig.pitch.table)
    pulses, angles = [first, *(row[0] for row in rows)], [angle, *(row[1] for row in rows)]
    ends = [_between(us, pulses, angles) for us in servo_ends(rig)]
    return min(ends), max(ends)


def _between(pulse_us: float, pulses: list[float], angles: list[float]) -> float:
    """Blade angle at ``pulse_us`` on the straight lines through rising ``pulses``; beyond them that of the end."""
    for (left, right), (low, high) in zip(pairwise(pulses), pairwise(angles), strict=True):
        if pulse_us <= right:
            return low + (high - low) * max(pulse_us - left, 0.0) / (right - left)
    return angles[-1]


def takes_requests(rig: Rig) -> bool:
    """Whether a plan for this rig asks for speeds: the bench's governor holds them, or the speed controller does."""
    controller = rig.speed_controller
    return rig.governor.mode != "pass_through" or (controller.governs and controller.request_table is not None)


def with_limits(rig: Rig, **values: float | tuple[str, ...] | None) -> Rig:
    """The same rig with keys of [limits] replaced, unchecked; None: not applied."""
    return msgspec.structs.replace(rig, limits=msgspec.structs.replace(rig.limits, **values))
