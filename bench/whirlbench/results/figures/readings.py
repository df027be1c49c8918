"""Figures read by calibrated sensors, in words: with the error of their calibration, and marked beyond its span."""

from __future__ import annotations

import math
from collections.abc import Iterator

import numpy as np

from whirlbench.analysis.propeller import Hold, Measured
from whirlbench.results.answer import Level, Remark
from whirlbench.results.labels import label
from whirlbench.rig.description import PROLONGED, Rig
from whirlbench.safety.reading_errors import mark, product_stderr, prolonged, reading_stderr, with_stderr
from whirlbench.samples import SLOW_CHANNELS, Run

BEHIND = {"power_w": ("current_a", "voltage_v")}  # what a quantity is worked out from


def reading_words(rig: Rig | None, channel: str, value: float, unit: str, form: str = "{:.4g}") -> str:
    """One reading with its unit; its error and its mark where the rig tells them."""
    if rig is None:
        return f"{form.format(value)} {unit}"
    figure = with_stderr(form.format(value), reading_stderr(rig, channel, value))
    return " ".join(filter(None, (figure, unit, mark(rig, {channel: value}))))


def hold_error(rig: Rig | None, hold: Hold, name: str) -> float:
    """Standard error that the calibration leaves in a mean of ``hold``, in its unit; NaN where it is not known."""
    return math.nan if rig is None else product_stderr(rig, _behind(hold, name), getattr(hold, name).mean)


def with_calibration(measured: Measured, error: float) -> Measured:
    """``measured`` with the error of its calibration beside the scatter over the hold; NaN: not known, left out."""
    return measured if math.isnan(error) else Measured(measured.mean, math.hypot(measured.stderr, error))


def hold_mark(rig: Rig | None, hold: Hold, name: str) -> str:
    """The word beside a mean whose sensors stood beyond what was calibrated; empty otherwise."""
    return "" if rig is None else mark(rig, _behind(hold, name))


def _behind(hold: Hold, name: str) -> dict[str, float]:
    return {channel: getattr(hold, channel).mean for channel in BEHIND.get(name, (name,))}


def prolonged_remarks(run: Run, rig: Rig | None) -> Iterator[Remark]:
    """Channels of ``run`` that read beyond what was calibrated, each with the readings furthest out."""
    for name, unit, _ in SLOW_CHANNELS if rig is not None else ():
        values = run.slow.channel(name)
        known = values[np.isfinite(values)]
        ends = (float(known.min()), float(known.max())) if len(known) else ()
        over = [f"{end:.4g}" for end in ends if rig is not None and prolonged(rig, name, end)]
        if over:
            text = (
                f"{label(name)} reads {' and '.join(over)} {unit}: beyond what was calibrated, the line is {PROLONGED}"
            )
            yield Remark(Level.CAUTION, text)
