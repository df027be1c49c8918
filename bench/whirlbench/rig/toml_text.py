"""TOML files as users write them: one careful way in, and complaints in the user's words."""

from __future__ import annotations

import math
import re
import tomllib
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import msgspec

from whirlbench.errors import BenchError, shown
from whirlbench.rig.regular_file import read_bytes

# No length, mass, speed, pulse or strength of a stand comes near these; beyond them powers overflow.
MOST_TEXT_BYTES = 1 << 20  # the example rig has 9 KB; a hostile text of this size is refused within seconds
DEEPEST = 200  # dots in one key
LARGEST = 1e15
SMALLEST = 1e-15
WORDS = {
    "float": "a number",
    "int": "a whole number",
    "str": "a text",
    "bool": "true or false",
    "array": "a list",
    "object": "a table",
}


def read_text(path: Path | str, what: str, error_kind: type[BenchError]) -> str:
    """Text of the UTF-8 file at ``path``; ``error_kind`` names the file and ``what`` it was to be."""
    raw = read_bytes(path, MOST_TEXT_BYTES, error_kind, f" as {what}")
    try:
        return raw.decode("utf-8-sig").replace("\r\n", "\n")  # some editors put a byte order mark in front
    except UnicodeDecodeError as error:
        raise error_kind(f"{path}: cannot be read as {what} (not UTF-8 text at byte {error.start})") from error


def parse_table(text: str, source: str, error_kind: type[BenchError]) -> dict[str, Any]:
    """The table in TOML ``text``; ``error_kind`` when it is none, or when a number is beyond all physical sense.

    NaN and infinities are TOML, but a NaN limit would never trip. Texts come back with escapes for what does not print.
    """
    if len(text) > MOST_TEXT_BYTES:
        raise error_kind(f"{source}: {len(text):,} characters; expected at most {MOST_TEXT_BYTES:,}")
    if "\0" in text:
        raise error_kind(f"{source}: not valid TOML: holds a zero byte at character {text.index(chr(0))}")
    if any(piece.count(".") > DEEPEST for piece in re.split(r"[,=\[\]{}\"'#\n]", text)):  # the parser would take hours
        raise error_kind(f"{source}: not valid TOML: nested too deeply")
    try:
        table = tomllib.loads(text)
    except RecursionError:
        raise error_kind(f"{source}: not valid TOML: nested too deeply") from None
    except ValueError as error:  # TOMLDecodeError, and whole numbers of thousands of digits
        raise error_kind(f"{source}: not valid TOML: {error}") from error
    try:
        for key, complaint in _unbelievable(table):
            raise error_kind(f"{source}: key {key} is {complaint}")
        printable: dict[str, Any] = _printable(table)
        return printable
    except RecursionError:
        raise error_kind(f"{source}: not valid TOML: nested too deeply") from None


def _printable(value: Any) -> Any:
    """``value`` with every text, names of tables included, as it may go to a screen: any surface may show it."""
    if isinstance(value, dict):
        return {shown(key): _printable(item) for key, item in value.items()}
    if isinstance(value, list):
        return [_printable(item) for item in value]
    return shown(value) if isinstance(value, str) else value


def _unbelievable(value: Any, path: str = "") -> Iterator[tuple[str, str]]:
    """Keys whose number is not finite, or too large or small to be meant, with what is wrong about them."""
    if isinstance(value, dict):
        for key, item in value.items():
            yield from _unbelievable(item, f"{path}.{key}" if path else key)
    elif isinstance(value, list):
        for index, item in enumerate(value):
            yield from _unbelievable(item, f"{path}[{index}]")
    elif isinstance(value, float) and not math.isfinite(value):
        yield path, f"{value}: a limit or a dimension must be a finite number"
    elif isinstance(value, (int, float)) and value != 0 and not SMALLEST <= abs(value) <= LARGEST:
        size = f"{value:g}" if isinstance(value, float) else f"a number of {math.ceil(math.log10(abs(value)))} digits"
        yield path, f"{size}: expected 0, or a size from {SMALLEST:g} to {LARGEST:g}"


def complaint_and_path(error: msgspec.ValidationError) -> tuple[str, str]:
    """The library's complaint in plain words, and the path of the key at fault ("" at the top)."""
    found = re.fullmatch(r"(.*?)(?: - at `(?:key in )?\$\.?(.*)`)?", str(error), re.DOTALL)
    text, path = (found.group(1), found.group(2) or "") if found else (str(error), "")
    text = text.replace(" | null`", "`")  # an absent key is left out, not written as null
    if text.startswith("Expected"):
        text = re.sub(r"`(\w+)`", lambda match: WORDS.get(match.group(1), f"a {match.group(1)}"), text)
    text = text.replace("Invalid enum value", "Invalid value").replace(", got ", ", found ")
    return text[0].lower() + text[1:], path


def field_named_in(text: str, beginning: str) -> str | None:
    """The field in a complaint that begins so ("object contains unknown field"), else None."""
    found = re.fullmatch(rf"{beginning} `(.*)`", text, re.DOTALL)
    return found.group(1) if found else None
