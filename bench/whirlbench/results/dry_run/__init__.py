"""A plan before it is run: its whole course in words."""

from whirlbench.results.dry_run.dry_run import SUBJECT, PlannedStep, dry_run_answer

__all__ = ["SUBJECT", "PlannedStep", "dry_run_answer"]
