"""Recorded runs through the rules that run live: what would have tripped when, on what grounds, at which limits."""

from whirlbench.safety.back_test.feeding import back_test, rules_for
from whirlbench.safety.back_test.sensor_shares import SensorShares

__all__ = ["SensorShares", "back_test", "rules_for"]
