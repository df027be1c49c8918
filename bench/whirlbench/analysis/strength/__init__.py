"""Strength of a blade set before it spins: loads, stresses in the root, permitted speed, fragments, proof-spin plan."""

from whirlbench.analysis.strength.allowables import ANY
from whirlbench.analysis.strength.blade_build import BuiltBlade, build_blade
from whirlbench.analysis.strength.blade_stress import AirLoads, BladeUnderLoad, Yaw
from whirlbench.analysis.strength.design_check import DesignCheck, FragmentView, ModeResult, reserve_uses, servo_hold
from whirlbench.analysis.strength.hand_calculation import worked_sets
from whirlbench.analysis.strength.permitted import PermittedSpeed, permitted_speed
from whirlbench.analysis.strength.planned_points import (
    CoefficientCurve,
    PlannedPoint,
    ThrottleCap,
    coefficient_curve,
    greatest_openings_pct,
)
from whirlbench.analysis.strength.proof_plan import Stage, plan_text
from whirlbench.analysis.strength.strength_check import StrengthCheck, check_strength
from whirlbench.analysis.strength.tolerances import DEFAULT_SEED, MonteCarlo, stated
from whirlbench.analysis.strength.variation import WhatIf, WhatIfPoint, what_if

__all__ = [
    "ANY",
    "AirLoads",
    "BladeUnderLoad",
    "BuiltBlade",
    "CoefficientCurve",
    "DEFAULT_SEED",
    "DesignCheck",
    "FragmentView",
    "ModeResult",
    "MonteCarlo",
    "PermittedSpeed",
    "PlannedPoint",
    "Stage",
    "StrengthCheck",
    "ThrottleCap",
    "WhatIf",
    "WhatIfPoint",
    "Yaw",
    "build_blade",
    "check_strength",
    "coefficient_curve",
    "greatest_openings_pct",
    "permitted_speed",
    "plan_text",
    "reserve_uses",
    "servo_hold",
    "stated",
    "what_if",
    "worked_sets",
]
