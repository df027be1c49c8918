"""Rig files: TOML text to a validated Rig, with every complaint naming the key."""

from __future__ import annotations

import math
import re
import tomllib
from collections.abc import Iterator, Mapping
from importlib import resources
from pathlib import Path
from typing import Any

import msgspec

from bench.errors import RigError
from bench.rig.description import Rig
from bench.rig.rules import check_rig

EXAMPLE = "crop_duster.toml"


def parse_rig(text: str, source: str = "rig") -> Rig:
    """Rig described by TOML ``text``; RigError names ``source``, the key, what was found and what was expected."""
    try:
        table = tomllib.loads(text)
    except tomllib.TOMLDecodeError as error:
        raise RigError(f"{source}: not valid TOML: {error}") from error
    for key, value in _not_finite(table):
        raise RigError(f"{source}: key {key} is {value}: a limit or a dimension must be a finite number")
    try:
        rig = msgspec.convert(table, Rig)
    except msgspec.ValidationError as error:
        raise RigError(f"{source}: {_plain(_with_name(str(error), table))}") from error
    try:
        check_rig(rig)
    except RigError as error:
        raise RigError(f"{source}: {error}") from error
    return rig


def read_rig(path: Path | str) -> tuple[Rig, str]:
    """Rig in the file at ``path`` and the text it was read from."""
    try:
        text = Path(path).read_text(encoding="utf-8")
    except (OSError, UnicodeDecodeError) as error:
        raise RigError(f"{path}: cannot be read as a rig file: {error}") from error
    return parse_rig(text, str(path)), text


def example_rig_text() -> str:
    """Text of the example rig that is shipped with the package."""
    return resources.files("bench.rig").joinpath("examples", EXAMPLE).read_text(encoding="utf-8")


def with_values(text: str, values: Mapping[str, float | str]) -> str:
    """Rig ``text`` with keys replaced or added, comments and order kept; keys are written as "section.key".

    The result is checked as a whole: RigError when it is no valid rig.
    """
    import tomlkit

    document = tomlkit.parse(text)
    for path, value in values.items():
        section, key = path.rsplit(".", 1)
        table: Any = document
        for part in section.split("."):
            table = table.setdefault(part, tomlkit.table())
        table[key] = value
    changed = tomlkit.dumps(document)
    parse_rig(changed, "changed rig")
    return changed


def _not_finite(value: Any, path: str = "") -> Iterator[tuple[str, float]]:
    """Keys whose value is NaN or infinite: TOML allows them, and a NaN limit would never trip."""
    if isinstance(value, dict):
        for key, item in value.items():
            yield from _not_finite(item, f"{path}.{key}" if path else key)
    elif isinstance(value, list):
        for index, item in enumerate(value):
            yield from _not_finite(item, f"{path}[{index}]")
    elif isinstance(value, float) and not math.isfinite(value):
        yield path, value


def _with_name(message: str, table: dict[str, Any]) -> str:
    """msgspec's complaint about a named table, such as `modes[...]`, with the name of the first one at fault."""
    found = re.search(r"`\$\.(\w+)\[\.\.\.\]", message)
    section = found.group(1) if found else ""
    for name, item in table.get(section, {}).items():
        try:
            msgspec.convert({section: {name: item}}, Rig)
        except msgspec.ValidationError:
            return message.replace(f"{section}[...]", f"{section}.{name}", 1)
    return message


def _plain(message: str) -> str:
    """msgspec's complaint with its path turned into a rig key."""
    found = re.fullmatch(r"(.*?)(?: - at `\$\.?(.*)`)?", message, re.DOTALL)
    text, path = (found.group(1), found.group(2) or "") if found else (message, "")
    unknown = re.fullmatch(r"Object contains unknown field `(.*)`", text)
    if unknown:
        key = f"{path}.{unknown.group(1)}" if path else unknown.group(1)
        return f"unknown key {key}; remove it or correct its spelling"
    return f"key {path or '(top level)'}: {text[0].lower()}{text[1:]}"
