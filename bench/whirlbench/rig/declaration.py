"""How a key of a rig file is declared: type, range, unit and meaning stand together, and all else is derived from them.

Reader, limit table of the device, trip rules, margins and the page of keys read these declarations; none of them
holds a list of keys of its own.
"""

from __future__ import annotations

import re
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from difflib import get_close_matches
from enum import Flag, auto
from functools import cache
from typing import Annotated, Any

import msgspec
from msgspec import Meta, inspect

ALIKE = 0.6  # share of letters in common from which a key may have been meant; the library's own default
Positive = Annotated[float, Meta(gt=0)]
NotNegative = Annotated[float, Meta(ge=0)]
Share = Annotated[float, Meta(ge=0, le=1)]
Pulse = Annotated[float, Meta(ge=500, le=2500)]


class Section(msgspec.Struct, frozen=True, forbid_unknown_fields=True, omit_defaults=True):
    """Base of every table of the rig file; a key that it does not declare is refused by name."""


class Ring(Flag):
    """Who acts on a limit."""

    DEVICE = auto()  # the microcontroller cuts the power
    HOST = auto()  # the session aborts the run
    ADVICE = auto()  # nobody cuts: check, limits and set-points keep within it


class Side(Flag):
    """On which side of a limit the quantity must stay."""

    UPPER = auto()
    LOWER = auto()
    SIZE = UPPER | LOWER  # an upper limit of a quantity that may come with either sign


@dataclass(frozen=True)
class FromRig:
    """A number that follows from a key and others: ``function(value, *others)``, each None where it is absent."""

    function: Callable[..., Any]
    also: tuple[str, ...] = ()

    def of(self, rig: Section, value: object = None) -> Any:
        """The number for ``value``, the other keys as ``rig`` has them."""
        return self.function(value, *(value_at(rig, path) for path in self.also))


@dataclass(frozen=True)
class Slot:
    """A slot of the device's limit table that a key fills, and its value there in wire units.

    ``held`` goes the other way: the limit in the key's unit that a value of the slot stands for, where one is shown.
    """

    name: str
    counts: FromRig
    held: FromRig | None = None


@dataclass(frozen=True)
class Watch:
    """How a limit is watched: by whom, on what, by which rule, and under which name its margin is shown.

    ``channels`` are those whose product is compared, times ``factor`` of the rig. ``label`` empty: no margin is
    shown. ``rule`` names a rule of the host, ``sensor_rule`` one that watches the sensor itself in a live run.
    ``needs`` are keys without which the limit cannot be judged. ``while_driven``: only with the throttle open.
    ``caution``: what a trend has found, in words; a row that has some is a caution, unless the rig makes it a trip.
    """

    ring: Ring
    label: str = ""
    side: Side = Side.UPPER
    channels: tuple[str, ...] = ()
    factor: FromRig | None = None
    rule: str = ""
    sensor_rule: str = ""
    needs: tuple[str, ...] = ()
    while_driven: bool = False
    caution: str = ""


@dataclass(frozen=True)
class Key:
    """One key as declared; ``kind`` is what it admits, ``default`` what it is when absent."""

    name: str
    meaning: str
    unit: str
    kind: inspect.Type
    default: object
    required: bool
    watch: Watch | None
    slots: tuple[Slot, ...]
    example: object
    within: tuple[float, float] | None


def key(
    meaning: str,
    unit: str = "",
    watch: Watch | None = None,
    *slots: Slot,
    example: object = None,
    within: tuple[float, float] | None = None,
) -> Meta:
    """What an annotation says of a key beside type and range: meaning, unit, how it is watched, its slots.

    ``example`` is shown where the key is missing; ``within`` is what a propeller of this class can have, in ``unit``.
    """
    extra = {"unit": unit, "watch": watch, "slots": slots, "example": example, "within": within}
    return Meta(description=meaning, extra=extra)


@cache
def keys_of(section: type[Section]) -> tuple[Key, ...]:
    """Every key of ``section`` in the order of its declaration; looked up once, for it takes long."""
    described = inspect.type_info(section)
    assert isinstance(described, inspect.StructType)
    return tuple(map(_key, described.fields))


def _key(field: inspect.Field) -> Key:
    said = field.type if isinstance(field.type, inspect.Metadata) else inspect.Metadata(field.type)
    extra, schema = said.extra or {}, said.extra_json_schema or {}
    made = field.default_factory
    return Key(
        field.encode_name,
        schema.get("description", ""),
        extra.get("unit", ""),
        said.type,
        field.default if made is msgspec.NODEFAULT else made(),
        field.required,
        extra.get("watch"),
        extra.get("slots", ()),
        extra.get("example"),
        extra.get("within"),
    )


