"""Every key of a rig file as its declarations have it, for tests that go through all of them."""

from __future__ import annotations

from collections.abc import Iterator

from whirlbench.rig.declaration import Key, Section, keys_of
from whirlbench.rig.description import Rig
from whirlbench.rig.keys_page import _inner


def declared(section: type[Section] = Rig, path: str = "") -> Iterator[tuple[str, Key]]:
    """Every key that holds a value, with its path."""
    for row in keys_of(section):
        inner = list(_inner(row.name, row.kind))
        if not inner:
            yield f"{path}{row.name}", row
        for name, below in inner:
            yield from declared(below, f"{path}{name}.")
