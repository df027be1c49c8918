"""Own coupons: the strength that most parts exceed, from few specimens, and whether their unit can be meant."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from functools import lru_cache

import numpy as np

from whirlbench.physics.materials.material import SHEAR_OVER_TENSION, Material
from whirlbench.physics.materials.published import PUBLISHED

COVERAGE, CONFIDENCE = 0.90, 0.95  # lower bound that 90 % of parts exceed, with 95 % confidence
FARTHEST = 3.0  # own coupons this many times outside the published range are in another unit, or of another material
BEARING_OVER_TENSION = 2.0  # 607 over 310 for 6061-T6 at an end distance of 2 holes, a database quoted in a forum
BOND_MPA = (1.0, 50.0)  # shear of glues, common practice, no source


@dataclass(frozen=True)
class LowerBound:
    """A strength that most parts exceed, from ``count`` specimens; stresses in MPa, ``k`` without unit."""

    value_mpa: float
    mean_mpa: float
    deviation_mpa: float
    count: int
    k: float


@lru_cache  # many sets rest on the same number of coupons, and the quantile takes long
def tolerance_factor(count: int, coverage: float = COVERAGE, confidence: float = CONFIDENCE) -> float:
    """One-sided normal tolerance factor k for ``count`` (>= 2) specimens: mean - k s is exceeded by ``coverage``.

    Source: non-central t distribution, as in NIST/SEMATECH e-Handbook 7.2.6.3; 3.407 for five, from memory.
    """
    from scipy.special import nctdtrit, ndtri  # `scipy.stats` takes longer to import than all the rest of a check

    if count < 2:
        raise ValueError(f"{count} specimen(s) have no scatter: at least 2 are needed")
    noncentrality = math.sqrt(count) * ndtri(coverage)
    return float(nctdtrit(count - 1, noncentrality, confidence) / math.sqrt(count))


def lower_bound(strengths_mpa: Sequence[float]) -> LowerBound:
    """Lower bound of own coupons in MPa; it may be zero or less when the scatter is large, for the caller to refuse."""
    values = np.asarray(strengths_mpa, dtype=float)
    factor = tolerance_factor(len(values))
    mean, deviation = float(values.mean()), float(values.std(ddof=1))
    return LowerBound(mean - factor * deviation, mean, deviation, len(values), factor)


def believable_mpa(kind: str, material: Material | None) -> tuple[float, float]:
    """Lowest and highest strength in MPa that own coupons can have: the published range, widened threefold both ways.

    ``kind`` is a key of the coupons ("tension_mpa", "shear_mpa", ...). Without a material the whole table counts.
    """
    ranges = [_published_mpa(kind, one) for one in ((material,) if material is not None else PUBLISHED.values())]
    return min(low for low, _ in ranges) / FARTHEST, max(high for _, high in ranges) * FARTHEST


def _published_mpa(kind: str, material: Material) -> tuple[float, float]:
    """Published range of a kind of strength; derived from tension where the table has none of that kind."""
    if kind == "bond_shear_mpa":
        return BOND_MPA
    across = material.tension if material.across is None else material.across
    figures = {
        "tension_mpa": material.tension,
        "tension_across_mpa": across,
        "shear_mpa": material.shear,
        "shear_across_mpa": material.shear_across,
        "bearing_mpa": material.bearing,
    }
    figure = figures[kind]
    if figure is not None:
        return figure.low, figure.high
    if kind == "bearing_mpa":
        return material.tension.low, BEARING_OVER_TENSION * material.tension.high
    return SHEAR_OVER_TENSION * across.low, material.tension.high
