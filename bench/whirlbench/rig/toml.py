"""Rig files: TOML text to a validated Rig, with every complaint naming the key."""

from __future__ import annotations

from collections.abc import Mapping
from importlib import resources
from pathlib import Path
from typing import Any

import msgspec

from whirlbench.errors import RigError
from whirlbench.rig.declaration import choices, unknown_key
from whirlbench.rig.description import Rig
from whirlbench.rig.missing_keys import missing_keys, missing_text
from whirlbench.rig.rules import check_rig
from whirlbench.rig.toml_text import complaint_and_path, field_named_in, parse_table, read_text

EXAMPLE = "crop_duster.toml"


def parse_rig(text: str, source: str = "rig") -> Rig:
    """Rig described by TOML ``text``; RigError names ``source``, the key, what was found and what was expected."""
    return rig_of(parse_table(text, source, RigError), source)


def rig_of(table: dict[str, Any], source: str = "rig") -> Rig:
    """Rig described by the table of a TOML text that ``parse_table`` let pass; RigError as of ``parse_rig``."""
    try:
        rig = msgspec.convert(table, Rig)
    except msgspec.ValidationError as error:
        raise RigError(f"{source}: {_plain(error, table)}") from error
    try:
        check_rig(rig)
    except RigError as error:
        raise RigError(f"{source}: {error}") from error
    return rig


def read_rig(path: Path | str) -> tuple[Rig, str]:
    """Rig in the file at ``path`` and the text it was read from."""
    text = read_text(path, "a rig file", RigError)
    return parse_rig(text, str(path)), text


def example_rig_text() -> str:
    """Text of the example rig that is shipped with the package."""
    return resources.files("whirlbench.rig").joinpath("examples", EXAMPLE).read_text(encoding="utf-8")


def with_values(text: str, values: Mapping[str, float | str]) -> str:
    """Rig ``text`` with keys replaced or added, comments and order kept; keys are written as "section.key".

    The result is checked as a whole: RigError when it is no valid rig.
    """
    changed = edited(text, values)
    parse_rig(changed, "changed rig")
    return changed


def edited(text: str, values: Mapping[str, object]) -> str:
    """Like ``with_values``, unchecked: for who asks the parser later. A key whose value is None is taken out.

    A key without a section stands at the top. RigError when ``text`` is no TOML, or a value stands where a section is
    to be.
    """
    import tomlkit
    from tomlkit.exceptions import TOMLKitError

    try:
        document = tomlkit.parse(text)
        for path, value in values.items():
            _put(document, path.split("."), value)
        changed: str = tomlkit.dumps(document)
    except (TOMLKitError, AttributeError, TypeError, ValueError) as error:
        raise RigError(f"the rig cannot be changed: {error}") from error
    return changed


def _put(document: Any, path: list[str], value: object) -> None:
    """Replaces, adds or takes out one key."""
    import tomlkit

    *sections, key = path
    table = document
    for part in sections:
        if value is None and part not in table:
            return
        table = table.setdefault(part, tomlkit.table())
    if value is None:
        table.pop(key, None)
    else:
        table[key] = value


def _plain(error: msgspec.ValidationError, table: dict[str, Any]) -> str:
    """msgspec's complaint with its path turned into a rig key."""
    text, path = complaint_and_path(error)
    path = _with_name(path, table)
    unknown = field_named_in(text, "object contains unknown field")
    if unknown is not None:
        return unknown_key(Rig, path, unknown)
    if field_named_in(text, "object missing required field") is not None:
        return missing_text(missing_keys(table))
    admitted = choices(Rig, path) if text.startswith("invalid") else ()
    expected = f"; expected one of {', '.join(admitted)}" if admitted else ""
    return f"key {path or '(top level)'}: {text}{expected}"


def _with_name(path: str, table: dict[str, Any]) -> str:
    """``path`` into a named table, such as `modes[...]`, with the name of the first one at fault."""
    section = path.partition("[...]")[0]
    items = table.get(section)
    for name, item in items.items() if isinstance(items, dict) else ():
        try:
            msgspec.convert({section: {name: item}}, Rig)
        except msgspec.ValidationError:
            return path.replace("[...]", f".{name}", 1)
    return path
