"""Gains for the governor: tuning rules, stability margins, prediction with the law that will run, proof by re-test."""

from whirlbench.analysis.governor.advice import WORST_SENSITIVITY, Advice, advise
from whirlbench.analysis.governor.comparison import BETTER, Comparison, Figure, compare
from whirlbench.analysis.governor.hunting import LimitCycle, Ringing, find_cycle, find_ringing
from whirlbench.analysis.governor.interaction import Interaction
from whirlbench.analysis.governor.loop_study import Spectrum, Study, compare_runs, retuned, study
from whirlbench.analysis.governor.prediction import LawSettings
from whirlbench.analysis.governor.proof import WORDS, Forecast, Reading, Verdict, forecast, prove
from whirlbench.analysis.governor.retest_plan import expected, plan_text, re_test, rig_lines, rig_values
from whirlbench.analysis.governor.stability import StabilityMargins

__all__ = [
    "Advice",
    "BETTER",
    "Comparison",
    "Figure",
    "Forecast",
    "Interaction",
    "LawSettings",
    "LimitCycle",
    "StabilityMargins",
    "Reading",
    "Ringing",
    "Spectrum",
    "Study",
    "Verdict",
    "WORDS",
    "WORST_SENSITIVITY",
    "advise",
    "compare",
    "compare_runs",
    "expected",
    "find_cycle",
    "find_ringing",
    "forecast",
    "plan_text",
    "prove",
    "re_test",
    "retuned",
    "rig_lines",
    "rig_values",
    "study",
]
