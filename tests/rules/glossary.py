"""The words of the project: `bench/docs/glossary.toml` read, and the page written that is derived from it.

Run as a script it writes `bench/docs/glossary.md`.
"""

from __future__ import annotations

import functools
import tomllib
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

DOCS = Path(__file__).resolve().parents[2] / "bench" / "docs"
PAGE = DOCS / "glossary.md"
HEAD = "# Glossary\n\nOne word has one meaning here, on screens, in files and in code. Derived from `glossary.toml`.\n"


@dataclass(frozen=True)
class Term:
    """A word, what it means, the words that are not used for it, and names of other things that hold one of them."""

    word: str
    meaning: str
    instead_of: Sequence[str] = ()
    allowed_in: Sequence[str] = ()


@functools.cache
def terms() -> list[Term]:
    """The declared terms in alphabetical order; TypeError for an unknown key or one that is missing."""
    rows = tomllib.loads((DOCS / "glossary.toml").read_text(encoding="utf-8"))["term"]
    return sorted((Term(**row) for row in rows), key=lambda term: term.word)


def page() -> str:
    """The glossary as a page of Markdown."""
    lines = []
    for term in terms():
        refused = f" Not: {', '.join(term.instead_of)}." if term.instead_of else ""
        lines.append(f"- **{term.word}**: {term.meaning}{refused}")
    return HEAD + "\n" + "\n".join(lines) + "\n"


if __name__ == "__main__":
    PAGE.write_text(page(), encoding="utf-8")
