"""Charts of onset and trip studies, drawn without a display."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from whirlbench.analysis.onset import OnsetReport
    from whirlbench.safety.study import Trade

STRONGEST = 5  # signals that are drawn


def write_evidence(report: OnsetReport, path: Path) -> None:
    """Evidence of the strongest signals against time, with the alarm level, onset interval and failure, as PNG."""
    from matplotlib.figure import Figure

    figure = Figure(figsize=(9.0, 4.2), layout="constrained")
    axes = figure.add_subplot()
    evidence = report.evidence
    if len(evidence.time_s):
        strongest = evidence.nats.max(axis=0).argsort()[::-1][:STRONGEST]
        for column in strongest:
            axes.plot(evidence.time_s, evidence.nats[:, column] + 0.1, label=report.signal_names[column], linewidth=1.2)
        axes.axhline(report.level_nats, color="0.2", linestyle=(0, (6, 3)), linewidth=1.0, label="alarm level")
    if report.onset:
        axes.axvspan(report.onset.from_s, report.onset.to_s, color="0.85", label="onset, 95 %")
        axes.axvline(report.onset.at_s, color="0.4", linewidth=1.0)
    if report.failure:
        axes.axvline(report.failure.at_s, color="black", linewidth=1.5, label=report.failure.kind)
    axes.set_yscale("log")
    axes.set_xlabel("time in the run, s")
    axes.set_ylabel("evidence of change, nats")
    axes.legend(loc="upper left", fontsize="small")
    figure.savefig(path, dpi=120)


def write_trade(rule: str, trades: Sequence[Trade], path: Path) -> None:
    """Median lead time against false alarms per hour, one point a limit value, each named, as PNG."""
    from matplotlib.figure import Figure

    figure = Figure(figsize=(7.0, 4.6), layout="constrained")
    axes = figure.add_subplot()
    axes.plot([one.false_alarms_per_hour for one in trades], [one.median_lead_s for one in trades], marker="o")
    for one in trades:
        axes.annotate(
            f"{one.limit:.4g} ({100 * one.caught_share:.0f} %)",
            (one.false_alarms_per_hour, one.median_lead_s),
            xytext=(4, 4),
            textcoords="offset points",
            fontsize="small",
        )
    axes.set_xlabel("false alarms per hour of healthy running")
    axes.set_ylabel("median lead before failure, s")
    axes.set_title(f"{rule}: limit, and share of failures caught", fontsize="medium")
    figure.savefig(path, dpi=120)
