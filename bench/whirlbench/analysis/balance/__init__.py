"""Single-plane balancing: unbalance and correction from 1P vectors, holes to split it over, and balance grades."""

from whirlbench.analysis.balance.grade import Velocity1P, grade_mm_s, permitted_g_mm, sine_vibration, velocities
from whirlbench.analysis.balance.holes import HoleSplit, even_holes, mass_errors_g, split_over_holes
from whirlbench.analysis.balance.single_plane import (
    Balance,
    Correction,
    Influence,
    Trial,
    balance,
    balance_runs,
    balance_with_influence,
    correction_for,
)
from whirlbench.analysis.balance.vectors import Vectors1P, vectors_1p

__all__ = [
    "Balance",
    "Correction",
    "HoleSplit",
    "Influence",
    "Trial",
    "Vectors1P",
    "Velocity1P",
    "balance",
    "balance_runs",
    "balance_with_influence",
    "correction_for",
    "even_holes",
    "grade_mm_s",
    "mass_errors_g",
    "permitted_g_mm",
    "sine_vibration",
    "split_over_holes",
    "vectors_1p",
    "velocities",
]
