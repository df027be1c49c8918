"""Sizes that a propeller of this class can have: what lies far outside is a slip of the unit, and is told as one.

A key declares its own range (``within``); a key that declares none keeps to that of its unit. The ranges are wide, from
a palm-sized propeller to the largest of model aircraft and beyond: common practice, no source.
"""

from __future__ import annotations

from collections.abc import Iterator

from whirlbench.rig.declaration import Key, Section, keys_of

WITHIN: dict[str, tuple[float, float]] = {
    "m": (1e-5, 2.0),
    "mm": (1e-4, 100.0),
    "kg": (1e-4, 50.0),
    "kg/m": (1e-4, 20.0),
    "m2": (1e-8, 0.1),
    "kg m2": (1e-8, 10.0),
    "kg/m3": (100.0, 12_000.0),
    "GPa": (0.05, 500.0),
    "MPa": (0.05, 3000.0),
    "N": (0.1, 1e6),
    "N m": (1e-3, 500.0),
    "ohm": (1e-5, 10.0),
    "A": (0.01, 1000.0),
    "Ah": (0.05, 200.0),
    "rpm/V": (5.0, 20_000.0),
}
# What one unit of the key is in units that are typed by mistake.
SLIPS: dict[str, tuple[tuple[str, float], ...]] = {
    "m": (("mm", 1e3), ("cm", 1e2), ("in", 39.37)),
    "mm": (("m", 1e-3), ("um", 1e3)),
    "kg": (("g", 1e3),),
    "kg/m": (("g/m", 1e3),),
    "m2": (("mm2", 1e6), ("cm2", 1e4)),
    "kg m2": (("kg cm2", 1e4), ("g cm2", 1e7), ("kg mm2", 1e6)),
    "kg/m3": (("g/cm3", 1e-3),),
    "GPa": (("MPa", 1e3), ("Pa", 1e9), ("psi", 145_038.0)),
    "MPa": (("psi", 145.038), ("Pa", 1e6), ("kPa", 1e3), ("GPa", 1e-3)),
    "N": (("kN", 1e-3),),
    "N m": (("N cm", 1e2), ("N mm", 1e3)),
    "ohm": (("milliohm", 1e3),),
    "A": (("mA", 1e3),),
    "Ah": (("mAh", 1e3),),
}


def size_complaints(rig: Section) -> Iterator[str]:
    """One line for every number that no propeller of this class has, with the unit it was likely meant in."""
    yield from _section_complaints("", rig)


def likely_slip(value: float, unit: str, within: tuple[float, float]) -> str:
    """What ``value`` would be, had it been typed in a unit that brings it ``within``; empty where none does."""
    meant = [(other, value / per_unit) for other, per_unit in SLIPS.get(unit, ())]
    told = [
        f"{value:g} {other} would be {size:.4g} {unit}" for other, size in meant if within[0] <= abs(size) <= within[1]
    ]
    return "".join(f"; {one}" for one in told)


def _section_complaints(path: str, section: Section) -> Iterator[str]:
    for row in keys_of(type(section)):
        yield from _value_complaints(f"{path}{row.name}", getattr(section, row.name), row)


def _value_complaints(path: str, value: object, row: Key) -> Iterator[str]:
    if isinstance(value, Section):
        yield from _section_complaints(f"{path}.", value)
    elif isinstance(value, dict):
        for name, item in value.items():
            yield from _value_complaints(f"{path}.{name}", item, row)
    elif isinstance(value, tuple):
        for number, item in enumerate(value, start=1):
            if isinstance(item, Section):
                yield from _section_complaints(f"{path} row {number}: ", item)
    elif isinstance(value, (int, float)) and row.watch is None:
        yield from number_complaints(path, value, row)


def number_complaints(path: str, value: float, row: Key) -> Iterator[str]:
    """A zero means none or absent, and is for the other rules; limits have ranges of their own."""
    within = row.within or WITHIN.get(row.unit)
    if within is None or value == 0.0 or within[0] <= abs(value) <= within[1]:
        return
    yield (
        f"{path} is {value:g}: expected {within[0]:g} to {within[1]:g} {row.unit} for a propeller of this class"
        f"{likely_slip(value, row.unit, within)}; correct it"
    )
