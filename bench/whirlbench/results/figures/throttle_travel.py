"""Throttle travel in words and cells: how far the throttle may open before a failed governor could pass a speed."""

from __future__ import annotations

import math

from whirlbench.results.answer import Column, fixed
from whirlbench.rig.description import Rig

FULL_TRAVEL_PCT = 100.0
TRAVEL_COLUMNS = (Column("highest travel, 95 % safe", "%"), Column("pulse", "µs"), Column("best estimate", "%"))


def travel_words(throttle_pct: float) -> str:
    """How far the throttle may open, for a sentence."""
    full = throttle_pct >= FULL_TRAVEL_PCT
    return "full throttle travel" if full else f"throttle travel up to {throttle_pct:g} %"


def whole_travel(safe_pct: float, rig: Rig) -> tuple[int, int]:
    """A travel in whole percent and as a pulse in us, both rounded down."""
    percent = math.floor(safe_pct + 1e-9)
    return percent, math.floor(rig.throttle.pulse_at_us(percent) + 1e-9)


def travel_cells(safe_pct: float, best_pct: float, rig: Rig) -> tuple[str, str, str]:
    """A row's cells under ``TRAVEL_COLUMNS``."""
    percent, pulse_us = whole_travel(safe_pct, rig)
    return f"{percent}", f"{pulse_us}", fixed(best_pct, 0)


def highest_travel(safe_pct: float, best_pct: float, rig: Rig) -> str:
    """The highest travel that is safe, with its pulse and what the best estimate would be."""
    percent, pulse_us = whole_travel(safe_pct, rig)
    return f"{travel_words(percent)} ({pulse_us} µs), 95 % safe, best estimate {best_pct:.0f} %,"
