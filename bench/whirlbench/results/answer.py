"""What every surface renders: an analysis' result put into words, tables and charts, once.

A result's module in this package makes an ``Answer``; command line, window, report and field card show it and word
nothing themselves. A value that must not be used is a dash in every table and null in the document.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, fields, is_dataclass
from enum import StrEnum
from typing import Any

from whirlbench.results.chart import Chart

WRITTEN_OUT = 1e6  # numbers below are written out
NONE = "–"  # nothing known, or a value that must not be used; never a zero
DASH_MEANS = "– stands for a value that is not known or must not be used; it is never a zero"


class Verdict(StrEnum):
    """How much of the question the data could answer."""

    JUDGED = "judged"
    IN_PART = "in part"
    NOT_JUDGED = "not judged"


class Level(StrEnum):
    """How a remark is to be taken; the order is that in which they are read."""

    DANGER = "danger"  # acting against it can hurt somebody
    CAUTION = "caution"
    NOTE = "note"


@dataclass(frozen=True)
class Remark:
    """One sentence about a result."""

    level: Level
    text: str

    @property
    def line(self) -> str:
        """The sentence with the word that says how it is to be taken, for surfaces without colour."""
        return LEVEL_WORDS[self.level] + self.text


LEVEL_WORDS = {Level.DANGER: "DANGER: ", Level.CAUTION: "caution: ", Level.NOTE: ""}


@dataclass(frozen=True)
class NotJudged:
    """Something that was asked and not answered, and why."""

    what: str
    why: str

    @property
    def text(self) -> str:
        """Both in one line."""
        return f"{self.headline}, {self.why}"

    @property
    def headline(self) -> str:
        """That it was not, without the reason."""
        return f"{self.what}: not judged"


@dataclass(frozen=True)
class Column:
    """A column of a table: its heading, the unit of its figures, and whether they are figures at all.

    ``strong``: what nobody may overlook, in bold where a page can.
    """

    heading: str
    unit: str = ""
    figures: bool = True
    strong: bool = False

    @property
    def text(self) -> str:
        """Heading with its unit."""
        return f"{self.heading}, {self.unit}" if self.unit else self.heading


@dataclass(frozen=True)
class Table:
    """A table of words: every cell is text, figures rounded and with their uncertainty where one is known.

    ``key`` names the table for renderers that pick some of them; ``danger`` holds the numbers of rows that must not
    be acted on.
    """

    key: str
    title: str
    columns: tuple[Column, ...]
    rows: tuple[tuple[str, ...], ...]
    danger: frozenset[int] = frozenset()

    @property
    def headings(self) -> tuple[str, ...]:
        """Headings with their units."""
        return tuple(column.text for column in self.columns)


@dataclass(frozen=True)
class PlanOffer:
    """A plan for the stand that follows from a result: what it is for, a name for its file, its text.

    With ``text`` empty there is none, and ``remark`` says why; else it says what the plan would bring.
    """

    purpose: str
    file_name: str
    text: str = ""
    remark: str = ""


@dataclass(frozen=True)
class Answer:
    """A result in words. ``document`` holds the keys that other programs may rely on, beyond verdict and remarks.

    ``not_judged`` says what was asked and stays open. ``appendix`` holds the tables that only pages to be read at
    leisure show. Tables and charts have keys of their own: ValueError otherwise.
    """

    subject: str
    headline: str
    tables: tuple[Table, ...] = ()
    charts: tuple[Chart, ...] = ()
    remarks: tuple[Remark, ...] = ()
    not_judged: tuple[NotJudged, ...] = ()
    document: Mapping[str, Any] = field(default_factory=dict)
    plan: PlanOffer | None = None
    judged: bool = True  # whether anything of the question was answered at all
    appendix: tuple[Table, ...] = ()

    def __post_init__(self) -> None:
        for pieces in ((*self.tables, *self.appendix), self.charts):
            keys = [piece.key for piece in pieces]
            if len(set(keys)) < len(keys):
                raise ValueError(f"{self.subject}: two pieces of an answer share a key among {keys}")

    @property
    def verdict(self) -> Verdict:
        """Judged, in part (something in ``not_judged`` stays open), or not judged."""
        if not self.judged:
            return Verdict.NOT_JUDGED
        return Verdict.IN_PART if self.not_judged else Verdict.JUDGED

    def table(self, key: str) -> Table:
        """The table called ``key``; KeyError when the answer has none."""
        for table in self.tables:
            if table.key == key:
                return table
        raise KeyError(key)

    def chart(self, key: str) -> Chart:
        """The chart called ``key``; KeyError when the answer has none."""
        for chart in self.charts:
            if chart.key == key:
                return chart
        raise KeyError(key)

    @property
    def has_dashes(self) -> bool:
        """Whether a cell of its tables is a dash, so that a surface says what that means."""
        return any(cell == NONE for table in self.tables for row in table.rows for cell in row)

    @property
    def statement(self) -> Remark:
        """The headline, as grave as the gravest remark that it says already; ``lines`` leaves such remarks out."""
        said = [remark for remark in self._weighed() if self._says(remark)]
        return Remark(said[0].level if said else Level.NOTE, self.headline)

    def lines(self) -> tuple[Remark, ...]:
        """All that is to be read beside the headline, in order: dangers, cautions, what was not judged, notes."""
        return tuple(remark for remark in self._weighed() if not self._says(remark))

    def _weighed(self) -> list[Remark]:
        """Remarks and what was not judged, the gravest first."""
        open_ = tuple(
            Remark(Level.CAUTION, item.why if item.headline == self.headline else item.text) for item in self.not_judged
        )
        order = {Level.DANGER: 0, Level.CAUTION: 1, Level.NOTE: 2}
        return sorted((*self.remarks, *open_), key=lambda remark: order[remark.level])

    def _says(self, remark: Remark) -> bool:
        """Whether the headline holds the remark word for word, as the whole or as one of its parts."""
        return f"; {remark.text}; " in f"; {self.headline}; "

    def as_document(self) -> dict[str, Any]:
        """The JSON object of the analysis: plain dicts, lists, numbers and None."""
        own = {"verdict": self.verdict, "not_judged": self.not_judged, "remarks": self.remarks}
        found: dict[str, Any] = plain({**self.document, **own})
        return found


def not_judged(subject: str, why: str) -> Answer:
    """The answer where the data could not answer at all."""
    item = NotJudged(subject, why)
    return Answer(subject, item.headline, not_judged=(item,), judged=False)


def figure(value: float | None, digits: int = 3) -> str:
    """``value`` to ``digits`` significant figures; a dash where there is none."""
    return NONE if value is None or not math.isfinite(value) else significant(value, digits)


def significant(value: float, digits: int) -> str:
    """``value`` to ``digits`` significant figures, without a power of ten where a number is read more easily."""
    text = f"{value:.{digits}g}"
    return f"{float(text):.0f}" if "e+" in text and abs(value) < WRITTEN_OUT else text


def fixed(value: float | None, decimals: int = 1) -> str:
    """``value`` with ``decimals``; a dash where there is none."""
    return NONE if value is None or not math.isfinite(value) else f"{value:.{decimals}f}"


def with_error(value: float, error: float) -> str:
    """A value to four figures and its standard error to two; a dash where there is no value."""
    return (
        f"{significant(value, 4)} ± {significant(error, 2)}"
        if math.isfinite(value) and math.isfinite(error)
        else figure(value, 4)
    )


def span(low: float, high: float, decimals: int = 0) -> str:
    """A range, both ends with ``decimals``."""
    return f"{fixed(low, decimals)} to {fixed(high, decimals)}"


def listed(words: Sequence[str]) -> str:
    """Words joined for reading."""
    return ", ".join(words[:-1]) + f" and {words[-1]}" if len(words) > 1 else "".join(words)


def plain(value: Any) -> Any:
    """``value`` as nested dicts, lists, numbers and None: what is not finite becomes None."""
    if is_dataclass(value) and not isinstance(value, type):
        return {item.name: plain(getattr(value, item.name)) for item in fields(value)}
    if isinstance(value, Mapping):
        return {str(key): plain(item) for key, item in value.items()}
    if hasattr(value, "tolist"):  # arrays and NumPy scalars
        return plain(value.tolist())
    if isinstance(value, (list, tuple)):
        return [plain(item) for item in value]
    if isinstance(value, StrEnum):
        return value.value
    if isinstance(value, float) and not math.isfinite(value):
        return None
    return value
