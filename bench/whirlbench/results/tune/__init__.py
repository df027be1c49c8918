"""A study of the speed loop put into words: its answer and document, its tables, its charts."""

from whirlbench.results.tune.tune import (
    DO_NOT_LOAD,
    SUBJECT,
    Study,
    compare_runs,
    gains_for_rig,
    proof,
    read_advice,
    retuned,
    study,
    tune_answer,
)

__all__ = [
    "DO_NOT_LOAD",
    "SUBJECT",
    "Study",
    "compare_runs",
    "gains_for_rig",
    "proof",
    "read_advice",
    "retuned",
    "study",
    "tune_answer",
]
