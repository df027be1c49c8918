"""Least and greatest pitch against rpm from limits, drive and strength, and the servo end points that keep to them."""

from whirlbench.analysis.pitch_limits.end_points import EndPoint, ModeEndPoints, mode_end_points, servo_travel
from whirlbench.analysis.pitch_limits.least_pitch import finite_or_none
from whirlbench.analysis.pitch_limits.limits import PitchLimits, SpeedLimits, floors_of, limits_at_speeds, pitch_limits
from whirlbench.analysis.pitch_limits.next_hold import NextHold, next_hold_plan, propose_hold, speed_keys
from whirlbench.analysis.pitch_limits.set_comparison import compare_sets

__all__ = [
    "EndPoint",
    "ModeEndPoints",
    "NextHold",
    "PitchLimits",
    "SpeedLimits",
    "compare_sets",
    "finite_or_none",
    "floors_of",
    "limits_at_speeds",
    "mode_end_points",
    "next_hold_plan",
    "pitch_limits",
    "propose_hold",
    "servo_travel",
    "speed_keys",
]
