"""One key of a rig file as a field of the form: what it is called, and its value as somebody types it. No Qt here."""

from __future__ import annotations

import tomllib
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

from msgspec import inspect

from whirlbench.errors import RigError
from whirlbench.results.labels import LABELS
from whirlbench.rig.declaration import Key, alternatives
from whirlbench.rig.keys_page import admitted_text, default_text

BOOLEANS = ("true", "false")


@dataclass(frozen=True)
class RigField:
    """The key ``row`` of the section at ``section`` ("" is the top of the file)."""

    section: str
    row: Key

    @property
    def path(self) -> str:
        """The key as a message names it."""
        return f"{self.section}.{self.row.name}" if self.section else self.row.name

    @property
    def name(self) -> str:
        """The key in words, without its unit, which stands beside it."""
        suffix = "_" + self.row.unit.replace("%", "pct").replace("/", "_").replace(" ", "_").lower()
        plain = self.row.name.removesuffix(suffix) if self.row.unit else self.row.name
        return LABELS.get(self.row.name) or plain.replace("_", " ")

    @property
    def choices(self) -> tuple[str, ...]:
        """What it admits where that is one of a few words; empty for all else."""
        kinds = list(alternatives([self.row.kind]))
        if any(isinstance(kind, inspect.BoolType) for kind in kinds):
            return BOOLEANS
        return tuple(str(value) for kind in kinds if isinstance(kind, inspect.LiteralType) for value in kind.values)

    @property
    def has_rows(self) -> bool:
        """Whether it is a table of its own, typed with a line for each row."""
        return self._item() is not None and isinstance(self._item(), inspect.StructType | inspect.TupleType)

    @property
    def absent(self) -> str:
        """What holds while nothing is given."""
        default = default_text(self.row)
        return default if self.row.required else f"not given: {default}" if default else "not given"

    @property
    def admitted(self) -> str:
        """What may be typed, in words."""
        item = self._item()
        if isinstance(item, inspect.StructType):
            return "a line for each row: key = number, key = number"
        if isinstance(item, inspect.TupleType):
            return f"a line for each row: {len(item.item_types)} numbers with a comma between them"
        said = admitted_text(self.row.kind).replace("list, each", "separated by commas, each")
        return f"a number {said}" if said.startswith(("above", "below", "to ")) else said

    def _item(self) -> inspect.Type | None:
        """The kind of its items where it is a list."""
        lists = [kind for kind in alternatives([self.row.kind]) if isinstance(kind, inspect.VarTupleType)]
        return next(alternatives([lists[0].item_type])) if lists else None

    def text(self, value: object) -> str:
        """A value of the file as it is typed; empty for None."""
        if value is None:
            return ""
        if self.has_rows and isinstance(value, list):
            return "\n".join(_bare(row) for row in value)
        return _bare(value) if isinstance(value, list | tuple) else _plain(value)

    def value(self, text: str) -> Any:
        """What the file holds for a typed ``text``; None for none. RigError says what was found and expected."""
        text = text.strip()
        if not text:
            return None
        if self._is_words():
            return text
        try:
            return tomllib.loads(f"v = {self._as_toml(text)}")["v"]
        except tomllib.TOMLDecodeError as error:
            raise RigError(f"found {text.splitlines()[0][:40]!r}, expected {self.admitted}") from error

    def _is_words(self) -> bool:
        kinds = [kind for kind in alternatives([self.row.kind]) if not isinstance(kind, inspect.NoneType)]
        return all(
            isinstance(kind, inspect.StrType) or (isinstance(kind, inspect.LiteralType) and _of_words(kind))
            for kind in kinds
        )

    def _as_toml(self, text: str) -> str:
        item = self._item()
        lines = [line.strip().rstrip(",") for line in text.splitlines() if line.strip()]
        if isinstance(item, inspect.StructType):
            return "[" + ", ".join(line if line.startswith("{") else f"{{ {line} }}" for line in lines) + "]"
        if isinstance(item, inspect.TupleType):
            return "[" + ", ".join(line if line.startswith("[") else f"[{line}]" for line in lines) + "]"
        if isinstance(item, inspect.StrType) and not text.startswith(("[", '"', "'")):
            return "[" + ", ".join(_quoted(line) for line in lines) + "]"
        is_list = item is not None or isinstance(next(alternatives([self.row.kind])), inspect.TupleType)
        return f"[{text}]" if is_list and not text.startswith("[") else text


def _of_words(kind: inspect.LiteralType) -> bool:
    return all(isinstance(value, str) for value in kind.values)


def _quoted(text: str) -> str:
    escaped = text.replace("\\", "\\\\").replace('"', '\\"')
    return f'"{escaped}"'


def _bare(value: object) -> str:
    """A list or a table without its brackets."""
    if isinstance(value, Mapping):
        return ", ".join(f"{key} = {_toml(item)}" for key, item in value.items())
    if isinstance(value, list | tuple):
        return ", ".join(_toml(item) for item in value)
    return _toml(value)


def _plain(value: object) -> str:
    return value if isinstance(value, str) else _toml(value)


def _toml(value: object) -> str:
    if isinstance(value, Mapping):
        return f"{{ {_bare(value)} }}"
    if isinstance(value, list | tuple):
        return f"[{_bare(value)}]"
    if isinstance(value, bool):
        return str(value).lower()
    return _quoted(value) if isinstance(value, str) else str(value)
