"""Keys that a rig file lacks, all of them at once: each with what it is, its unit and an example."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from typing import Any

from msgspec import inspect

from whirlbench.rig.blade_sets import BladeSet, ClampedRoot
from whirlbench.rig.declaration import Key, Section, keys_of
from whirlbench.rig.description import Propeller, Rig

TAG = "kind"


@dataclass(frozen=True)
class Missing:
    """A key that is not there: ``path`` as a rig file writes it, and what would stand there."""

    path: str
    key: Key
    instead: str = ""  # what would do in its place

    @property
    def told(self) -> str:
        """The complaint about this one key."""
        unit = f" in {self.key.unit}" if self.key.unit else ""
        meaning = self.key.meaning.rstrip(".").partition("; absent")[0]
        told = f"{meaning[:1].lower()}{meaning[1:]}{unit}{_example(self.key)}".removeprefix(", ")
        instead = f"; or {self.instead}" if self.instead else ""
        return f"key {self.path} is missing ({told}{instead})"


def missing_text(found: list[Missing]) -> str:
    """All of them in one line."""
    return "; ".join(missing.told for missing in found)


def missing_keys(table: Mapping[str, Any]) -> list[Missing]:
    """Every key that ``table``, a rig as read, must have and does not.

    A blade set whose root is not whole is asked for what the strength check needs of it, too, so that one correction
    is enough.
    """
    found = list(_missing_in("", Rig, table))
    broken = [name for name, _ in _tables(table.get("blade_sets")) if _root_not_whole(name, found)]
    if broken:
        found += missing_for_strength(table, broken, speed_given=True)
    return found


def missing_for_strength(table: Mapping[str, Any], sets: Sequence[str], speed_given: bool) -> list[Missing]:
    """What the strength check cannot do without and ``table`` lacks, for the blade ``sets`` that it must judge.

    ``speed_given``: a speed was asked for, and neither modes nor an overspeed limit is needed to tell one.
    """
    top = {row.name: row for row in keys_of(Rig)}
    rows = {row.name: row for row in keys_of(Propeller)}
    inner, blade_sets = dict(_tables(table)), dict(_tables(table.get("blade_sets")))
    propeller, limits = inner.get("propeller", {}), inner.get("limits", {})
    found = [Missing(f"propeller.{name}", rows[name]) for name in ("diameter_m", "blades") if name not in propeller]
    if not blade_sets:
        found.append(Missing("blade_sets", top["blade_sets"]))
    if not speed_given and not table.get("modes") and "overspeed_rpm" not in limits:
        found.append(Missing("modes", top["modes"], "limits.overspeed_rpm, or --speed-rpm"))
    return found + [one for name in sets for one in missing_of_set(name, blade_sets.get(name, {}))]


def _root_not_whole(name: str, found: list[Missing]) -> bool:
    return any(one.path.startswith(f"blade_sets.{name}.root.") for one in found)


def missing_of_set(name: str, blades: Mapping[str, Any]) -> list[Missing]:
    """What the strength check needs of one blade set and does not find."""
    rows = {row.name: row for row in keys_of(BladeSet)}
    has_strength = "material" in blades or bool(blades.get("coupons"))
    wanted = [] if "root" in blades else [("root", "")]
    wanted += [] if has_strength else [("material", "coupons of your own")]
    if "sections" not in blades:
        wanted += [(key, "a table of sections") for key in ("mass_kg", "cg_radius_m") if key not in blades]
    elif not {"material", "density_kg_m3"} & set(blades) and not _weighed_rows(blades["sections"]):
        wanted += [("density_kg_m3", "material")]
    found = [Missing(f"blade_sets.{name}.{key}", rows[key], instead) for key, instead in wanted]
    root = dict(_tables(blades)).get("root", {})
    if root.get(TAG) == "clamped" and "clamp_force_n" not in root and not {"bolts", "bolt_preload_n"} <= set(root):
        force = next(row for row in keys_of(ClampedRoot) if row.name == "clamp_force_n")
        found.insert(0, Missing(f"blade_sets.{name}.root.clamp_force_n", force, "bolts and bolt_preload_n"))
    return found


def _weighed_rows(sections: Any) -> bool:
    """Whether every row tells its own mass."""
    return isinstance(sections, (list, tuple)) and all(
        isinstance(row, Mapping) and "mass_per_length_kg_m" in row for row in sections
    )


def _missing_in(path: str, section: type[Section], table: Any) -> Iterator[Missing]:
    """Required keys of ``section`` that ``table`` lacks, then those of every section inside it that is there."""
    if not isinstance(table, Mapping):
        return
    for row in keys_of(section):
        if row.name in table:
            yield from _missing_at(f"{path}{row.name}", row.kind, table[row.name])
        elif row.required:
            yield Missing(f"{path}{row.name}", row)


def _missing_at(path: str, kind: inspect.Type, value: Any) -> Iterator[Missing]:
    if isinstance(kind, inspect.StructType) and _tag_fits(kind, value):
        if issubclass(kind.cls, Section):
            yield from _missing_in(f"{path}.", kind.cls, value)
    elif isinstance(kind, inspect.UnionType):
        for inner in kind.types:
            yield from _missing_at(path, inner, value)
    elif isinstance(kind, inspect.Metadata):
        yield from _missing_at(path, kind.type, value)
    elif isinstance(kind, inspect.DictType):
        for name, item in _tables(value):
            yield from _missing_at(f"{path}.{name}", kind.value_type, item)
    elif isinstance(kind, inspect.VarTupleType) and isinstance(value, list):
        for number, item in enumerate(value):
            yield from _missing_at(f"{path}[{number}]", kind.item_type, item)


def _tag_fits(kind: inspect.StructType, value: Any) -> bool:
    return kind.tag is None or (isinstance(value, Mapping) and value.get(kind.tag_field) == kind.tag)


def _tables(value: Any) -> list[tuple[str, Any]]:
    """The tables inside a table, by name; none where it is no table."""
    return (
        [(name, item) for name, item in value.items() if isinstance(item, Mapping)] if isinstance(value, dict) else []
    )


def _example(row: Key) -> str:
    if row.example is None:
        return ""
    shown = f'"{row.example}"' if isinstance(row.example, str) else str(row.example)
    return f", for example {shown}"
