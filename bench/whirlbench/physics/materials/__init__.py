"""What blade materials may carry: published figures with their source and condition, and own coupons."""

from whirlbench.physics.materials.coupons import CONFIDENCE, COVERAGE, LowerBound, lower_bound, tolerance_factor
from whirlbench.physics.materials.material import (
    ACROSS_OVER_IN_LAYER,
    BRITTLE_BELOW_PCT,
    CONDITIONS,
    MOISTURE_FACTOR,
    SHEAR_OVER_TENSION,
    TEMPERATURE_FACTOR,
    WELD_LINE_FACTOR,
    Condition,
    Curve,
    Figure,
    Material,
    Notch,
)
from whirlbench.physics.materials.published import PUBLISHED

__all__ = [
    "ACROSS_OVER_IN_LAYER",
    "BRITTLE_BELOW_PCT",
    "CONDITIONS",
    "CONFIDENCE",
    "COVERAGE",
    "Condition",
    "Curve",
    "Figure",
    "LowerBound",
    "MOISTURE_FACTOR",
    "Material",
    "Notch",
    "PUBLISHED",
    "SHEAR_OVER_TENSION",
    "TEMPERATURE_FACTOR",
    "WELD_LINE_FACTOR",
    "lower_bound",
    "tolerance_factor",
]
