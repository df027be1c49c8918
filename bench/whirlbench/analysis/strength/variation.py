"""What if: permitted speed against one dimension, material or condition of a blade set, all else as the rig has it."""

from __future__ import annotations

import math
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from typing import Any

import msgspec
import numpy as np

from whirlbench.analysis.strength.permitted import permitted_speed
from whirlbench.analysis.strength.tolerances import DEFAULT_SEED
from whirlbench.errors import RigError
from whirlbench.rig.description import Rig
from whirlbench.rig.rules import check_rig

POINTS, MOST_POINTS = 13, 60
SAMPLES = 4_000  # blades drawn for each point
MM = 1e-3
TABLE = "blade_sets"
HOW = "expected KEY=FROM:TO or KEY=A,B,…, such as root.edge_mm=6:14 or material=printed_pla,moulded_nylon"


@dataclass(frozen=True)
class WhatIfPoint:
    """One value of the varied key, as shown. Speeds are None where the value is ``refused``, which says why."""

    value: float | str
    rpm: float | None
    nominal_rpm: float | None
    governed_by: str
    refused: str = ""


@dataclass(frozen=True)
class WhatIf:
    """The points in the order asked for; ``present`` is what the rig has, None where the key is absent."""

    key: str
    unit: str
    set_name: str
    present: float | str | None
    points: tuple[WhatIfPoint, ...]


@dataclass(frozen=True)
class Variation:
    """What to vary: the key's path inside the blade set, the size of its shown unit, and the values as shown."""

    path: tuple[str, ...]
    unit: str
    scale: float
    values: tuple[float | str, ...]

    @property
    def key(self) -> str:
        """The key as a rig file writes it."""
        return ".".join(self.path)


def what_if(
    rig: Rig,
    text: str,
    set_name: str,
    seed: int = DEFAULT_SEED,
    told: Callable[[int, int], None] | None = None,
) -> WhatIf:
    """Permitted speed of a set for every value of ``text``; RigError when it cannot be read or names no key.

    ``told`` hears how many points of how many are done. A value that the rig's rules refuse, such as a hole too near
    the end, is a point without speeds.
    """
    table: dict[str, Any] = msgspec.to_builtins(rig)
    blades = table["blade_sets"][set_name]
    variation = read_variation(text, rig.blade_sets[set_name], set_name)
    present = _at(blades, variation.path)
    if present is None:
        present = _default(rig.blade_sets[set_name], variation.path)
    points = []
    for number, value in enumerate(variation.values, start=1):
        points.append(_point(table, set_name, variation, value, seed))
        if told is not None:
            told(number, len(variation.values))
    shown = present / variation.scale if isinstance(present, (int, float)) else present
    return WhatIf(variation.key, variation.unit, set_name, shown, tuple(points))


def read_variation(text: str, blades: msgspec.Struct, set_name: str) -> Variation:
    """``text`` as a variation of a key of ``blades``, the set of that name.

    The key as the rig file has it, `root.edge_distance_m`, or with its table, `blade_sets.NAME.root.edge_distance_m`.
    Lengths may be given in mm: `root.edge_mm` stands for root.edge_distance_m where only one key begins so.
    """
    name, _, values = text.partition("=")
    parts = tuple(name.strip().split("."))
    if not values.strip() or not all(parts):
        raise RigError(f"--vary {text!r}: {HOW}")
    if parts[0] == TABLE and len(parts) > 2:
        if parts[1] != set_name:
            raise RigError(f"--vary {text!r}: {set_name} is the set that is varied; add --set {parts[1]}")
        parts = parts[2:]
    holder: Any = blades
    for part in parts[:-1]:
        holder = getattr(holder, part, None)
        if not isinstance(holder, msgspec.Struct):
            raise RigError(f"--vary {text!r}: the blade set has no {part!r} to vary; {HOW}")
    last, scale = _field(text, holder, parts[-1])
    unit = "mm" if scale == MM else ""
    return Variation((*parts[:-1], last), unit, scale, tuple(_values(text, values.strip())))


def _field(text: str, holder: msgspec.Struct, name: str) -> tuple[str, float]:
    """(the key, size of the unit its values are given in)."""
    known = holder.__struct_fields__
    if name in known:
        return name, 1.0
    if name.endswith("_mm"):
        stem = name.removesuffix("_mm")
        found = [key for key in known if key == f"{stem}_m"]
        found = found or [key for key in known if key.startswith(f"{stem}_") and key.endswith("_m")]
        if len(found) == 1:
            return found[0], MM
    raise RigError(f"--vary {text!r}: {name!r} is no key that can be varied there; there are {', '.join(known)}")


def _values(text: str, values: str) -> Iterator[float | str]:
    """The values: a range in even steps, or a list of numbers or names."""
    if ":" not in values:
        yield from (_number(value.strip()) for value in values.split(",") if value.strip())
        return
    ends = [_number(value.strip()) for value in values.split(":")]
    if len(ends) not in (2, 3) or not all(isinstance(end, float) and math.isfinite(end) for end in ends):
        raise RigError(f"--vary {text!r}: {HOW}; a third number is how many points")
    first, last, count = (*ends, float(POINTS))[:3]
    if first == last or not 2 <= float(count) <= MOST_POINTS:
        raise RigError(f"--vary {text!r}: expected two different ends and 2 to {MOST_POINTS} points")
    yield from (float(f"{value:.6g}") for value in np.linspace(float(first), float(last), int(count)))


def _number(value: str) -> float | str:
    try:
        return float(value)
    except ValueError:
        return value


def _point(table: dict[str, Any], name: str, variation: Variation, value: float | str, seed: int) -> WhatIfPoint:
    stored: Any = value if isinstance(value, str) else value * variation.scale
    if isinstance(stored, float) and stored == round(stored) and variation.scale == 1.0:
        stored = int(stored)  # TOML tells whole numbers from others; a key that wants a float takes them, too
    changed = {**table, "blade_sets": {**table["blade_sets"]}}
    changed["blade_sets"][name] = _with(table["blade_sets"][name], variation.path, stored)
    try:
        rig = msgspec.convert(changed, Rig)
        check_rig(rig)
        found = permitted_speed(rig, name, seed, SAMPLES)
    except (RigError, msgspec.ValidationError) as error:
        return WhatIfPoint(value, None, None, "", str(error))
    return WhatIfPoint(value, found.rpm, found.nominal_rpm, found.governed_by)


def _with(table: dict[str, Any], path: tuple[str, ...], value: Any) -> dict[str, Any]:
    first, rest = path[0], path[1:]
    return {**table, first: _with(table.get(first, {}), rest, value) if rest else value}


def _at(table: dict[str, Any], path: tuple[str, ...]) -> Any:
    found: Any = table
    for part in path:
        found = found.get(part) if isinstance(found, dict) else None
    return found


def _default(blades: Any, path: tuple[str, ...]) -> Any:
    for part in path:
        blades = getattr(blades, part, None)
    return blades if isinstance(blades, (int, float, str)) else None
