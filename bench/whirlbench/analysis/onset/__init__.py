"""When a run began to leave its own healthy behaviour, by what signal, and when it failed."""

from whirlbench.analysis.onset.detection import OnsetReport, find_onset
from whirlbench.analysis.onset.failure import find_failure

__all__ = ["OnsetReport", "find_failure", "find_onset"]
