"""How verbs speak: one JSON object on stdout with --json, plain text otherwise."""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import fields, is_dataclass
from typing import Any, TypeVar

import click
import msgspec

Command = TypeVar("Command", bound=Callable[..., Any])


def json_option(function: Command) -> Command:
    """Adds the flag every analysis verb has."""
    return click.option("--json", "as_json", is_flag=True, help="Print exactly one JSON object on stdout.")(function)


def print_json(result: Any) -> None:
    """Prints ``result`` (dataclasses, arrays, dicts) as one JSON object; NaN and infinities become null."""
    click.echo(msgspec.json.format(msgspec.json.encode(plain(result)), indent=2).decode())


def one_line(text: str, most: int = 500) -> str:
    """``text`` as a single printable line of at most ``most`` characters.

    Names in files come from anywhere: line ends and control characters are written out, an endless key is cut.
    """
    line = " ".join(text.split())
    line = "".join(letter if letter.isprintable() else repr(letter)[1:-1] for letter in line)
    return line if len(line) <= most else f"{line[: most // 2]} ... {line[-most // 2 :]}"


def plain(value: Any) -> Any:
    """``value`` as nested dicts, lists, numbers and None."""
    if is_dataclass(value) and not isinstance(value, type):
        return {item.name: plain(getattr(value, item.name)) for item in fields(value)}
    if isinstance(value, dict):
        return {str(key): plain(item) for key, item in value.items()}
    if hasattr(value, "tolist"):  # arrays and NumPy scalars
        return plain(value.tolist())
    if isinstance(value, (list, tuple)):
        return [plain(item) for item in value]
    if isinstance(value, float) and not math.isfinite(value):
        return None
    return value