def value_at(rig: Section, path: str) -> Any:
    """The value at ``path`` ("propeller.diameter_m", "modes.flight.rpm"); None where a key or a name is absent."""
    value: Any = rig
    for part in path.split("."):
        value = value.get(part) if isinstance(value, dict) else getattr(value, part)
    return value


def choices(description: type, path: str) -> tuple[str, ...]:
    """What the key at ``path`` ("step[0].kind", "modes.flight.powered") of ``description`` admits.

    Empty where it is not one of a few words or numbers.
    """
    types: list[inspect.Type] = [inspect.type_info(description)]
    *parents, last = path_parts(path) or [""]
    for part in parents:
        types = [inner for outer in types for inner in inside(outer, part)]
    structs = [item for item in alternatives(types) if isinstance(item, inspect.StructType)]
    tags = [str(item.tag) for item in structs if item.tag_field == last]
    values = [_literals(inner) for outer in types for inner in inside(outer, last)]
    return tuple(tags) or tuple(word for words in values for word in words)


def path_parts(path: str) -> list[str]:
    """The parts of a path such as "step[0].kind": names, and places in a list or a table."""
    return re.findall(r"\w+|\[[^\]]*\]", path)


def alternatives(types: list[inspect.Type]) -> Iterator[inspect.Type]:
    """The types themselves, unions taken apart and without what annotations say."""
    for item in types:
        if isinstance(item, inspect.UnionType):
            yield from alternatives(list(item.types))
        elif isinstance(item, inspect.Metadata):
            yield from alternatives([item.type])
        else:
            yield item


def inside(outer: inspect.Type, part: str) -> Iterator[inspect.Type]:
    """Types of what ``part`` leads to: a field by name, the items of a table or a list by anything."""
    for item in alternatives([outer]):
        if isinstance(item, inspect.StructType):
            yield from (field.type for field in item.fields if field.encode_name == part)
        elif isinstance(item, inspect.DictType):
            yield item.value_type
        elif isinstance(item, inspect.VarTupleType):
            yield item.item_type


def _literals(kind: inspect.Type) -> tuple[str, ...]:
    found = [item for item in alternatives([kind]) if isinstance(item, inspect.LiteralType)]
    return tuple(str(value) for item in found for value in item.values)


def unknown_key(description: type, path: str, name: str, tag: str | None = None) -> str:
    """The complaint about key ``name`` in the table at ``path``, with the key that was meant as far as one can tell.

    ``tag``: which of several kinds of table it is. A key that another table knows is sent there.
    """
    return f"unknown key {f'{path}.{name}' if path else name}{_meant(description, path, name, tag)}"


def _meant(description: type, path: str, name: str, tag: str | None) -> str:
    here = [key for item in _tables_at(description, path) if tag in (None, item.tag) for key in _names(item)]
    near = get_close_matches(name, here, n=1, cutoff=ALIKE)
    if near:
        return f"; the nearest known is {near[0]}"
    others = [item.tag for item in _tables_at(description, path) if name in _names(item)]
    if others:
        return f"; only {' and '.join(f'kind = {kind}' for kind in others)} may have it"
    elsewhere = sorted({place for place, key in _everywhere(inspect.type_info(description)) if key == name})
    if elsewhere:
        return (
            f"; it belongs into {' or '.join(f'[{place}]' if place else 'the top of the file' for place in elsewhere)}"
        )
    return "; remove it or correct its spelling"


def _tables_at(description: type, path: str) -> Iterator[inspect.StructType]:
    """The kinds of table that may stand at ``path``."""
    types: list[inspect.Type] = [inspect.type_info(description)]
    for part in path_parts(path):
        types = [inner for outer in types for inner in inside(outer, part)]
    yield from (item for item in alternatives(types) if isinstance(item, inspect.StructType))


def _names(table: inspect.StructType) -> list[str]:
    return [field.encode_name for field in table.fields]


def _everywhere(kind: inspect.Type, place: str = "") -> Iterator[tuple[str, str]]:
    """Every key of the description with the table it stands in."""
    for item in alternatives([kind]):
        if isinstance(item, inspect.StructType):
            for field in item.fields:
                yield place, field.encode_name
                yield from _everywhere(field.type, f"{place}.{field.encode_name}" if place else field.encode_name)
        elif isinstance(item, inspect.DictType):
            yield from _everywhere(item.value_type, f"{place}.NAME")
        elif isinstance(item, inspect.VarTupleType):
            yield from _everywhere(item.item_type, place)
