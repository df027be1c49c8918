"""Which column is which channel, in which unit: by heading, by unit, and by what the figures allow.

A heading that fits two channels, two columns that fit one, and a unit that the figures leave open are refused, with the
option that decides. What fits nothing stays as an extra channel.
"""

from __future__ import annotations

import re
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from whirlbench.errors import RecordingError
from whirlbench.recording.csv_exchange import AXIS_NAMES
from whirlbench.recording.foreign.column import ForeignColumn, ForeignTable
from whirlbench.recording.foreign.column_map import ColumnRule
from whirlbench.recording.foreign.times import factors_that_fit, seconds_of_clock
from whirlbench.recording.foreign.units_of_columns import (
    OWN_UNIT,
    PERCENT,
    PULSE,
    QUANTITY,
    factor_of,
    is_percent,
    is_unit,
)

# Headings in plain words (lower case, without unit and signs) of each channel. Common practice, no source.
HEADINGS = {
    "t_s": r"t|time|timestamp|time ?stamp|elapsed( time)?|run ?time|log ?time|clock|date ?time|seconds|millis|millisec"
    r"onds|milliseconds|micros|microseconds",
    "speed_request_rpm": r"(rpm|speed) (request|setpoint|set point|target|demand|command(ed)?)"
    r"|(requested|target|commanded|desired|set) (rpm|speed)",
    "rpm": r"rpm|(motor|shaft|rotor|prop|propeller|rotation(al)?|engine) ?(speed|rpm)"
    r"|revs|revolutions|rot speed|speed rpm",
    "current_a": r"current|amps?|i|(pack|batt(ery)?|esc|motor|total) ?(current|amps?)",
    "voltage_v": r"voltage|volts?|u|(pack|batt(ery)?|esc|motor|supply) ?(voltage|volts?)",
    "thrust_n": r"thrust|pull|force|load( cell)?|static thrust",
    "servo_us": r"(pitch )?servo( (pulse|pwm|us|out(put)?))?",
    "pitch_deg": r"pitch( angle)?|blade (angle|pitch)|(prop|propeller) pitch",
    "throttle_us": r"throttle( (pulse|pwm|us|out(put)?|in(put)?|command))?|thr|esc (pulse|pwm|signal|input)|pwm",
    "ax_g": r"(a|acc|accel|acceleration|vib|vibration) ?x",
    "ay_g": r"(a|acc|accel|acceleration|vib|vibration) ?y",
    "az_g": r"(a|acc|accel|acceleration|vib|vibration) ?z",
}
SHAKING_WORDS = re.compile(r"\b(acc|accel|acceleration|vib|vibration|shock|g force)\b")
ELECTRICAL = r"e ?rpm|electrical (rpm|speed)|erpm"  # needs the pole pairs, which no heading tells
BRACKETED = re.compile(r"(.*?)[\s_]*[(\[{<]\s*([^)\]}>]*?)\s*[)\]}>]\s*(.*)")
TRAILING = re.compile(r"(.+?)(?:\s*[,/]\s*|[\s_]+)([^\s_,]+)")
HUNDREDS = re.compile(r"(.*?)\s*(?:[x×*]\s*(10{1,3})|/\s*(10{1,3}))\s*(.*)", re.IGNORECASE)
# What a bare figure may be: (unit, least and greatest size of the largest reading in that unit). Only where one row
# fits is the unit taken. A stand's pack has 3 to 1000 V, a run takes 1 to 2000 A. Common practice, no source.
BARE = {
    "current_a": (("A", 1.0, 999.0), ("mA", 2e3, 2e6)),
    "voltage_v": (("V", 3.0, 999.0), ("mV", 3e3, 1e6)),
    "rpm": (("rpm", 500.0, 1e5),),
    "speed_request_rpm": (("rpm", 500.0, 1e5),),
    "servo_us": (("us", 500.0, 2600.0),),
    "throttle_us": (("us", 500.0, 2600.0),),
}
ANGLE_WORDS = ("angle",)  # what else is called pitch may be a share of travel
ASKED_UNITS = {
    "thrust_n": ("N", "kgf", "g", "lbf"), "current_a": ("A", "mA"), "voltage_v": ("V", "mV"), "t_s": ("s", "ms"),
    "rpm": ("rpm", "Hz"), "speed_request_rpm": ("rpm", "Hz"), "servo_us": ("us", "%"), "throttle_us": ("us", "%"),
    "pitch_deg": ("deg", "rad"), "ax_g": ("g", "m/s2"), "ay_g": ("g", "m/s2"), "az_g": ("g", "m/s2"),
}  # fmt: skip


