"""Keys that a rig file lacks, all of them at once: each with what it is, its unit and an example."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from typing import Any

from msgspec import inspect

from whirlbench.rig.blade_sets import BladeSet
from whirlbench.rig.declaration import Key, Section, keys_of
from whirlbench.rig.description import Rig

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
        instead = f", or {self.instead}" if self.instead else ""
        return f"key {self.path} is missing ({meaning[0].lower()}{meaning[1:]}{unit}{_example(self.key)}{instead})"


def missing_text(found: list[Missing]) -> str:
    """All of them in one line."""
    return "; ".join(missing.told for missing in found)


def missing_keys(table: Mapping[str, Any]) -> list[Missing]:
    """Every key that ``table``, a rig as read, must have and does not.

    A blade set whose root is not whole is asked for what the strength check needs of it, too, so that one correction
    is enough.
    """
    found = list(_missing_in("", Rig, table))
    for name, blades in _tables(table.get("blade_sets")):
        if any(one.path.startswith(f"blade_sets.{name}.root.") for one in found):
            found += missing_of_set(name, blades)
    return found


def missing_for_strength(table: Mapping[str, Any], fitted: str) -> list[Missing]:
    """What the strength check cannot do without and ``table`` lacks, for the set that is ``fitted``."""
    propeller = table.get("propeller", {})
    rows = {row.name: row for row in keys_of(dict(_inner_sections(Rig))["propeller"])}
    found = [Missing(f"propeller.{name}", rows[name]) for name in ("diameter_m", "blades") if name not in propeller]
    return found + missing_of_set(fitted, table.get("blade_sets", {}).get(fitted, {}))


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
    return [Missing(f"blade_sets.{name}.{key}", rows[key], instead) for key, instead in wanted]


def _weighed_rows(sections: Any) -> bool:
    return all(isinstance(row, Mapping) and "mass_per_length_kg_m" in row for row in sections or ())


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
    return (
        [(name, item) for name, item in value.items() if isinstance(item, Mapping)] if isinstance(value, dict) else []
    )


def _inner_sections(section: type[Section]) -> Iterator[tuple[str, type[Section]]]:
    for row in keys_of(section):
        if isinstance(row.kind, inspect.StructType) and issubclass(row.kind.cls, Section):
            yield row.name, row.kind.cls


def _example(row: Key) -> str:
    if row.example is None:
        return ""
    shown = f'"{row.example}"' if isinstance(row.example, str) else str(row.example)
    return f", for example {shown}"
