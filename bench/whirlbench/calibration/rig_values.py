"""What a calibration writes into the rig: keys and values, rounded to what is known of them."""

from __future__ import annotations

from typing import Any

from whirlbench.calibration.axis_fit import AxisFit
from whirlbench.calibration.line_fit import LineFit
from whirlbench.calibration.pitch_fit import PitchFit
from whirlbench.calibration.tach_fit import TachFit
from whirlbench.calibration.throttle_ends import ThrottleEnds
from whirlbench.calibration.transmitter_fit import TransmitterFit

RigValues = dict[str, Any]
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
