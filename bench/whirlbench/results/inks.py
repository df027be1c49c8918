"""Colours of charts and pages by the name of their part: ink on paper, and red kept for what must not be done."""

from __future__ import annotations

INKS = {
    "paper": "#f6f1e6",
    "card": "#fffdf8",
    "ink": "#26231d",
    "faint": "#b9b09d",
    "rule": "#ddd4c1",
    "calm": "#4d7358",  # with room
    "close": "#c07a1c",  # most of a limit in use; cautions
    "caution": "#7a4b0c",  # words of a caution on paper: darker, to be read
    "over": "#a3231f",  # at or past a limit; dangers
    "cursor": "#6a4b8a",
    "measured": "#1f4e79",
    "model": "#8a4b2d",
    "second": "#2f6b66",  # the run or blade set beside the first
}


def ink(name: str) -> str:
    """Colour ``#rrggbb`` of the part ``name``; KeyError for a part that is none."""
    return INKS[name]
