"""A whole run, or several side by side, in words: chapters of answers that a page renders."""

from whirlbench.results.report.chapter import Chapter, RecordedRun, Report
from whirlbench.results.report.comparison import compared_runs, side_by_side
from whirlbench.results.report.run_report import run_report

__all__ = ["Chapter", "RecordedRun", "Report", "compared_runs", "run_report", "side_by_side"]
