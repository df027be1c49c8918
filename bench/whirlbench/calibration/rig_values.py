"""What a calibration writes into the rig, rounded to what is known of it; and the calibrations that a rig holds."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import dataclass
from typing import Any

from whirlbench.calibration.axis_fit import AxisFit
from whirlbench.calibration.line_fit import LineFit
from whirlbench.calibration.pitch_fit import PitchFit
from whirlbench.calibration.tach_fit import TachFit
from whirlbench.calibration.throttle_ends import ThrottleEnds
from whirlbench.calibration.transmitter_fit import TransmitterFit
from whirlbench.rig.description import Calibration, Rig

RigValues = dict[str, Any]
NEVER = "never calibrated on this stand"
DIGITS = 9  # significant figures: far beyond what any sensor here knows, and no tail of binary rounding


def line_values(fit: LineFit, channel: str, date: str) -> RigValues:
    """Keys of `[calibration.CHANNEL]`; ``date`` is the day in ISO 8601."""
    section = f"calibration.{channel}"
    points = [[_short(count), _short(value)] for count, value in zip(fit.series.counts, fit.series.values, strict=True)]
    known = {
        "unit": fit.unit,
        "zero_counts": _short(fit.zero_counts),
        "units_per_count": _short(fit.units_per_count),
        "stderr_zero": _short(fit.stderr_zero),
        "stderr_gain_pct": _short(fit.stderr_gain_pct),
        "residual": _short(fit.residual),
        "span": [_short(end) for end in fit.span],
        "date": date,
        "points": points,
    }
    if fit.hysteresis is not None:
        known["hysteresis"] = _short(fit.hysteresis)
    return {f"{section}.{key}": value for key, value in known.items()}


def pitch_values(fit: PitchFit, date: str) -> RigValues:
    """Keys of `[pitch]`; the play only where it was measured."""
    values: RigValues = {
        "pitch.table": [list(row) for row in fit.table],
        "pitch.stderr_deg": _short(fit.stderr_deg),
        "pitch.date": date,
    }
    if fit.play_deg is not None:
        values["pitch.play_deg"] = _short(fit.play_deg)
    if fit.play_stderr_deg is not None:
        values["pitch.play_stderr_deg"] = round(fit.play_stderr_deg, 6)
    return values


def axis_values(fit: AxisFit, date: str) -> RigValues:
    """Keys of `[vibration]`."""
    known = {"g_per_count": _short(fit.g_per_count), "stderr_pct": _short(fit.stderr_pct), "date": date}
    return {f"vibration.{key}": value for key, value in known.items()}


def throttle_values(ends: ThrottleEnds, date: str) -> RigValues:
    """Keys of `[throttle]`."""
    known = {"safe_us": ends.safe_us, "min_us": ends.first_us, "max_us": ends.full_us, "date": date}
    return {f"throttle.{key}": value for key, value in known.items()}


def tach_values(fit: TachFit, date: str) -> RigValues:
    """Keys of `[tach]`."""
    return {
        "tach.pulses_per_rev": fit.pulses_per_rev,
        "tach.clock_correction": _short(fit.clock_correction),
        "tach.stderr_pct": _short(100.0 * fit.stderr / fit.clock_correction),
        "tach.date": date,
    }


def transmitter_values(fit: TransmitterFit, date: str) -> RigValues:
    """Keys of `[transmitter]`."""
    return {
        "transmitter.middle_us": round(fit.middle_us, 1),
        "transmitter.full_travel_us": round(fit.full_travel_us, 1),
        "transmitter.stderr_middle_us": _short(fit.stderr_middle_us),
        "transmitter.stderr_full_travel_us": _short(fit.stderr_full_us),
        "transmitter.date": date,
    }


def _short(value: float) -> float:
    return float(f"{value:.{DIGITS}g}")


@dataclass(frozen=True)
class CalibrationFigure:
    """One figure of a calibration; ``value`` None where only the error is a figure, ``stderr`` None: not known."""

    quantity: str
    unit: str
    value: float | None
    stderr: float | None = None

    @property
    def text(self) -> str:
        """The figure with its standard error, which is never left out: what nobody knows is said to be so."""
        value = "" if self.value is None else f" {self.value:.6g}"
        error = "not known" if self.stderr is None else f"{self.stderr:.2g}"
        return f"{self.quantity}{value} ± {error} {self.unit}".rstrip()


@dataclass(frozen=True)
class InForce:
    """The calibration of ``channel``, named as `calibrate` names it; ``date`` None: nobody made it on this stand."""

    channel: str
    date: str | None
    figures: tuple[CalibrationFigure, ...]

    @property
    def sentence(self) -> str:
        """Channel, day and figures in one line: every surface shows this one."""
        return f"{self.channel}, {self.date or NEVER}: {', '.join(figure.text for figure in self.figures)}"


def in_force(rig: Rig) -> tuple[InForce, ...]:
    """Every calibration that ``rig`` uses, by channel; a channel without one is left out, it reads nothing.

    Scales that have a default (vibration, tach, throttle, transmitter) are there without a date, too.
    """
    lines = [InForce(name, one.date, tuple(_line(one))) for name, one in sorted(rig.calibration.items())]
    others = (InForce(name, date(rig), tuple(figures(rig))) for name, date, figures in PARTS)
    return (*lines, *(one for one in others if one.figures))


def _line(one: Calibration) -> Iterator[CalibrationFigure]:
    """Zero and gain, or the table's ends; what one reading errs by; the span."""
    if one.units_per_count is not None:
        gain_error = _known(one.stderr_gain_pct / 100.0 * abs(one.units_per_count))
        zero_error = _known(one.stderr_zero / abs(one.units_per_count)) if one.units_per_count else None
        yield CalibrationFigure("zero", "counts", one.zero_counts, zero_error)
        yield CalibrationFigure("gain", f"{one.unit}/count", one.units_per_count, gain_error)
    for counts, value in (one.table or ())[:: max(1, len(one.table or ()) - 1)]:
        yield CalibrationFigure(f"at {counts:g} counts", one.unit, value)
    yield CalibrationFigure("one reading", one.unit, None, _known(one.residual))
    if one.hysteresis is not None:
        yield CalibrationFigure("hysteresis", one.unit, one.hysteresis)
    for name, end in zip(("calibrated from", "calibrated to"), one.span or (), strict=False):
        yield CalibrationFigure(name, one.unit, end)


