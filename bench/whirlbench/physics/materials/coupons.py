"""Own coupons: the strength that most parts exceed, from few specimens, and whether their unit can be meant."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

COVERAGE, CONFIDENCE = 0.90, 0.95  # lower bound that 90 % of parts exceed, with 95 % confidence


@dataclass(frozen=True)
class LowerBound:
    """A strength that most parts exceed, from ``count`` specimens; stresses in MPa, ``k`` without unit."""

    value_mpa: float
    mean_mpa: float
    deviation_mpa: float
    count: int
    k: float


def tolerance_factor(count: int, coverage: float = COVERAGE, confidence: float = CONFIDENCE) -> float:
    """One-sided normal tolerance factor k for ``count`` (>= 2) specimens: mean - k s is exceeded by ``coverage``.

    Source: non-central t distribution, as in NIST/SEMATECH e-Handbook 7.2.6.3; 3.407 for five, from memory.
    """
    from scipy.stats import nct, norm

    if count < 2:
        raise ValueError(f"{count} specimen(s) have no scatter: at least 2 are needed")
    noncentrality = math.sqrt(count) * norm.ppf(coverage)
    return float(nct.ppf(confidence, count - 1, noncentrality) / math.sqrt(count))


def lower_bound(strengths_mpa: Sequence[float]) -> LowerBound:
    """Lower bound of own coupons in MPa; it may be zero or less when the scatter is large, for the caller to refuse."""
    values = np.asarray(strengths_mpa, dtype=float)
    factor = tolerance_factor(len(values))
    mean, deviation = float(values.mean()), float(values.std(ddof=1))
    return LowerBound(mean - factor * deviation, mean, deviation, len(values), factor)
