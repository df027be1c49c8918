"""Writes ``bench/docs/guide/troubles.md``: `python tests/docs/troubles.py`, after a change of messages or of the table.

The rows stand in ``troubles.toml``; the messages are collected from the sources (see `messages`).
"""

from __future__ import annotations

import tomllib
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

from messages import Message, collected

from whirlbench.link.messages import Reason
from whirlbench.results.labels import label

TABLE = Path(__file__).with_name("troubles.toml")
PAGE = Path(__file__).resolve().parents[2] / "bench" / "docs" / "guide" / "troubles.md"
HEAD = """\
# Troubles by symptom

Written by `python tests/docs/troubles.py`: do not edit. Find the words of a message by the search of your browser or
editor; an ellipsis stands for a value. A message itself says what was found, what was expected and what to do; here is
what is behind it.

**First of all:** nobody near before the rotor rests and the pack is isolated. A trip whose cause is not found comes
again.
"""
CUTS = """
## The power was cut

The first reason is kept until the device is reset, at rest and with the throttle closed. `whirlbench trips` holds the
recording against every limit, `whirlbench onset` tells when it began.

| named | what is behind it | do |
| --- | --- | --- |
"""


@dataclass(frozen=True)
class Cut:
    """A row of what cut the power: reasons of the device, limits of the host."""

    cause: str
    do: str
    reasons: tuple[str, ...] = ()
    limits: tuple[str, ...] = ()

    @property
    def named(self) -> list[str]:
        """The names under which surfaces show it, each once."""
        words = [Reason[name].name.lower().replace("_", " ") for name in self.reasons]
        return list(dict.fromkeys([*words, *(label(key) for key in self.limits)]))


@dataclass(frozen=True)
class Trouble:
    """A symptom, and the beginnings of the paths of files whose messages belong to it."""

    symptom: str
    cause: str
    do: str
    files: tuple[str, ...]


def rows() -> tuple[list[Cut], list[Trouble]]:
    """The table as it stands in its file."""
    table = tomllib.loads(TABLE.read_text(encoding="utf-8"))
    cuts = [
        Cut(row["cause"], row["do"], tuple(row.get("reasons", ())), tuple(row.get("limits", ())))
        for row in table["cut"]
    ]
    return cuts, [Trouble(row["symptom"], row["cause"], row["do"], tuple(row["from"])) for row in table["trouble"]]


def trouble_of(message: Message, troubles: list[Trouble]) -> Trouble | None:
    """The row with the longest beginning of the message's path; None without one."""
    fitting = [(len(start), row) for row in troubles for start in row.files if message.file.startswith(start)]
    return max(fitting, key=lambda one: one[0])[1] if fitting else None


def page_text() -> str:
    """The whole page as Markdown."""
    cuts, troubles = rows()
    told = "".join(f"| {', '.join(row.named)} | {row.cause} | {row.do} |\n" for row in cuts)
    return HEAD + CUTS + told + "".join(_section(row, troubles) for row in troubles)


def _section(row: Trouble, troubles: list[Trouble]) -> str:
    return f"\n## {row.symptom}\n\n*Behind it:* {row.cause}.\n\n*Do:* {row.do}.\n\n" + "".join(_listed(row, troubles))


def _listed(row: Trouble, troubles: list[Trouble]) -> Iterator[str]:
    texts = dict.fromkeys(one.text for one in collected() if trouble_of(one, troubles) is row)
    yield from (f"- ``{text}``\n" for text in texts)


if __name__ == "__main__":
    PAGE.write_text(page_text(), encoding="utf-8", newline="\n")
