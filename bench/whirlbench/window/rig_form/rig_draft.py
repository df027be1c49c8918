"""A rig file while somebody fills it in: its sections and values, and what the parser has against it. No Qt here."""

from __future__ import annotations

import copy
import re
from collections.abc import Iterator, Mapping
from typing import Any

from msgspec import inspect

from whirlbench.errors import RigError
from whirlbench.rig.declaration import Key, Section, alternatives, keys_of
from whirlbench.rig.description import Rig
from whirlbench.rig.toml import edited, rig_of
from whirlbench.rig.toml_text import parse_table
from whirlbench.session.engine import device_limits
from whirlbench.window.rig_form.rig_field import RigField

SOURCE = "this form"
MOST_COMPLAINTS = 12
NEXT_MISSING = "; key "
NAME = re.compile(r"[A-Za-z0-9_-]+")
KINDS = ("tang", "grip", "clamped", "shank", "bonded")
NEW_TEXT = "# A rig file; every number of it is to be measured on the stand that it is for.\n"


class RigDraft:
    """The text of a rig file, changed key by key; comments and order stay. RigError where ``text`` is no TOML."""

    def __init__(self, text: str = NEW_TEXT) -> None:
        self.text = edited(text, {})
        self._mistyped: dict[str, tuple[str, str]] = {}  # by path: what was typed, and why it is no value
        self._table = parse_table(self.text, SOURCE, RigError)
        self._described = dict(_sections("", Rig, self._table))

    # --- what there is ----------------------------------------------------------------------------------------------

    def sections(self) -> tuple[str, ...]:
        """Paths of the sections that can be filled in: "" (the top), those of every rig, and those by name."""
        return tuple(self._described)

    def fields(self, section: str) -> tuple[RigField, ...]:
        """The keys of a section that hold no section themselves; none for a section that is not there."""
        known = section in self._described
        return tuple(RigField(section, row) for row in _rows(self._described[section])) if known else ()

    def value(self, path: str) -> Any:
        """What the file holds; None where it holds nothing."""
        value: Any = self._table
        for part in path.split("."):
            value = value.get(part) if isinstance(value, Mapping) else None
        return value

    def typed(self, field: RigField) -> str:
        """What stands in the field: the file's value, or what was typed and is none."""
        return self._mistyped[field.path][0] if field.path in self._mistyped else field.text(self.value(field.path))

    @property
    def is_mistyped(self) -> bool:
        """Whether a field holds what is no value."""
        return bool(self._mistyped)

    # --- changes ----------------------------------------------------------------------------------------------------

    def type(self, field: RigField, text: str) -> None:
        """Takes what was typed: into the file where it is a value, empty takes the key out; else it is a complaint."""
        self._mistyped.pop(field.path, None)
        try:
            value = field.value(text)
            if value != self.value(field.path):
                self._change(field.path, _in_rows(value) if field.has_rows else value)
        except RigError as error:
            self._mistyped[field.path] = (text, str(error).removeprefix(f"{SOURCE}: key {field.path} "))

    def add(self, kind: str, name: str) -> str:
        """A new section ``kind.name`` of those that have names; returns its path. RigError for a name that is none."""
        path = f"{kind}.{name.strip()}"
        if not NAME.fullmatch(name.strip()) or self.value(path) is not None:
            raise RigError(
                f"found the name {name.strip()!r}, expected letters, digits, _ and -, and one that is not there yet"
            )
        self._change(path, {})
        return path

    def remove(self, section: str) -> None:
        """Takes a section out of the file, with all that it holds."""
        self._mistyped = {path: one for path, one in self._mistyped.items() if not path.startswith(f"{section}.")}
        self._change(section, None)

    def _change(self, path: str, value: object) -> None:
        text = edited(self.text, {path: value})
        self._table = parse_table(text, SOURCE, RigError)
        self.text, self._described = text, dict(_sections("", Rig, self._table))

    # --- what speaks against it ------------------------------------------------------------------------------------

    def complaints(self) -> dict[str, str]:
        """One line for each key or section that cannot stay, by path; "" concerns no single one. Empty: a valid rig.

        The parser tells the first: what else is wrong is what it tells once that one is out of the way.
        """
        found = {path: why for path, (_, why) in self._mistyped.items()}
        table, taken, known = copy.deepcopy(self._table), set[str](), self._known()
        for _ in range(MOST_COMPLAINTS):
            why = _against(table)
            if not why:
                break
            for one in reversed(why.split(NEXT_MISSING)):  # keys that are missing are told together
                path = _path_in(one, *known)
                found.setdefault(path, self._in_words(path, one))
            path = path.rpartition(".")[0] if path in taken else path  # the section needs the key: it goes as a whole
            if not path or path in taken:
                break
            taken.add(path)
            _take_out(table, path)
        return found

    def lacks_for_arming(self) -> str:
        """What of a valid rig keeps a stand from being armed with it, by name; empty where nothing does."""
        try:
            device_limits(rig_of(self._table, SOURCE))
        except RigError as error:
            return str(error).removeprefix(f"{SOURCE}: ")
        return ""

    def _in_words(self, path: str, why: str) -> str:
        """What was found, and what was expected, without the key, which stands beside it."""
        value = self.value(path)
        said = why.removeprefix(path).lstrip(": ") if path else why
        is_told = value is None or isinstance(value, dict) or said.startswith("is ") or "found" in said
        return said if is_told else f"found {value}, {said}"

    def _known(self) -> tuple[set[str], set[str]]:
        """Paths of all keys, and of all sections."""
        sections = set(self.sections())
        return {field.path for section in sections for field in self.fields(section)}, sections - {""}


