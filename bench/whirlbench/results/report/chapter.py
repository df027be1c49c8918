"""What a report is made of: recorded runs with all that is known of them, and chapters that each hold one answer."""

from __future__ import annotations

import hashlib
from collections.abc import Sequence
from dataclasses import dataclass, replace
from pathlib import Path

from whirlbench.log import Entry
from whirlbench.recording.attributes import RunAttributes
from whirlbench.recording.files import open_recording
from whirlbench.recording.layout import Ending
from whirlbench.results.answer import Answer
from whirlbench.rig.description import Rig
from whirlbench.rig.toml import parse_rig
from whirlbench.samples import Run

BLOCK_BYTES = 1 << 20


@dataclass(frozen=True)
class RecordedRun:
    """A recording read for a report: the run, what the file says of itself, the rig that judges it, its SHA-256.

    ``rig`` None where none is known; ``entries`` are those of the log of its blade set, None when no log was asked.
    """

    path: Path
    run: Run
    attributes: RunAttributes
    ending: Ending
    counters: dict[str, float]
    sha256: str
    rig: Rig | None
    entries: tuple[Entry, ...] | None = None
    own_rig: bool = False  # the rig is the one stored in the recording

    @property
    def name(self) -> str:
        """The file's name."""
        return self.path.name

    @classmethod
    def read(cls, path: Path, rig: Rig | None = None, entries: Sequence[Entry] | None = None) -> RecordedRun:
        """The recording at ``path``, judged by ``rig``, absent by the one stored in it; RecordingError, RigError."""
        with open_recording(path) as recording:
            run = replace(recording.run(), source=path.name)  # a page that is handed on names no folders
            about = recording.attributes, recording.ending, recording.last_counters()
        own_rig = rig is None and bool(run.rig_text.strip())
        if own_rig:
            rig = parse_rig(run.rig_text, f"rig stored in {path}")
        return cls(path, run, *about, sha256_of(path), rig, None if entries is None else tuple(entries), own_rig)


def sha256_of(path: Path) -> str:
    """SHA-256 of the file at ``path``, as 64 hexadecimal digits."""
    found = hashlib.sha256()
    with open(path, "rb") as file:
        while block := file.read(BLOCK_BYTES):
            found.update(block)
    return found.hexdigest()


@dataclass(frozen=True)
class Chapter:
    """One chapter: its title and the answer it shows; ``judges`` False: it describes the run, and judges nothing."""

    title: str
    answer: Answer
    judges: bool = True


@dataclass(frozen=True)
class Report:
    """All chapters under one title; ``runs`` names the recordings."""

    title: str
    runs: tuple[str, ...]
    chapters: tuple[Chapter, ...]
    rig_words: tuple[str, ...] = ()  # whose rig judges, where it is the recordings' own

    @property
    def judged(self) -> bool:
        """Whether any question was judged, if only in part; chapters that describe are no judgement."""
        return any(chapter.answer.judged for chapter in self.chapters if chapter.judges)

    @property
    def open_words(self) -> str:
        """Why nothing was judged, each reason once, in one line."""
        open_ = [item.why for chapter in self.chapters if chapter.judges for item in chapter.answer.not_judged]
        return f"no question could be judged: {'; '.join(dict.fromkeys(open_))}"

    def chapter(self, title: str) -> Chapter:
        """The chapter called ``title``; KeyError when there is none."""
        for chapter in self.chapters:
            if chapter.title == title:
                return chapter
        raise KeyError(title)