@dataclass(frozen=True)
class Meaning:
    """What a column was taken for: ``channel`` empty for an extra channel; figures times ``factor`` plus ``offset``.

    ``unit`` as understood; ``why`` in words where it was not simply written there.
    """

    column: ForeignColumn
    channel: str
    unit: str
    factor: float = 1.0
    offset: float = 0.0
    why: str = ""

    def values(self) -> np.ndarray:
        """The column in the channel's own unit, (n,)."""
        if self.column.texts:
            return seconds_of_clock(self.column.texts)
        return self.column.values * self.factor + self.offset


def recognise(
    table: ForeignTable, channels: Sequence[str], rules: Sequence[ColumnRule], pulses: PulseScales
) -> tuple[Meaning, ...]:
    """What each column of ``table`` is, of ``channels``; columns of words that are no times are left out.

    ``rules`` go before all recognition. RecordingError in one line names every option to add.
    """
    named = _named_by_rules(table, rules)
    found: list[Meaning] = []
    asked: list[str] = []
    for column in table.columns:
        rule = named.get(column.heading)
        try:
            meaning = (
                _by_rule(table, column, rule, channels, pulses)
                if rule
                else _by_heading(table, column, channels, named, pulses)
            )
        except OpenQuestion as question:
            asked.append(str(question))
            continue
        if meaning is not None:
            found.append(meaning)
    asked += _twice(found)
    if asked:
        raise RecordingError(f"{table.source}: {'; '.join(dict.fromkeys(asked))}")
    return tuple(found)


class OpenQuestion(Exception):
    """What only the user can tell of a column, with the option that tells it."""


@dataclass(frozen=True)
class PulseScales:
    """Pulse at 0 % and change of it for each %, of throttle and servo, where a rig tells them."""

    throttle: tuple[float, float] | None = None
    servo: tuple[float, float] | None = None

    def of(self, channel: str) -> tuple[float, float] | None:
        """Those of ``channel``."""
        return {"throttle_us": self.throttle, "servo_us": self.servo}.get(channel)


def _named_by_rules(table: ForeignTable, rules: Sequence[ColumnRule]) -> dict[str, ColumnRule]:
    headings = [column.heading for column in table.columns]
    found = {}
    for rule in rules:
        matches = [one for one in headings if one == rule.heading] or [
            one for one in headings if one.strip().lower() == rule.heading.lower()
        ]
        if len(matches) != 1:
            fault = "there is no column of that heading" if not matches else "several columns have that heading"
            raise RecordingError(f'{table.source}: --map "{rule.heading}=…": {fault}; found {", ".join(headings)}')
        found[matches[0]] = rule
    return found


def _by_rule(
    table: ForeignTable, column: ForeignColumn, rule: ColumnRule, channels: Sequence[str], pulses: PulseScales
) -> Meaning | None:
    unit = name_and_unit(column)[1]
    if rule.channel in AXIS_NAMES and rule.channel not in channels:
        raise OpenQuestion(
            f"column {column.heading!r} cannot be {rule.channel} in a file of slow readings: give acceleration as it "
            f'swings in a file of its own with --vibration, or keep the column with --map "{column.heading}=extra"'
        )
    if rule.channel not in channels:  # kept as it is; or meant for another file of the run with such a heading
        return Meaning(column, "", unit, why="as mapped")
    if column.texts:
        return _clock(table, column, rule.channel)
    if rule.percent or (rule.factor is None and is_percent(unit)):
        return _of_travel(column, rule.channel, pulses, rule.factor or 1.0)
    if rule.factor is None:
        factor = factor_of(unit, rule.channel) if unit else 1.0
        if factor is None:
            raise OpenQuestion(_which_unit(column, rule.channel))
        return Meaning(column, rule.channel, unit or OWN_UNIT[QUANTITY[rule.channel]], factor, rule.offset, "as mapped")
    return Meaning(column, rule.channel, f"× {rule.factor:g}", rule.factor, rule.offset, "as mapped")


