"""What a rig writes into the device's limit table: the keys that declare a slot, and their values in wire units."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from functools import cache

import msgspec

from whirlbench.rig.declaration import Section, Slot, keys_of, value_at
from whirlbench.rig.description import Rig


@dataclass(frozen=True)
class SlotValue:
    """Value of a slot in wire units, and the keys that it follows from."""

    keys: tuple[str, ...]
    counts: int


def slot_values(rig: Rig) -> dict[str, SlotValue]:
    """Wire values by name of the slot, for every key of ``rig`` that fills one."""
    return {
        slot.name: SlotValue((path, *slot.counts.also), slot.counts.of(rig, value_at(rig, path)))
        for path, slot in slots()
    }


def held_limits(rig: Rig, held: Mapping[str, int]) -> dict[str, float]:
    """The limits that a device holds, in the units of their keys ("limits.current_a"), of the slots that say so.

    ``held`` are the slots' values by name; a slot at zero, which is off, gives none.
    """
    return {
        path: float(slot.held.of(rig, held[slot.name]))
        for path, slot in slots()
        if slot.held is not None and held.get(slot.name)
    }


@cache
def slots() -> tuple[tuple[str, Slot], ...]:
    """Every key that fills a slot of the device ("limits.heartbeat_ms"), with that slot; a key may fill several."""
    tables = {name: table for name, table in msgspec.structs.asdict(Rig()).items() if isinstance(table, Section)}
    rows = ((f"{name}.{row.name}", row) for name, table in tables.items() for row in keys_of(type(table)))
    return tuple((path, slot) for path, row in rows for slot in row.slots)
