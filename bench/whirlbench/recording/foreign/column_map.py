"""What the user says of columns, `--map "COLUMN=channel*factor"`, and such mappings kept by name for the next time."""

from __future__ import annotations

import math
import re
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from pathlib import Path

import platformdirs

from whirlbench.errors import RecordingError
from whirlbench.recording.foreign.units_of_columns import QUANTITY, factor_of, is_percent, spellings
from whirlbench.rig.toml_text import parse_table, read_text

DIGITS = r"(?:\d+\.?\d*|\.\d+)(?:[eE][+-]?\d+)?"
RULE = re.compile(
    rf"(?P<channel>\w+)(?P<factors>(?:\s*[*/]\s*(?:{DIGITS}|[^*+]+?))*)\s*(?P<offset>[+-]\s*{DIGITS})?\s*"
)
KEPT_AS_EXTRA = "extra"
FORM = 'expected "COLUMN=channel", with *FACTOR or *UNIT and +OFFSET if needed, such as "Time(ms)=t_s*0.001"'
SETTINGS = ("separator", "decimal", "columns")  # of a table's form, kept with a mapping


@dataclass(frozen=True)
class ColumnRule:
    """One mapping: the column's heading, the channel, and what turns its figures into the channel's unit.

    ``factor`` None: the unit in the heading, if there is one, decides. ``percent``: the figures are shares of travel.
    """

    heading: str
    channel: str
    factor: float | None = None
    offset: float = 0.0
    percent: bool = False


def parse_rule(text: str) -> ColumnRule:
    """The rule in ``text``; RecordingError says what was found and what was expected.

    >>> parse_rule("Time(ms)=t_s*0.001")
    ColumnRule(heading='Time(ms)', channel='t_s', factor=0.001, offset=0.0, percent=False)
    >>> parse_rule("Pull=thrust_n*kgf").factor
    9.80665
    """
    heading, equals, right = text.rpartition("=")
    found = RULE.fullmatch(right.strip())
    if not equals or not heading.strip() or found is None:
        raise RecordingError(f'--map "{text}": {FORM}')
    channel = found["channel"]
    if channel == KEPT_AS_EXTRA:
        return ColumnRule(heading.strip(), channel)
    if channel not in QUANTITY:
        raise RecordingError(
            f'--map "{text}": there is no channel {channel}; expected one of {", ".join(QUANTITY)}, or extra'
        )
    factor, percent = _factor(found["factors"], channel, text)
    offset = float(found["offset"].replace(" ", "")) if found["offset"] else 0.0
    return ColumnRule(heading.strip(), channel, factor, offset, percent)


def _factor(words: str, channel: str, text: str) -> tuple[float | None, bool]:
    """The product of numbers and units, None without any; and whether one of them was a percentage."""
    product, percent = None, False
    for sign, word in _factors(words, channel):
        if is_percent(word):
            percent = True
            continue
        factor = float(word) if re.fullmatch(DIGITS, word) else factor_of(word, channel)
        if factor is None or not math.isfinite(factor) or factor == 0.0:
            raise RecordingError(
                f'--map "{text}": {word!r} is no number and no unit of {channel}; expected a number or one of '
                f"{spellings(channel)}"
            )
        product = (1.0 if product is None else product) * (factor if sign == "*" else 1.0 / factor)
    return product, percent


def _factors(words: str, channel: str) -> Iterator[tuple[str, str]]:
    """("*" or "/", number or unit) in turn; a unit may hold a stroke itself, such as rev/min."""
    for part in re.split(r"\*", words):
        part = part.strip()
        if part and factor_of(part, channel) is not None:
            yield "*", part
        elif part:
            first, *others = part.split("/")
            if first.strip():
                yield "*", first.strip()
            yield from (("/", other.strip()) for other in others)


@dataclass(frozen=True)
class KeptMap:
    """A mapping by name: the texts of its rules, and the settings of the table's form by their option."""

    rules: tuple[str, ...]
    settings: dict[str, str]


def maps_path() -> Path:
    """Where mappings are kept by name."""
    return platformdirs.user_config_path("whirlbench") / "column_maps.toml"


def keep_map(name: str, rules: Sequence[str], settings: dict[str, str], path: Path | None = None) -> Path:
    """Keeps a mapping under ``name``, over an earlier one of that name; returns the file."""
    import tomlkit

    path = path or maps_path()
    document = tomlkit.parse(read_text(path, "kept mappings", RecordingError)) if path.exists() else tomlkit.document()
    table = tomlkit.table()
    table["map"] = list(rules)
    for key, value in settings.items():
        table[key] = value
    document[name] = table
    try:
        path.parent.mkdir(parents=True, exist_ok=True)
        path.write_text(tomlkit.dumps(document), encoding="utf-8")
    except OSError as error:
        raise RecordingError(f"{path}: the mapping cannot be kept ({error.strerror or error})") from error
    return path


def kept_map(name: str, path: Path | None = None) -> KeptMap:
    """The mapping that was kept under ``name``; RecordingError names those there are."""
    path = path or maps_path()
    tables = (
        parse_table(read_text(path, "kept mappings", RecordingError), str(path), RecordingError)
        if path.exists()
        else {}
    )
    if name not in tables:
        raise RecordingError(f"--use-map {name}: no such mapping; {path} keeps {', '.join(tables) or 'none'}")
    table = tables[name]
    rules = table.get("map") if isinstance(table, dict) else None
    if not isinstance(rules, list) or not all(isinstance(rule, str) for rule in rules):
        raise RecordingError(f'{path}: key {name}.map: expected a list of texts such as "Time(ms)=t_s*0.001"')
    return KeptMap(tuple(rules), {key: str(table[key]) for key in SETTINGS if key in table})
