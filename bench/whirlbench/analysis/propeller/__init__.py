"""What the propeller does at the pitches that were held: steady holds of a run, and the map of CT and CP over them."""

from whirlbench.analysis.propeller.hold_means import Measured
from whirlbench.analysis.propeller.holds import Hold, HoldSurvey, find_holds
from whirlbench.analysis.propeller.propeller_map import CoefficientFit, Estimate, PropellerMap, fit_map

__all__ = ["CoefficientFit", "Estimate", "Hold", "HoldSurvey", "Measured", "PropellerMap", "find_holds", "fit_map"]
