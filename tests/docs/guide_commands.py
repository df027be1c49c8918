"""The commands of the guide, as its chapters give them: each fenced block that begins with ``sh``, by its mark.

Without a mark a block is run by the tests, in the order of the chapters, in one folder. ``file=NAME`` is a file that
the reader makes. ``setup`` is the shell's own, ``rehearsal`` is run once for all tests; ``window`` needs a display,
``hardware`` a stand, ``slow`` takes longer than the guide's own test may: those are only held against the options.
"""

from __future__ import annotations

import re
import shlex
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

from guide_page import CHAPTERS, GUIDE

FENCE = re.compile(r"^```sh ?(?P<mark>\S*)\n(?P<inside>.*?)^```", re.MULTILINE | re.DOTALL)
MARKS = {"", "setup", "rehearsal", "window", "hardware", "slow"}
RUN = ""


@dataclass(frozen=True)
class Block:
    """One fenced block: its chapter, its mark and its lines."""

    chapter: str
    mark: str
    text: str

    @property
    def file(self) -> str:
        """Name of the file that the block is; empty for commands."""
        return self.mark.removeprefix("file=") if self.mark.startswith("file=") else ""

    @property
    def commands(self) -> list[list[str]]:
        """Words of each line, without ``whirlbench``; none for a file or the shell's own."""
        if self.file or self.mark == "setup":
            return []
        return [shlex.split(line) for line in self.text.splitlines() if line.strip()]


def blocks(folder: Path = GUIDE) -> Iterator[Block]:
    """Every block of the guide in the order of the chapters."""
    for chapter in CHAPTERS:
        for found in FENCE.finditer((folder / f"{chapter}.md").read_text(encoding="utf-8")):
            yield Block(chapter, found["mark"], found["inside"])
