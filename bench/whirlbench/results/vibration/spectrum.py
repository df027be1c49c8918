"""A spectrum in words: the highest lines of a stretch, in Hz and, at a steady speed, in orders of the shaft."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from typing import Any

import numpy as np

from whirlbench.analysis.orders import Spectrum, spectrum
from whirlbench.errors import AnalysisError
from whirlbench.results.answer import NONE, Answer, Column, NotJudged, Table, fixed, not_judged
from whirlbench.results.chart import Chart, Curve, MarkLine
from whirlbench.results.labels import label
from whirlbench.samples import Run

SUBJECT = "spectrum"
LINES = 5  # of each axis, in the table
ORDERS = (1, 2, 3, 4)  # marked on the chart
STEADY_SHARE = 0.02  # of the speed: where it moves more, a line in Hz has no order; ours, no source
AXIS_INKS = ("measured", "model", "second")
COLUMNS = (
    Column("signal", figures=False),
    Column("frequency", "Hz"),
    Column("order"),
    Column("amplitude", "g peak"),
)


@dataclass(frozen=True)
class ShaftSpeed:
    """Mean speed of a stretch in rpm, and by which share of it the speed moved; NaN where it was not recorded."""

    rpm: float
    spread: float

    @property
    def is_steady(self) -> bool:
        """Whether lines can be told as orders."""
        return bool(self.rpm > 0.0 and self.spread <= STEADY_SHARE)


def spectrum_answer(run: Run) -> Answer:
    """The vibration of ``run``, commonly a span of one, as lines over frequency; not judged where there is none."""
    try:
        found = spectrum(run.vibration)
    except AnalysisError as error:
        return not_judged(SUBJECT, str(error))
    speed = _speed(run)
    rows = tuple(_rows(found, speed))
    return Answer(
        SUBJECT,
        _headline(found, speed),
        (Table("lines", f"The {LINES} highest lines of each signal", COLUMNS, rows),),
        (_chart(found, speed),),
        not_judged=tuple(_open(speed)),
        document=_document(found, speed),
    )


def _speed(run: Run) -> ShaftSpeed:
    rpm = run.slow.channel("rpm")
    rpm = rpm[np.isfinite(rpm)]
    if not len(rpm):
        return ShaftSpeed(np.nan, np.nan)
    mean = float(rpm.mean())
    low, high = np.quantile(rpm, (0.05, 0.95))
    return ShaftSpeed(mean, float(high - low) / mean if mean > 0.0 else np.nan)


def _headline(found: Spectrum, speed: ShaftSpeed) -> str:
    axis = max(
        found.axes, key=lambda name: float(found.amplitude_g[found.axes.index(name), found.peaks(name, 1)].max())
    )
    line = found.peaks(axis, 1)[0]
    at_hz, size_g = found.frequency_hz[line], found.amplitude_g[found.axes.index(axis), line]
    order = f", order {_order(at_hz, speed)}" if speed.is_steady else ""
    averaged = f"{found.frames} frames of {found.frame_s:.2g} s averaged"
    return f"highest line at {at_hz:.1f} Hz{order}: {size_g:.3g} g peak, {label(axis)}; {averaged}"


def _order(at_hz: float, speed: ShaftSpeed) -> str:
    return fixed(60.0 * at_hz / speed.rpm, 2) if speed.is_steady else NONE


def _rows(found: Spectrum, speed: ShaftSpeed) -> Iterator[tuple[str, ...]]:
    for row, axis in enumerate(found.axes):
        for line in found.peaks(axis, LINES):
            at_hz = float(found.frequency_hz[line])
            yield label(axis), fixed(at_hz, 1), _order(at_hz, speed), f"{found.amplitude_g[row, line]:.3g}"


def _open(speed: ShaftSpeed) -> Iterator[NotJudged]:
    if not speed.rpm > 0.0:
        yield NotJudged("orders", "no turning shaft was recorded in this span")
    elif not speed.is_steady:
        moved = f"the speed moves by {100.0 * speed.spread:.0f} % in this span"
        yield NotJudged("orders", f"{moved}: select a steady one, or see the order map of the diagnosis")


def _chart(found: Spectrum, speed: ShaftSpeed) -> Chart:
    curves = tuple(
        Curve(found.frequency_hz, found.amplitude_g[row], label(axis), AXIS_INKS[row % len(AXIS_INKS)])
        for row, axis in enumerate(found.axes)
    )
    marks = ORDERS if speed.is_steady else ()
    lines = tuple(MarkLine(order * speed.rpm / 60.0, f"{order}P", "faint") for order in marks)
    return Chart(
        "Amplitude spectrum of vibration", "frequency (Hz)", "g peak", curves, lines=lines, key="spectrum",
        caption="Each line is the height of the sine at that frequency; 1P is once a turn of the shaft.",
    )  # fmt: skip


def _document(found: Spectrum, speed: ShaftSpeed) -> dict[str, Any]:
    return {
        "rpm": speed.rpm,
        "frame_s": found.frame_s,
        "frames": found.frames,
        "lines": [
            {"signal": axis, "hz": float(found.frequency_hz[line]), "g_peak": float(found.amplitude_g[row, line])}
            for row, axis in enumerate(found.axes)
            for line in found.peaks(axis, LINES)
        ],
    }
