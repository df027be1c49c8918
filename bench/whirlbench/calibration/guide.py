"""The guide through a calibration: what to do for the next point, what is refused, and the table so far.

Pure: it knows no port and no surface. Terminal and window ask for ``setting``, have the operator do it, and give the
readings to ``take``; ``table`` is a points file at any moment, so that nothing is lost.
"""

from __future__ import annotations

import csv
import io
import math
from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass, field

import numpy as np

from whirlbench.calibration.sensor_ranges import ENDS
from whirlbench.calibration.steady_reading import SteadyReading
from whirlbench.errors import CalibrationError
from whirlbench.rig.description import Rig, servo_ends

STANDARD_GRAVITY = 9.80665  # m/s2; the pull of the earth differs from it by up to 0.3 % with place and height
APPROACH_US = 60.0  # from so far away a pulse is reached, so that the play lies on one side
PITCH_PULSES = 5
AXES = ("ax_g", "ay_g", "az_g")
TRAVEL_PCT = (0.0, 50.0, 100.0, 0.0, -50.0, -100.0)


@dataclass(frozen=True)
class Setting:
    """What to do for one point.

    ``text`` tells the operator. ``asks`` is the column whose number is typed, empty where nothing is; ``fixed`` are
    the columns that are known; ``reads`` are columns that are read, each the name of a signal. ``servo_us`` is where
    the servo is to stand, reached from ``approach_us``; both None where it is left alone.
    """

    text: str
    asks: str = ""
    fixed: Mapping[str, str] = field(default_factory=dict)
    reads: tuple[str, ...] = ()
    servo_us: float | None = None
    approach_us: float | None = None


@dataclass(frozen=True)
class Course:
    """The settings of one channel: ``columns`` of its points file, ``setting`` by the number of points taken.

    ``signals`` names the signal behind a column where they differ; ``least`` is how many points a fit needs.
    """

    columns: tuple[str, ...]
    setting: Callable[[int], Setting | None]
    least: int
    signals: Mapping[str, str] = field(default_factory=dict)
    unit: str = ""


class CalibrationGuide:
    """A calibration under way; ``rows`` are the points taken, in their order."""

    def __init__(self, channel: str, rig: Rig) -> None:
        """CalibrationError when ``channel`` has no guide, or ``rig`` lacks what it needs."""
        if channel not in COURSES:
            raise CalibrationError(f"{channel} cannot be calibrated with a guide; with one: {', '.join(COURSES)}")
        self.channel = channel
        self.course = COURSES[channel](rig)
        self.rows: list[dict[str, str]] = []

    @property
    def setting(self) -> Setting | None:
        """What to do next; None when every point is taken."""
        return self.course.setting(len(self.rows))

    @property
    def open_ended(self) -> bool:
        """Whether the operator says when there are enough points."""
        return self.course.setting(MANY) is not None

    def signal(self, column: str) -> str:
        """Name of the signal that ``column`` is read from."""
        return self.course.signals.get(column, column)

    def objection(self) -> str:
        """Why there is nothing to fit yet; empty when there is."""
        missing = self.course.least - len(self.rows)
        return f"{len(self.rows)} points taken, at least {self.course.least} are needed" if missing > 0 else ""

    def number(self, text: str) -> float:
        """What the operator typed, as the number of the column asked for; "1.25 kg" is a force in N."""
        weight = text.strip().lower().removesuffix("kg") if self.course.unit == "N" else text
        is_mass = self.course.unit == "N" and weight != text.strip().lower()
        try:
            value = float(weight.strip())
        except ValueError:
            value = math.nan
        if not math.isfinite(value):
            expected = "a number in N, or a mass as in 1.25 kg" if self.course.unit == "N" else "a number"
            raise CalibrationError(f"{text.strip()!r} was typed: expected {expected}")
        return value * STANDARD_GRAVITY if is_mass else value

    def take(self, typed: float | None, readings: Mapping[str, SteadyReading]) -> None:
        """Takes the point of the present setting; CalibrationError, and nothing taken, when a reading is none.

        ``readings`` by signal.
        """
        setting = self.setting
        if setting is None:
            raise CalibrationError("every point is taken")
        if setting.asks and (typed is None or not math.isfinite(typed)):
            raise CalibrationError(f"{setting.asks} was not typed")
        row = dict(setting.fixed)
        if setting.asks and typed is not None:
            row[setting.asks] = f"{typed:.10g}"
        for column in setting.reads:
            row[column] = f"{_believed(self.signal(column), readings).mean:.10g}"
        self.rows.append(row)

    def undo(self) -> None:
        """Takes the latest point back; nothing when there is none."""
        if self.rows:
            self.rows.pop()

    def table(self) -> str:
        """The points file so far, header included."""
        text = io.StringIO()
        writer = csv.DictWriter(text, self.course.columns, lineterminator="\n")
        writer.writeheader()
        writer.writerows(self.rows)
        return text.getvalue()


MANY = 100_000


def _believed(signal: str, readings: Mapping[str, SteadyReading]) -> SteadyReading:
    reading = readings.get(signal)
    if reading is None:
        raise CalibrationError(f"{signal} was not read")
    ends = ENDS.get(signal, (-math.inf, math.inf))
    if not ends[0] < reading.mean < ends[1]:
        raise CalibrationError(
            f"{signal} reads {reading.mean:g} counts, an end of the converter: the sensor is unplugged or overloaded; "
            "the point was not taken"
        )
    if reading.restless:
        raise CalibrationError(f"{signal}: {reading.restless}; wait until it stands still, and read again")
    return reading