def _clock(table: ForeignTable, column: ForeignColumn, channel: str) -> Meaning | None:
    """A column of words: times of the clock, or nothing that can be drawn."""
    if channel == "t_s" and np.isfinite(seconds_of_clock(column.texts)).mean() > 0.9:
        return Meaning(column, "t_s", "clock", why="counted from the first row")
    if channel:
        raise OpenQuestion(
            f'column {column.heading!r} holds no figures: leave it out with --map "{column.heading}=extra"'
        )
    return None


def _by_heading(
    table: ForeignTable,
    column: ForeignColumn,
    channels: Sequence[str],
    named: dict[str, ColumnRule],
    pulses: PulseScales,
) -> Meaning | None:
    name, unit = name_and_unit(column)
    channel = channel_of(name, unit, channels)
    if channel and channel in {rule.channel for rule in named.values()}:
        channel = ""  # somebody said which column it is; this is another
    if column.texts:
        return _clock(table, column, channel if channel == "t_s" else "")
    if not channel:
        return Meaning(column, "", unit)
    if column.heading.strip() in channels and not column.unit:  # our own names tell the unit
        return Meaning(column, channel, OWN_UNIT[QUANTITY[channel]])
    hundreds = HUNDREDS.fullmatch(name) or HUNDREDS.fullmatch(unit)
    if hundreds:
        return _scaled(column, channel, hundreds)
    if is_percent(unit):
        return _of_travel(column, channel, pulses)
    if unit:
        factor = factor_of(unit, channel)
        if factor is None:
            raise OpenQuestion(_which_unit(column, channel))
        return Meaning(column, channel, unit, factor)
    return _bare(column, channel, name)


def name_and_unit(column: ForeignColumn) -> tuple[str, str]:
    """The heading in plain lower-case words, and its unit: from the row of units, from brackets, or its last word.

    >>> name_and_unit(ForeignColumn("Time(ms)", "", np.empty(0)))
    ('time', 'ms')
    >>> name_and_unit(ForeignColumn("Motor_Speed_RPM", "", np.empty(0)))
    ('motor speed', 'rpm')
    """
    heading = column.heading.strip()
    unit = column.unit.strip()
    found = BRACKETED.fullmatch(heading)
    if found:
        heading, unit = f"{found[1]} {found[3]}".strip(), unit or found[2].strip()
    name = _words(heading)
    if not unit and not found:
        tail = TRAILING.fullmatch(heading)
        if tail and is_unit(tail[2]):
            name, unit = _words(tail[1]), tail[2].lower()
        elif re.fullmatch(r"e?rpm", name):
            unit = "rpm"
        elif name in NAMED_FOR_UNIT:
            unit = NAMED_FOR_UNIT[name]
    return name, unit


def could_be(meaning: Meaning, taken: Sequence[str], channels: Sequence[str]) -> tuple[str, ...]:
    """Channels of ``channels`` that nothing else was ``taken`` for and that the unit of an extra column allows.

    Its heading says nothing of the kind, so only the user can tell; a share of travel is a pulse's.

    >>> could_be(Meaning(ForeignColumn("Ibat [A]", "", np.empty(0)), "", "A"), ("rpm",), ("rpm", "current_a"))
    ('current_a',)
    """
    if meaning.channel or meaning.column.texts or meaning.why or not meaning.unit:
        return ()
    free = [one for one in channels if one not in taken]
    if is_percent(meaning.unit):
        return tuple(one for one in free if QUANTITY[one] == PULSE)
    return tuple(one for one in free if factor_of(meaning.unit, one) is not None)


def is_acceleration(meaning: Meaning) -> bool:
    """Whether a column reads as acceleration, by its heading or by a unit that is no force's."""
    name, unit = name_and_unit(meaning.column)
    named = any(re.fullmatch(HEADINGS[axis], name) for axis in AXIS_NAMES) or bool(SHAKING_WORDS.search(name))
    if factor_of(unit, "ax_g") is None:
        return named and not unit
    return named or factor_of(unit, "thrust_n") is None


NAMED_FOR_UNIT = {
    "seconds": "s", "millis": "ms", "milliseconds": "ms", "micros": "us", "microseconds": "us",
    "amps": "A", "volts": "V",
}  # fmt: skip


def _words(text: str) -> str:
    apart = re.sub(r"(?<=[a-z])(?=[A-Z])", " ", text)
    return " ".join(re.findall(r"[\w×*/.]+", apart.replace("_", " ").lower()))


