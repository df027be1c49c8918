"""A strength check put into words: its answer, its tables with the working, its charts."""

from whirlbench.results.check.charts import margins
from whirlbench.results.check.check import SUBJECT, StrengthCheck, check_answer, check_strength, what_if

__all__ = ["SUBJECT", "StrengthCheck", "check_answer", "check_strength", "margins", "what_if"]
