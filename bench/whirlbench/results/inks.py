"""Colours of charts and pages by the name of their part: ink on paper, and red kept for what must not be done.

Each stands out from paper and card by 4.5:1 (WCAG 2.2, 1.4.3), ``rule`` apart, which only divides; curves that lie in
one chart stay apart for colour-blind eyes. `tests/window/drawing/test_palette.py` measures both.
"""

from __future__ import annotations

INKS = {
    "paper": "#f6f1e6",
    "card": "#fffdf8",
    "ink": "#26231d",
    "faint": "#6a6355",
    "rule": "#ddd4c1",
    "calm": "#2c696b",  # with room
    "close": "#8f660a",  # most of a limit in use; cautions
    "caution": "#7a4b0c",  # words of a caution on paper: darker, to be read
    "over": "#960f24",  # at or past a limit; dangers
    "cursor": "#3f1a66",
    "measured": "#2456b8",
    "model": "#a3552a",
    "second": "#17605a",  # the run or blade set beside the first
}


def ink(name: str) -> str:
    """Colour ``#rrggbb`` of the part ``name``; KeyError for a part that is none."""
    return INKS[name]
