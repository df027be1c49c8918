"""The nearest known key to one that is not known, so that a misspelt key is corrected instead of looked up."""

from __future__ import annotations

from collections.abc import Iterator
from difflib import get_close_matches

from msgspec import inspect

from whirlbench.rig.declaration import alternatives, inside, path_parts

ALIKE = 0.6  # share of letters in common from which a key may have been meant; the library's own default


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
