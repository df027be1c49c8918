"""A strength check put into words: its answer, its tables with the working, its charts."""

from whirlbench.results.check.charts import margins
from whirlbench.results.check.check import SUBJECT, StrengthCheck, check_answer, check_strength, told_set, what_if
from whirlbench.results.check.clearance import SetJudgement, judge_fitted_set

__all__ = [
    "SUBJECT",
    "SetJudgement",
    "StrengthCheck",
    "check_answer",
    "check_strength",
    "judge_fitted_set",
    "margins",
    "told_set",
    "what_if",
]
