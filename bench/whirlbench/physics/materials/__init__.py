"""What blade materials may carry: published figures with their source and condition, and own coupons."""

from whirlbench.physics.materials.coupons import (
    CONFIDENCE,
    COVERAGE,
    FARTHEST,
    LowerBound,
    believable_mpa,
    lower_bound,
    tolerance_factor,
)
from whirlbench.physics.materials.knock_downs import KnockDown, warmth, water
from whirlbench.physics.materials.material import (
    ACROSS_OVER_IN_LAYER,
    BRITTLE_BELOW_PCT,
    CONDITIONS,
    MOISTURE_FACTOR,
    ROOM_C,
    SHEAR_OVER_TENSION,
    TEMPERATURE_FACTOR,
    WARM_C,
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
    "FARTHEST",
    "Figure",
    "KnockDown",
    "LowerBound",
    "MOISTURE_FACTOR",
    "Material",
    "Notch",
    "PUBLISHED",
    "ROOM_C",
    "SHEAR_OVER_TENSION",
    "TEMPERATURE_FACTOR",
    "WARM_C",
    "WELD_LINE_FACTOR",
    "believable_mpa",
    "lower_bound",
    "tolerance_factor",
    "warmth",
    "water",
]
