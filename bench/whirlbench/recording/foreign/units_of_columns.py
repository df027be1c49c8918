"""Units that loggers write over their columns, by what the column is: `g` is a force over thrust, else an acceleration.

No library of units is asked: a heading's unit is an abbreviation whose meaning depends on the channel, in whatever case
the logger had ("MS" is milliseconds here, and megasiemens to such a library); forty rows say all that are taken.
Factors: exact by definition (foot-pound units 1959, standard gravity CGPM 1901).
"""

from __future__ import annotations

import math

from whirlbench.units import STANDARD_GRAVITY_M_S2

POUND_KG = 0.45359237
KILOGRAM_FORCE_N = STANDARD_GRAVITY_M_S2
TIME, SPEED, CURRENT, VOLTAGE, FORCE, PULSE, ANGLE, ACCELERATION = (
    "time", "speed", "current", "voltage", "force", "pulse", "angle", "acceleration",
)  # fmt: skip
PERCENT = "%"  # of travel: what a pulse it is, the rig says

QUANTITY = {
    "t_s": TIME, "rpm": SPEED, "speed_request_rpm": SPEED, "current_a": CURRENT, "voltage_v": VOLTAGE,
    "thrust_n": FORCE, "servo_us": PULSE, "throttle_us": PULSE, "pitch_deg": ANGLE,
    "ax_g": ACCELERATION, "ay_g": ACCELERATION, "az_g": ACCELERATION,
}  # fmt: skip
OWN_UNIT = {
    TIME: "s", SPEED: "rpm", CURRENT: "A", VOLTAGE: "V", FORCE: "N", PULSE: "us", ANGLE: "deg", ACCELERATION: "g",
}  # fmt: skip

# quantity -> (all spellings in lower case, factor to the channel's own unit)
_SPELLINGS: dict[str, tuple[tuple[str, float], ...]] = {
    TIME: (
        ("s sec secs second seconds", 1.0),
        ("ms msec msecs millis millisecond milliseconds", 1e-3),
        ("us µs μs usec micros microsecond microseconds", 1e-6),
        ("min mins minute minutes", 60.0),
        ("h hr hour hours", 3600.0),
    ),
    SPEED: (
        ("rpm r/min rev/min revs/min u/min 1/min min-1 min^-1", 1.0),
        ("krpm", 1000.0),
        ("hz rps rev/s 1/s s-1", 60.0),
        ("rad/s", 60.0 / (2.0 * math.pi)),
    ),
    CURRENT: (("a amp amps ampere amperes adc", 1.0), ("ma milliamp milliamps", 1e-3)),
    VOLTAGE: (("v volt volts vdc", 1.0), ("mv millivolt millivolts", 1e-3)),
    FORCE: (
        ("n newton newtons", 1.0),
        ("kn", 1000.0),
        ("mn", 1e-3),
        ("kgf kg kp kilogram kilograms", KILOGRAM_FORCE_N),
        ("gf g gram grams gr grf", KILOGRAM_FORCE_N / 1000.0),
        ("lbf lb lbs pound pounds", POUND_KG * KILOGRAM_FORCE_N),
        ("ozf oz ounce ounces", POUND_KG * KILOGRAM_FORCE_N / 16.0),
    ),
    PULSE: (("us µs μs usec", 1.0), ("ms msec", 1000.0)),
    ANGLE: (("deg degs degree degrees °", 1.0), ("rad", 180.0 / math.pi)),
    ACCELERATION: (("g gn", 1.0), ("mg", 1e-3), ("m/s2 m/s^2 m/s² ms-2", 1.0 / STANDARD_GRAVITY_M_S2)),
}
PERCENTS = ("%", "pct", "percent", "per cent", "% travel", "percent of travel", "% of travel")
FACTORS = {
    quantity: {spelling: factor for spellings, factor in rows for spelling in spellings.split()}
    for quantity, rows in _SPELLINGS.items()
}


def factor_of(unit: str, channel: str) -> float | None:
    """What a figure in ``unit`` is multiplied by to be one of ``channel``; None when the unit is none of its kind.

    >>> factor_of("kgf", "thrust_n"), factor_of("MS", "t_s"), factor_of("g", "ax_g"), factor_of("kgf", "rpm")
    (9.80665, 0.001, 1.0, None)
    """
    return FACTORS[QUANTITY[channel]].get(unit.strip().lower())


def is_percent(unit: str) -> bool:
    """Whether ``unit`` is a share of travel."""
    return unit.strip().lower() in PERCENTS


def is_unit(text: str) -> bool:
    """Whether ``text`` is a unit of any kind, of those known here."""
    plain = text.strip().lower()
    return plain in PERCENTS or any(plain in factors for factors in FACTORS.values()) or plain in OTHERS


def spellings(channel: str) -> str:
    """One spelling of each unit that ``channel`` may come in, for a complaint."""
    return ", ".join(words.split()[0] for words, _ in _SPELLINGS[QUANTITY[channel]])


# Units of columns that stay extra channels: told from the heading's name, kept as text.
OTHERS = frozenset(
    word
    for words in (
        "°c degc c °f degf f k",
        "w kw wh kwh mah ah",
        "nm n·m n*m ncm",
        "hpa mbar bar pa kpa",
        "m/s km/h m mm",
    )
    for word in words.split()
)
