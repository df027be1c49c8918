"""The words that a key admits, looked up in the description it belongs to: for complaints that say what is expected."""

from __future__ import annotations

import re
from collections.abc import Iterator

from msgspec import inspect


def choices(description: type, path: str) -> tuple[str, ...]:
    """What the key at ``path`` ("step[0].kind", "modes.flight.powered") of ``description`` admits.

    Empty where it is not one of a few words or numbers.
    """
    types: list[inspect.Type] = [inspect.type_info(description)]
    *parents, last = re.findall(r"\w+|\[[^\]]*\]", path) or [""]
    for part in parents:
        types = [inner for outer in types for inner in _inside(outer, part)]
    structs = [item for item in _alternatives(types) if isinstance(item, inspect.StructType)]
    tags = [str(item.tag) for item in structs if item.tag_field == last]
    values = [_literals(inner) for outer in types for inner in _inside(outer, last)]
    return tuple(tags) or tuple(word for words in values for word in words)


def _alternatives(types: list[inspect.Type]) -> Iterator[inspect.Type]:
    for item in types:
        if isinstance(item, inspect.UnionType):
            yield from _alternatives(list(item.types))
        elif isinstance(item, inspect.Metadata):
            yield from _alternatives([item.type])
        else:
            yield item


def _inside(outer: inspect.Type, part: str) -> Iterator[inspect.Type]:
    """Types of what ``part`` leads to: a field by name, the items of a table or a list by anything."""
    for item in _alternatives([outer]):
        if isinstance(item, inspect.StructType):
            yield from (field.type for field in item.fields if field.encode_name == part)
        elif isinstance(item, inspect.DictType):
            yield item.value_type
        elif isinstance(item, inspect.VarTupleType):
            yield item.item_type


def _literals(kind: inspect.Type) -> tuple[str, ...]:
    found = [item for item in _alternatives([kind]) if isinstance(item, inspect.LiteralType)]
    return tuple(str(value) for item in found for value in item.values)
