"""What a reading errs by, and whether it lies beyond what was calibrated: one rule for every channel and surface."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np

from whirlbench.rig.description import PROLONGED, SURE_ERRORS, Rig
from whirlbench.rig.limits import WITH_RULE
from whirlbench.safety.batch import Trip

VIBRATION = ("vibration_g_rms", "vibration_g", "ax_g", "ay_g", "az_g")


_LIMITS = {limit.key: limit for limit in WITH_RULE}


@dataclass(frozen=True)
class ReadAs:
    """Standard error of a value that tripped (NaN: not known), and the word where a sensor stood beyond its span."""

    stderr: float
    mark: str


def reading_stderr(rig: Rig, channel: str, value: float) -> float:
    """Standard error of a reading of ``value`` on ``channel``, in its unit; NaN where nobody determined it.

    ``power_w`` has none by itself: it belongs to the current and the voltage behind it (``product_stderr``).
    """
    if channel == "pitch_deg":
        return _pitch_stderr_deg(rig, value)
    if channel in rig.calibration:
        return rig.calibration[channel].stderr(value)
    share = rig.tach.stderr_pct if channel == "rpm" else rig.vibration.stderr_pct if channel in VIBRATION else None
    return math.nan if share is None else abs(value) * share / 100.0


def product_stderr(rig: Rig, readings: Mapping[str, float], product: float) -> float:
    """Standard error of ``product``, made of ``readings`` by channel and figures without error; NaN where one has none.

    The readings' errors are taken as independent (JCGM 100:2008, 5.1.6).
    """
    if not readings:
        return math.nan
    errors = [(reading_stderr(rig, name, value), value) for name, value in readings.items()]
    if len(errors) == 1 and errors[0][1] == product:
        return errors[0][0]
    return abs(product) * math.hypot(*(error / value if value else math.nan for error, value in errors))


def prolonged(rig: Rig, channel: str, value: float) -> bool:
    """Whether ``value`` lies beyond what was calibrated, by more than its own error; False where no span is known."""
    if channel == "pitch_deg" and not (rig.pitch.feedback and channel in rig.calibration):
        return _beyond_table(rig, value)
    return channel in rig.calibration and rig.calibration[channel].prolonged(value)


def mark(rig: Rig, readings: Mapping[str, float]) -> str:
    """The word beside a figure that was made of ``readings`` by channel; empty where all of them were calibrated."""
    return PROLONGED if any(prolonged(rig, name, value) for name, value in readings.items()) else ""


def read_as(rig: Rig, trip: Trip, time_s: np.ndarray, slow: Mapping[str, np.ndarray]) -> ReadAs:
    """How well the value of ``trip`` was known, by what its limit reads: that value, or ``slow`` ``(n,)`` at that time.

    Of a trend, whose calibration cancels, and of a time nothing is said. Channels that are absent make it not known.
    """
    if trip.rule not in _LIMITS:
        return ReadAs(math.nan, "")
    watch = _LIMITS[trip.rule].watch
    if len(watch.channels) == 1 and watch.factor is None:
        readings = {watch.channels[0]: trip.value}
    else:
        place = int(np.searchsorted(time_s, trip.at_s, side="right")) - 1
        known = {name: float(slow[name][max(place, 0)]) for name in watch.channels if name in slow and len(time_s)}
        readings = {name: known.get(name, math.nan) for name in watch.channels}
    return ReadAs(product_stderr(rig, readings, trip.value), mark(rig, readings))


def trip_words(trip: Trip, read: ReadAs) -> str:
    """One line for events and screens: the trip's own words, its value with what it errs by."""
    words = trip.text(with_stderr(f"{trip.value:.5g}", read.stderr))
    return ", ".join(filter(None, (words, read.mark)))


def with_stderr(reading: str, stderr: float) -> str:
    """A reading as printed, with its standard error to two figures (120, not 1.2e+02) where that is known."""
    return reading if math.isnan(stderr) else f"{reading} ± {float(f'{stderr:.2g}'):g}"


def _pitch_stderr_deg(rig: Rig, angle_deg: float) -> float:
    """Of the true blade angle: gauge and play, and the feedback's own line where one is wired."""
    if math.isnan(angle_deg) or not (rig.pitch.table or "pitch_deg" in rig.calibration):
        return math.nan
    wired = rig.calibration.get("pitch_deg") if rig.pitch.feedback else None
    own = math.nan if wired is None else wired.stderr(angle_deg)
    return math.hypot(rig.pitch.stderr_deg, 0.0 if math.isnan(own) else own) or math.nan


def _beyond_table(rig: Rig, angle_deg: float) -> bool:
    if not rig.pitch.table or math.isnan(angle_deg):
        return False
    low, high = sorted((rig.pitch.table[0][1], rig.pitch.table[-1][1]))
    spare = SURE_ERRORS * rig.pitch.stderr_deg
    return not low - spare <= angle_deg <= high + spare
