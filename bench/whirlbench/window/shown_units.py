"""Units of the screen: whatever the window shows in N, W or C it shows in the units chosen here; files keep theirs.

Everything goes through this file: texts, tables, charts, series of samples. A text that names a key of a file keeps
the file's units, for that is what somebody will type there. No Qt here.
"""

from __future__ import annotations

import math
import re
from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from whirlbench.results.chart import Band, Box, Caption, Chart, Curve, Heatmap, MarkLine, Span, Stretch
from whirlbench.samples import Channel
from whirlbench.units import STANDARD_GRAVITY_M_S2

POUND_KG = 0.45359237  # by definition
FOOT_M = 0.3048  # by definition


@dataclass(frozen=True)
class Unit:
    """A unit of the screen: ``value of the file * factor + zero``."""

    name: str
    factor: float = 1.0
    zero: float = 0.0

    def of(self, values: np.ndarray) -> np.ndarray:
        """Values of the file, ``(n,)``, in this unit; NaN stays NaN."""
        return values if self.factor == 1.0 and not self.zero else values * self.factor + self.zero


LBF_N = POUND_KG * STANDARD_GRAVITY_M_S2
KINDS: dict[str, tuple[Unit, ...]] = {  # the first is that of the files
    "force": (Unit("N"), Unit("kgf", 1.0 / STANDARD_GRAVITY_M_S2), Unit("lbf", 1.0 / LBF_N)),
    "power": (Unit("W"), Unit("kW", 1e-3), Unit("hp", 1.0 / (550.0 * FOOT_M * LBF_N))),
    "temperature": (Unit("C"), Unit("F", 1.8, 32.0)),
}
_OF_FILES = {units[0].name: kind for kind, units in KINDS.items()}
_chosen: dict[str, Unit] = {kind: units[0] for kind, units in KINDS.items()}

NUMBER = r"[-−]?\d+(?:\.\d+)?(?:e[+-]?\d+)?"
BETWEEN = r"(?: ± | to | / |, | and | or |–)"
_SERIES = rf"{NUMBER}(?:{BETWEEN}{NUMBER})*"
# what is no N, W or C of ours: N m, N/mm2, W/kg
_IN_TEXT = re.compile(rf"(?<![\w.])({_SERIES}) ({'|'.join(_OF_FILES)})(?![\w/²]| (?:m|mm|cm|s|h)\b)")
_CELL = re.compile(rf"(?:{_SERIES}(?: \({_SERIES}\))?)?[^\d]*")
_LABEL = re.compile(rf"(.*)(\(|, )({'|'.join(_OF_FILES)})(\)?)")
_FILE_KEY = re.compile(r"\w+\.\w+_(?:n|w|c)\b")


def choose(kind: str, name: str) -> None:
    """Shows quantities of ``kind`` in the unit ``name`` from now on; KeyError for a unit that is none of it."""
    _chosen[kind] = {unit.name: unit for unit in KINDS[kind]}[name]


def chosen(kind: str) -> str:
    """Name of the unit in which quantities of ``kind`` are shown."""
    return _chosen[kind].name


def unit(of_file: str) -> Unit:
    """What the files' unit ``of_file`` is shown in; itself where nothing is chosen for it."""
    kind = _OF_FILES.get(of_file)
    return Unit(of_file) if kind is None else _chosen[kind]


def channel(given: Channel) -> Channel:
    """The channel with the unit in which it is shown; its values are for ``unit(...).of``."""
    return given._replace(unit=unit(given.unit).name)


def text(given: str) -> str:
    """A sentence with its figures in the units chosen."""
    if all(one is units[0] for one, units in zip(_chosen.values(), KINDS.values(), strict=True)):
        return given
    if _FILE_KEY.search(given):
        return given
    return _IN_TEXT.sub(lambda found: f"{_series(found[1], unit(found[2]))} {unit(found[2]).name}", given)


def label(given: str) -> str:
    """A heading or an axis' label that ends with its unit, "thrust (N)" or "thrust, N", with the unit shown."""
    found = _LABEL.fullmatch(given)
    return given if found is None else f"{found[1]}{found[2]}{unit(found[3]).name}{found[4]}"