def channel_of(name: str, unit: str, channels: Sequence[str]) -> str:
    """The channel of ``channels`` that a heading in plain words stands for, empty for none."""
    bare = HUNDREDS.sub(r"\1", name).strip() if HUNDREDS.fullmatch(name) else name
    if re.fullmatch(ELECTRICAL, bare):
        return ""
    for channel in channels:
        if name == _words(channel) or re.fullmatch(HEADINGS[channel], bare):
            return channel
    if "rpm" in channels and bare == "speed" and factor_of(unit, "rpm") is not None:
        return "rpm"
    with_unit = f"{bare} {unit}".strip().lower()
    return next((one for one in channels if with_unit == _words(one)), "")


def _which_unit(column: ForeignColumn, channel: str) -> str:
    units = ASKED_UNITS[channel]
    options = " or ".join(f'--map "{column.heading}={channel}*{unit}"' for unit in units)
    return f"column {column.heading!r}: its unit is not certain; add {options}"


def _scaled(column: ForeignColumn, channel: str, found: re.Match[str]) -> Meaning:
    """A heading such as RPM×100: figures in hundreds, if the figures say so."""
    power = float(found[2] or found[3])
    largest = _largest(column.values)
    low, high = BARE.get(channel, ((OWN_UNIT[QUANTITY[channel]], 0.0, 0.0),))[0][1:]
    fits = {factor: low <= largest * factor <= high for factor in (power, 1.0 / power, 1.0)}
    taken = [factor for factor, fitting in fits.items() if fitting]
    if len(taken) != 1 or taken[0] == 1.0:
        options = " or ".join(f'--map "{column.heading}={channel}{sign}{power:g}"' for sign in "*/")
        raise OpenQuestion(f"column {column.heading!r}: it is not certain which way the factor goes; add {options}")
    return Meaning(column, channel, f"× {taken[0]:g}", taken[0], why="the figures fit only so")


def _of_travel(column: ForeignColumn, channel: str, pulses: PulseScales, factor: float = 1.0) -> Meaning:
    scale = pulses.of(channel)
    if scale is None:
        example = f'--map "{column.heading}={channel}*8+1100" (µs for each %, and µs at 0 %)'
        rig = (
            "add --rig RIG, whose end points it is a share of, or "
            if channel in ("throttle_us", "servo_us")
            else "add "
        )
        raise OpenQuestion(f"column {column.heading!r} is a share of travel: {rig}{example}")
    at_zero, each = scale
    return Meaning(column, channel, PERCENT, each * factor, at_zero, "by the rig's end points")


def _bare(column: ForeignColumn, channel: str, name: str) -> Meaning:
    """A heading without a unit: the one that alone fits the figures."""
    if channel == "t_s":
        fitting = factors_that_fit(column.values)
        if len(fitting) == 1:
            unit, factor = next(iter(fitting.items()))
            return Meaning(column, channel, unit, factor, why="the figures fit no other unit")
        raise OpenQuestion(_which_unit(column, channel))
    largest = _largest(column.values)
    if channel == "pitch_deg" and any(word in name for word in ANGLE_WORDS) and 2.0 < largest <= 90.0:
        return Meaning(column, channel, "deg", why="an angle, and the figures fit no other unit")
    fits = [unit for unit, low, high in BARE.get(channel, ()) if low <= largest <= high]
    if len(fits) != 1:
        raise OpenQuestion(_which_unit(column, channel))
    return Meaning(column, channel, fits[0], factor_of(fits[0], channel) or 1.0, why="the figures fit no other unit")


def _largest(values: np.ndarray) -> float:
    """The largest size but for one reading in a hundred, which may be a fault."""
    known = np.abs(values[np.isfinite(values)])
    return float(np.quantile(known, 0.99)) if len(known) else 0.0


def _twice(found: Sequence[Meaning]) -> list[str]:
    """A complaint for each channel that several columns were taken for."""
    asked = []
    for channel in dict.fromkeys(one.channel for one in found if one.channel):
        columns = [one.column.heading for one in found if one.channel == channel]
        if len(columns) > 1:
            options = " or ".join(f'--map "{heading}={channel}"' for heading in columns)
            asked.append(
                f"columns {' and '.join(map(repr, columns))} both read as {channel}: add "
                f"{options}; the other is kept as an extra channel"
            )
    return asked
