"""When a run began to leave its own healthy behaviour, by what signal and cause, and when it failed."""

from whirlbench.analysis.onset.dating import FirstBeginning, SignalOnset
from whirlbench.analysis.onset.detection import MEAN_TIME_S, OnsetReport, find_onset
from whirlbench.analysis.onset.failure import Failure, find_failure
from whirlbench.analysis.onset.findings import Cause, SmallestChange

__all__ = [
    "MEAN_TIME_S",
    "Cause",
    "Failure",
    "FirstBeginning",
    "OnsetReport",
    "SignalOnset",
    "SmallestChange",
    "find_failure",
    "find_onset",
]
