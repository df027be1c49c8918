"""Least and greatest pitch against rpm from limits, drive and strength, and the servo end points that keep to them."""

from whirlbench.analysis.pitch_limits.course_loads import (
    ExpectedLoads,
    LoadModel,
    expected_loads,
    load_model,
    safe_travel,
)
from whirlbench.analysis.pitch_limits.end_points import EndPoint, ModeEndPoints, mode_end_points, servo_travel
from whirlbench.analysis.pitch_limits.least_pitch import SafeThrottle, finite_or_none
from whirlbench.analysis.pitch_limits.limits import (
    FULL_TRAVEL_PCT,
    PitchLimits,
    SpeedLimits,
    floors_of,
    limits_at_speeds,
    pitch_limits,
    safe_throttle_of,
)
from whirlbench.analysis.pitch_limits.next_hold import NextHold, next_hold_plan, propose_hold, speed_keys
from whirlbench.analysis.pitch_limits.set_comparison import Difference, compare_sets
from whirlbench.analysis.pitch_limits.study import LimitsStudy, Proposal, at_speeds, limits_study, propose

__all__ = [
    "FULL_TRAVEL_PCT",
    "Difference",
    "EndPoint",
    "ExpectedLoads",
    "LimitsStudy",
    "LoadModel",
    "ModeEndPoints",
    "NextHold",
    "PitchLimits",
    "Proposal",
    "SafeThrottle",
    "SpeedLimits",
    "at_speeds",
    "compare_sets",
    "expected_loads",
    "finite_or_none",
    "floors_of",
    "limits_at_speeds",
    "limits_study",
    "load_model",
    "mode_end_points",
    "next_hold_plan",
    "pitch_limits",
    "propose",
    "propose_hold",
    "safe_throttle_of",
    "safe_travel",
    "servo_travel",
    "speed_keys",
]