def table(
    headings: Sequence[str], rows: Sequence[Sequence[str]]
) -> tuple[tuple[str, ...], tuple[tuple[str, ...], ...]]:
    """Headings and cells with every column that has a unit in the one shown.

    A column with a cell that is more than figures stays as it is: half of it in another unit would be worse.
    """
    columns: list[tuple[str, ...]] = list(zip(*rows, strict=True)) if rows else [()] * len(headings)
    shown_headings, shown_columns = list(headings), [[text(cell) for cell in column] for column in columns]
    for place, heading in enumerate(headings):
        asked = _unit_of(heading)
        if asked is not None and all(_CELL.fullmatch(cell) for cell in columns[place]):
            shown_headings[place] = label(heading)
            shown_columns[place] = [_series(cell, asked) for cell in columns[place]]
    return tuple(shown_headings), tuple(zip(*shown_columns, strict=True)) if rows else ()


def chart(given: Chart) -> Chart:
    """The chart with both axes, and every word on it, in the units shown."""
    x, y = (_unit_of(label) or Unit("") for label in (given.x_label, given.y_label))
    return replace(
        given,
        title=text(given.title), caption=text(given.caption),
        x_label=label(given.x_label), y_label=label(given.y_label),
        curves=tuple(_curve(one, x, y) for one in given.curves),
        bands=tuple(_band(one, x, y) for one in given.bands),
        lines=tuple(_line(one, x, y) for one in given.lines),
        stretches=tuple(_stretch(one, x) for one in given.stretches),
        boxes=tuple(_box(one, x, y) for one in given.boxes),
        captions=tuple(_caption(one, x, y) for one in given.captions),
        heatmap=_heatmap(given.heatmap, x, y),
        x_span=_span(given.x_span, x), y_span=_span(given.y_span, y),
    )  # fmt: skip


def _unit_of(label: str) -> Unit | None:
    """The unit shown for a label that ends with one of the files' units; None for any other label."""
    found = _LABEL.fullmatch(label)
    return None if found is None else unit(found[3])


def _series(given: str, shown: Unit) -> str:
    """Every figure of a series, one after ± without the zero."""
    pieces = re.split(rf"({NUMBER})", given)
    return "".join(
        _figure(piece, shown, is_error=place > 0 and pieces[place - 1].endswith("± ")) if place % 2 else piece
        for place, piece in enumerate(pieces)
    )


def _figure(given: str, shown: Unit, is_error: bool) -> str:
    """A figure to about as many places as it had; a unit that is the file's changes nothing."""
    if shown.factor == 1.0 and not shown.zero:
        return given
    value = float(given.replace("−", "-")) * shown.factor + (0.0 if is_error else shown.zero)
    if "e" in given:
        return f"{value:.4g}"
    decimals = len(given.partition(".")[2])
    places = math.ceil(decimals - math.log10(shown.factor) - 0.5)
    return f"{value:.{min(max(places, 0), 6)}f}"


def _curve(given: Curve, x: Unit, y: Unit) -> Curve:
    return replace(given, x=x.of(given.x), y=y.of(given.y), label=text(given.label))


def _band(given: Band, x: Unit, y: Unit) -> Band:
    return replace(given, x=x.of(given.x), low=y.of(given.low), high=y.of(given.high), label=text(given.label))


def _line(given: MarkLine, x: Unit, y: Unit) -> MarkLine:
    return replace(given, at=_one(given.at, x if given.upright else y), label=text(given.label))


def _stretch(given: Stretch, x: Unit) -> Stretch:
    return replace(given, from_x=_one(given.from_x, x), to_x=_one(given.to_x, x), label=text(given.label))


def _box(given: Box, x: Unit, y: Unit) -> Box:
    return replace(given, x=_pair(given.x, x), y=_pair(given.y, y), label=text(given.label))


def _caption(given: Caption, x: Unit, y: Unit) -> Caption:
    return replace(given, x=_one(given.x, x), y=_one(given.y, y), text=text(given.text))


def _heatmap(given: Heatmap | None, x: Unit, y: Unit) -> Heatmap | None:
    return None if given is None else replace(given, x=_pair(given.x, x), y=_pair(given.y, y))


def _one(value: float, shown: Unit) -> float:
    return value * shown.factor + shown.zero


def _pair(given: Span, shown: Unit) -> Span:
    return _one(given[0], shown), _one(given[1], shown)


def _span(given: Span | None, shown: Unit) -> Span | None:
    return None if given is None else _pair(given, shown)