def _path_in(why: str, keys: set[str], sections: set[str]) -> str:
    """The key that a complaint is about, else its section, else ""."""
    words = set(re.findall(r"[\w-]+(?:\.[\w-]+)*", why))
    begins = [path for path in keys & words if why.startswith(path)]
    named = begins or [path for path in keys & words if "." in path]
    if named:
        return min(named, key=lambda path: (why.index(path), -len(path)))
    return max((path for path in sections & words if why.startswith(path)), key=len, default="")


def _take_out(table: dict[str, Any], path: str) -> None:
    *sections, key = path.split(".")
    for part in sections:
        table = table.get(part, {})
    table.pop(key, None)


def _against(table: dict[str, Any]) -> str:
    """The parser's first complaint, without its beginning; empty for a valid rig."""
    try:
        rig_of(table, SOURCE)
    except RigError as error:
        return str(error).removeprefix(f"{SOURCE}: ").removeprefix("key ")
    return ""


def _sections(path: str, section: type[Section], table: Any) -> Iterator[tuple[str, type[Section] | None]]:
    """(path, description) of a section and all inside it; None for one whose kind is not chosen yet."""
    yield path, section
    for row in keys_of(section):
        inner, given = f"{path}.{row.name}" if path else row.name, _part(table, row.name)
        for kind in alternatives([row.kind]):
            if isinstance(kind, inspect.DictType):
                for name in given or ():
                    yield from _below(f"{inner}.{name}", kind.value_type, _part(given, name))
        yield from _below(inner, row.kind, given)


def _below(path: str, kind: inspect.Type, table: Any) -> Iterator[tuple[str, type[Section] | None]]:
    """The section that a key of this kind holds, if any."""
    structs = [one for one in alternatives([kind]) if isinstance(one, inspect.StructType)]
    chosen = structs if len(structs) == 1 else [one for one in structs if one.tag == _part(table, "kind")]
    for one in chosen:
        if issubclass(one.cls, Section):
            yield from _sections(path, one.cls, table)
    if structs and not chosen:
        yield path, None


def _part(table: Any, name: str) -> Any:
    return table.get(name) if isinstance(table, Mapping) else None


def _rows(section: type[Section] | None) -> Iterator[Key]:
    """The keys that a form asks for, ``kind`` first where there are several kinds."""
    if section is None or section.__struct_config__.tag is not None:
        meaning = "How it is held; each way has keys of its own."
        yield Key("kind", meaning, "", inspect.LiteralType(KINDS), None, True, None, (), "tang", None)
    for row in keys_of(section) if section is not None else ():
        kinds = list(alternatives([row.kind]))
        if not any(isinstance(kind, inspect.StructType | inspect.DictType) for kind in kinds):
            yield row


def _in_rows(value: Any) -> Any:
    """A table of rows as a file shows it, each in a line of its own."""
    import tomlkit

    if not isinstance(value, list):
        return value
    rows = tomlkit.array()
    for row in value:
        item = tomlkit.inline_table() if isinstance(row, dict) else row
        if isinstance(row, dict):
            item.update(row)
        rows.append(item)
    return rows.multiline(True)
