"""What a blade material may carry: published ranges with their source, own coupons, and the knock-downs on both.

Three rules: own coupons come first; without them the lowest published value counts, in the weakest direction unless
the layers' direction is stated; the bulk strength on a filament maker's sheet is never used.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

SHEAR_OVER_TENSION = 0.577  # von Mises, Shigley 9e uses it for shear-out of metals; an assumption for polymers
ACROSS_OVER_IN_LAYER = 0.3  # low end of 0.3 to 0.4 seen in the published pairs below, for printed filament
COVERAGE, CONFIDENCE = 0.90, 0.95  # lower bound that 90 % of parts exceed, with 95 % confidence


@dataclass(frozen=True)
class Material:
    """Published tensile strengths in MPa as (lowest, highest); ``across_mpa`` pulls the layers apart.

    ``brittle``: little stretch before failure, so that the peak beside a hole counts at once and not only in fatigue.
    ``modulus_gpa`` is the upper end of the range, because a stiff blade is relieved least.
    """

    name: str
    title: str
    tension_mpa: tuple[float, float]
    across_mpa: tuple[float, float] | None
    density_kg_m3: float
    modulus_gpa: float
    temperature_factor: float
    moisture_factor: float
    brittle: bool
    source: str
    verified: str

    @property
    def layered(self) -> bool:
        """Whether the strength depends on the direction of layers."""
        return self.across_mpa is not None


def _ranged(low_mpa: float, high_mpa: float) -> tuple[float, float]:
    """Range across the layers by the working ratio, where only in-layer strength was published."""
    return ACROSS_OVER_IN_LAYER * low_mpa, 0.4 * high_mpa


# Densities and moduli are from memory. Temperature and moisture factors are assumptions of this project, shown wherever
# they are used: printed polymers soften on a warm stand, and polyamides lose strength as they take up water.
TEMPERATURE_FACTOR, MOISTURE_FACTOR = 0.80, 0.85  # taken where no material is named, too
_WARM, _MOIST, _DRY = TEMPERATURE_FACTOR, MOISTURE_FACTOR, 1.0
PUBLISHED: dict[str, Material] = {
    item.name: item
    for item in (
        Material(
            "printed_pa12_cf", "PA12 with carbon fibre, printed filament, annealed", (21.79, 27.71), (8.78, 8.78),
            1060.0, 6.0, _WARM, _MOIST, True,
            "Babis et al., Technologies 2025, 13(10), 456: 27.71 at 0, 21.79 at 45, 8.78 MPa at 90 degrees",
            "read in the source",
        ),
        Material(
            "printed_pla", "PLA, printed filament", (33.0, 47.0), (16.0, 16.0), 1240.0, 3.6, 0.70, _DRY, True,
            "Materiale Plastice, article 11509: 47 lateral, 33 flat, 16 MPa vertical, 40 to 70 % infill",
            "abstract read",
        ),
        Material(
            "printed_petg", "PETG, printed filament", (28.21, 47.09), _ranged(28.21, 47.09),
            1270.0, 2.2, _WARM, _DRY, True,
            "Ali, Enzi, Huayier, 25 process settings, in the layers; across by the ratio 0.3 to 0.4", "abstract read",
        ),
        Material(
            "printed_abs", "ABS, printed filament", (32.04, 39.52), _ranged(32.04, 39.52),
            1050.0, 2.3, _WARM, _DRY, True,
            "Ali, Enzi, Huayier, 25 process settings, in the layers; across by the ratio 0.3 to 0.4", "abstract read",
        ),
        Material(
            "sintered_pa12_cf", "PA12 with carbon fibre, laser-sintered", (58.0, 72.0), (46.0, 58.0),
            1080.0, 7.0, _WARM, _MOIST, True, "a secondary compilation", "read only in a quotation, low trust",
        ),
        Material(
            "moulded_nylon", "polyamide 6 or 66, moulded, not reinforced", (50.0, 94.8), None,
            1140.0, 3.2, _WARM, _DRY, False,
            "Ashby, Materials and the Environment, record for polyamides: yield strength 50 to 94.8 MPa, "
            "the low end taken as conditioned by air", "read in a stored copy of a third-party page",
        ),
    )
}  # fmt: skip


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