def _known(stderr: float) -> float | None:
    """The rig's zero is its default, "nobody said": it is not an error of nothing."""
    return stderr or None


def _pitch(rig: Rig) -> Iterator[CalibrationFigure]:
    pitch = rig.pitch
    for pulse_us, angle_deg in (pitch.table or ())[:: max(1, len(pitch.table or ()) - 1)]:
        yield CalibrationFigure(f"at {pulse_us:g} us", "deg", angle_deg, _known(pitch.stderr_deg))
    if pitch.table and pitch.play_deg is not None:
        yield CalibrationFigure("play", "deg", pitch.play_deg, pitch.play_stderr_deg)


def _vibration(rig: Rig) -> Iterator[CalibrationFigure]:
    scale, share = rig.vibration.g_per_count, rig.vibration.stderr_pct
    yield CalibrationFigure("scale", "g/count", scale, None if share is None else share / 100.0 * scale)


def _tach(rig: Rig) -> Iterator[CalibrationFigure]:
    tach = rig.tach
    yield CalibrationFigure("marks a turn", "", float(tach.pulses_per_rev), 0.0)  # counted: a whole number has no error
    error = None if tach.stderr_pct is None else tach.stderr_pct / 100.0 * tach.clock_correction
    yield CalibrationFigure("clock correction", "", tach.clock_correction, error)


def _throttle(rig: Rig) -> Iterator[CalibrationFigure]:
    throttle = rig.throttle
    for name, pulse_us in (("safe", throttle.safe_us), ("first", throttle.min_us), ("full", throttle.max_us)):
        yield CalibrationFigure(name, "us", pulse_us)


def _transmitter(rig: Rig) -> Iterator[CalibrationFigure]:
    scale = rig.transmitter
    yield CalibrationFigure("0 %", "us", scale.middle_us, scale.stderr_middle_us)
    yield CalibrationFigure("100 %", "us", scale.full_travel_us, scale.stderr_full_travel_us)


Dated = Callable[[Rig], str | None]
PARTS: tuple[tuple[str, Dated, Callable[[Rig], Iterator[CalibrationFigure]]], ...] = (
    ("pitch", lambda rig: rig.pitch.date, _pitch),
    ("vibration", lambda rig: rig.vibration.date, _vibration),
    ("tach", lambda rig: rig.tach.date, _tach),
    ("throttle", lambda rig: rig.throttle.date, _throttle),
    ("transmitter", lambda rig: rig.transmitter.date, _transmitter),
)