def _line(channel: str, unit: str, first: str, other: str) -> Callable[[Rig], Course]:
    """A course of known values, typed; the first one is zero where ``first`` says how."""

    def setting(number: int) -> Setting:
        if number == 0 and first:
            return Setting(first, fixed={"value": "0"}, reads=("counts",))
        return Setting(other, asks="value", reads=("counts",))

    course = Course(("value", "counts"), setting, 3, {"counts": channel}, unit)
    return lambda rig: course


def _in_turn(
    settings: tuple[Setting, ...], columns: tuple[str, ...], signals: Mapping[str, str] | None = None
) -> Course:
    """A course whose settings are all known from the start."""
    return Course(
        columns, lambda number: settings[number] if number < len(settings) else None, len(settings), signals or {}
    )


def _vibration(_: Rig) -> Course:
    settings = tuple(
        Setting(
            f"Turn the accelerometer so that its {axis[1]} axis points {word} (towards the {where}), and let go.",
            fixed={"axis": axis, "side": side},
            reads=AXES,
        )
        for axis in AXES
        for side, word, where in (("up", "straight up", "sky"), ("down", "straight down", "ground"))
    )
    return _in_turn(settings, ("axis", "side", *AXES))


def _tach(_: Rig) -> Course:
    text = "Give the pick-up a known frequency (a lamp on the mains, a strobe held to the turning shaft); type its rpm"
    setting = Setting(text, asks="known_rpm", reads=("read_rpm",))
    return Course(("known_rpm", "read_rpm"), lambda _: setting, 3, {"read_rpm": "rpm"}, "rpm")


def _transmitter(_: Rig) -> Course:
    settings = tuple(
        Setting(f"Set the transmitter's servo travel to {pct:g} %, and type the pulse that a servo tester shows, in us",
                asks="pulse_us", fixed={"travel_pct": f"{pct:g}"})
        for pct in TRAVEL_PCT
    )  # fmt: skip
    return _in_turn(settings, ("travel_pct", "pulse_us"))


def servo_range(rig: Rig) -> tuple[int, int]:
    """Ends between which the servo may go: those of the device; before there is a table, the rig's own two keys."""
    pitch = rig.pitch
    if pitch.table is None and pitch.min_us is not None and pitch.max_us is not None:
        return round(pitch.min_us), round(pitch.max_us)
    return servo_ends(rig)


def pitch_pulses(rig: Rig, count: int = PITCH_PULSES) -> Iterator[tuple[float, bool]]:
    """Pulses from end to end of the servo's range and back, each with whether it is reached from below."""
    low, high = servo_range(rig)
    if high - low < 2 * APPROACH_US + count:
        raise CalibrationError(
            f"the servo's range is {low} to {high} us, too narrow to go through: give pitch.min_us and pitch.max_us, "
            "or have `whirlbench travel` find the ends"
        )
    pulses = [float(round(pulse)) for pulse in np.linspace(low + APPROACH_US, high - APPROACH_US, count)]
    yield from ((pulse, True) for pulse in pulses)
    yield from ((pulse, False) for pulse in reversed(pulses))


def _pitch(rig: Rig) -> Course:
    settings = tuple(
        Setting(
            f"The servo stands at {pulse:.0f} us, the stand is locked: put the pitch gauge on a blade at 0.75 radius, "
            "and type the angle in degrees",
            asks="angle_deg",
            fixed={"pulse_us": f"{pulse:g}", "from": "below" if from_below else "above"},
            servo_us=pulse,
            approach_us=pulse - APPROACH_US if from_below else pulse + APPROACH_US,
        )
        for pulse, from_below in pitch_pulses(rig)
    )
    return _in_turn(settings, ("pulse_us", "angle_deg", "from"))


def _feedback(rig: Rig) -> Course:
    settings = tuple(
        Setting(
            f"The servo stands at {pulse:.0f} us, the stand is locked: type the blade angle that the gauge shows",
            asks="value",
            reads=("counts",),
            servo_us=pulse,
            approach_us=pulse - APPROACH_US if from_below else pulse + APPROACH_US,
        )
        for pulse, from_below in pitch_pulses(rig)
    )
    return _in_turn(settings, ("value", "counts"), {"counts": "pitch_deg"})


COURSES: dict[str, Callable[[Rig], Course]] = {
    "thrust_n": _line(
        "thrust_n", "N",
        "Nothing pulls at the load cell: let it hang still (tare).",
        "Hang on the next mass, upwards, then down through the same ones; type the force in N, or as in 1.25 kg",
    ),
    "current_a": _line(
        "current_a", "A",
        "No current: open the isolator.",
        "Send a known current through the sensor from a bench supply, the motor unplugged; type it in A",
    ),
    "voltage_v": _line(
        "voltage_v", "V", "", "Put a known voltage on the sensor from a bench supply; type what a meter shows, in V"
    ),
    "pitch_deg": _feedback,
    "pitch": _pitch,
    "vibration": _vibration,
    "tach": _tach,
    "transmitter": _transmitter,
}  # fmt: skip
