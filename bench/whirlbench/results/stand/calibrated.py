"""A channel calibrated from a points file: the fit, its answer, and the keys it writes into the rig."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np

from whirlbench.calibration.axis_fit import fit_axes
from whirlbench.calibration.known_points import KnownPoint
from whirlbench.calibration.line_fit import fit_line
from whirlbench.calibration.pitch_fit import GaugeReading, fit_pitch
from whirlbench.calibration.points_file import Row, read_points
from whirlbench.calibration.rig_values import (
    axis_values,
    line_values,
    pitch_values,
    tach_values,
    throttle_values,
    transmitter_values,
)
from whirlbench.calibration.sensor_ranges import ADC_ENDS, ENDS
from whirlbench.calibration.tach_fit import fit_tach
from whirlbench.calibration.throttle_ends import find_throttle_ends
from whirlbench.calibration.transmitter_fit import fit_transmitter
from whirlbench.results.answer import Answer
from whirlbench.results.stand.calibration import (
    axis_answer,
    line_answer,
    pitch_answer,
    tach_answer,
    throttle_answer,
    transmitter_answer,
)
from whirlbench.rig.description import Rig
from whirlbench.rig.rules import FASTEST_REST_RPM
from whirlbench.units import SAFE_PULSE_CAP_US

CONVERTERS = {**ENDS, "pitch_deg": ADC_ENDS}  # the feedback has no limit of its own, but a converter


@dataclass(frozen=True)
class Calibrated:
    """What a calibration says, and the keys it writes into the rig."""

    answer: Answer
    values: dict[str, Any]


def _line(channel: str, unit: str) -> Callable[[Path, Rig, str], Calibrated]:
    def calibrate(path: Path, rig: Rig, day: str) -> Calibrated:
        rows = read_points(path, ("value", "counts"), {})
        points = [KnownPoint(row.numbers["value"], row.numbers["counts"]) for row in rows]
        fit = fit_line(points, unit, channel, CONVERTERS.get(channel))
        return Calibrated(line_answer(fit, channel, rig.calibration.get(channel)), line_values(fit, channel, day))

    return calibrate


def _pitch(path: Path, rig: Rig, day: str) -> Calibrated:
    rows = read_points(path, ("pulse_us", "angle_deg"), {"from": ("below", "above")})
    readings = [
        GaugeReading(row.numbers["pulse_us"], row.numbers["angle_deg"], row.words["from"] == "below") for row in rows
    ]
    fit = fit_pitch(readings)
    return Calibrated(pitch_answer(fit, readings), pitch_values(fit, day))


def _vibration(path: Path, rig: Rig, day: str) -> Calibrated:
    axes = ("ax_g", "ay_g", "az_g")
    rows = read_points(path, axes, {"axis": axes, "side": ("up", "down")})
    sides = {
        side: {row.words["axis"]: row.numbers for row in rows if row.words["side"] == side} for side in ("up", "down")
    }
    fit = fit_axes(sides["up"], sides["down"])
    return Calibrated(axis_answer(fit), axis_values(fit, day))


def _throttle(path: Path, rig: Rig, day: str) -> Calibrated:
    rows = read_points(path, ("pulse_us", "rpm"), {})
    ends = find_throttle_ends(_column(rows, "pulse_us"), _column(rows, "rpm"), FASTEST_REST_RPM, SAFE_PULSE_CAP_US)
    return Calibrated(throttle_answer(ends), throttle_values(ends, day))


def _tach(path: Path, rig: Rig, day: str) -> Calibrated:
    rows = read_points(path, ("known_rpm", "read_rpm"), {})
    fit = fit_tach(_column(rows, "known_rpm"), _column(rows, "read_rpm"), rig.tach.pulses_per_rev)
    return Calibrated(tach_answer(fit), tach_values(fit, day))


def _transmitter(path: Path, rig: Rig, day: str) -> Calibrated:
    rows = read_points(path, ("travel_pct", "pulse_us"), {})
    fit = fit_transmitter([KnownPoint(row.numbers["travel_pct"], row.numbers["pulse_us"]) for row in rows])
    return Calibrated(transmitter_answer(fit), transmitter_values(fit, day))


def _column(rows: Sequence[Row], name: str) -> np.ndarray:
    return np.array([row.numbers[name] for row in rows])


CHANNELS: dict[str, Callable[[Path, Rig, str], Calibrated]] = {
    "thrust_n": _line("thrust_n", "N"),
    "current_a": _line("current_a", "A"),
    "voltage_v": _line("voltage_v", "V"),
    "pitch_deg": _line("pitch_deg", "deg"),
    "pitch": _pitch,
    "vibration": _vibration,
    "tach": _tach,
    "throttle": _throttle,
    "transmitter": _transmitter,
}


def calibrated(channel: str, points: Path, rig: Rig, day: str) -> Calibrated:
    """The calibration of ``channel`` from its ``points`` file; ``day`` in ISO 8601.

    CalibrationError names the point, the row or the cell that is wrong.
    """
    return CHANNELS[channel](points, rig, day)
