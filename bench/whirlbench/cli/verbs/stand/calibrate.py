"""`whirlbench calibrate`: a channel fitted from known points and written into the rig, its comments kept."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from datetime import date
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from whirlbench.cli.output import give_answer, json_option, write_text

if TYPE_CHECKING:
    from whirlbench.results.answer import Answer
    from whirlbench.rig.description import Rig

FILE = click.Path(dir_okay=False, path_type=Path)


@dataclass(frozen=True)
class Calibrated:
    """What a calibration says, and the keys it writes into the rig."""

    answer: Answer
    values: dict[str, Any]


def _line(channel: str, unit: str) -> Callable[[Path, Rig, str], Calibrated]:
    def calibrate(path: Path, rig: Rig, day: str) -> Calibrated:
        from whirlbench.calibration.known_points import KnownPoint
        from whirlbench.calibration.line_fit import fit_line
        from whirlbench.calibration.points_file import read_points
        from whirlbench.calibration.rig_values import line_values
        from whirlbench.calibration.sensor_ranges import ENDS
        from whirlbench.results.calibration import line_answer

        rows = read_points(path, ("value", "counts"), {})
        points = [KnownPoint(row.numbers["value"], row.numbers["counts"]) for row in rows]
        fit = fit_line(points, unit, channel, ENDS.get(channel))
        return Calibrated(line_answer(fit, channel), line_values(fit, channel, day))

    return calibrate


def _pitch(path: Path, rig: Rig, day: str) -> Calibrated:
    from whirlbench.calibration.pitch_fit import GaugeReading, fit_pitch
    from whirlbench.calibration.points_file import read_points
    from whirlbench.calibration.rig_values import pitch_values
    from whirlbench.results.calibration import pitch_answer

    rows = read_points(path, ("pulse_us", "angle_deg"), {"from": ("below", "above")})
    readings = [
        GaugeReading(row.numbers["pulse_us"], row.numbers["angle_deg"], row.words["from"] == "below") for row in rows
    ]
    fit = fit_pitch(readings)
    return Calibrated(pitch_answer(fit, readings), pitch_values(fit, day))


def _vibration(path: Path, rig: Rig, day: str) -> Calibrated:
    from whirlbench.calibration.axis_fit import fit_axes
    from whirlbench.calibration.points_file import read_points
    from whirlbench.calibration.rig_values import axis_values
    from whirlbench.results.calibration import axis_answer

    axes = ("ax_g", "ay_g", "az_g")
    rows = read_points(path, axes, {"axis": axes, "side": ("up", "down")})
    sides = {
        side: {row.words["axis"]: row.numbers for row in rows if row.words["side"] == side} for side in ("up", "down")
    }
    fit = fit_axes(sides["up"], sides["down"])
    return Calibrated(axis_answer(fit), axis_values(fit, day))


def _throttle(path: Path, rig: Rig, day: str) -> Calibrated:
    from whirlbench.calibration.points_file import read_points
    from whirlbench.calibration.rig_values import throttle_values
    from whirlbench.calibration.throttle_ends import find_throttle_ends
    from whirlbench.results.calibration import throttle_answer
    from whirlbench.rig.rules import FASTEST_REST_RPM
    from whirlbench.units import SAFE_PULSE_CAP_US

    rows = read_points(path, ("pulse_us", "rpm"), {})
    ends = find_throttle_ends(_column(rows, "pulse_us"), _column(rows, "rpm"), FASTEST_REST_RPM, SAFE_PULSE_CAP_US)
    return Calibrated(throttle_answer(ends), throttle_values(ends))


def _tach(path: Path, rig: Rig, day: str) -> Calibrated:
    from whirlbench.calibration.points_file import read_points
    from whirlbench.calibration.rig_values import tach_values
    from whirlbench.calibration.tach_fit import fit_tach
    from whirlbench.results.calibration import tach_answer

    rows = read_points(path, ("known_rpm", "read_rpm"), {})
    fit = fit_tach(_column(rows, "known_rpm"), _column(rows, "read_rpm"), rig.tach.pulses_per_rev)
    return Calibrated(tach_answer(fit), tach_values(fit))


def _transmitter(path: Path, rig: Rig, day: str) -> Calibrated:
    from whirlbench.calibration.known_points import KnownPoint
    from whirlbench.calibration.points_file import read_points
    from whirlbench.calibration.rig_values import transmitter_values
    from whirlbench.calibration.transmitter_fit import fit_transmitter
    from whirlbench.results.calibration import transmitter_answer

    rows = read_points(path, ("travel_pct", "pulse_us"), {})
    fit = fit_transmitter([KnownPoint(row.numbers["travel_pct"], row.numbers["pulse_us"]) for row in rows])
    return Calibrated(transmitter_answer(fit), transmitter_values(fit, day))


def _column(rows: Any, name: str) -> Any:
    import numpy as np

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


TABLES = """\b
CHANNEL                             columns of the table
thrust_n, current_a, voltage_v      value, counts (tare, then up and down)
pitch_deg (feedback of the servo)   value, counts
pitch (servo pulse to blade angle)  pulse_us, angle_deg, from (below, above)
vibration                           axis, side (up, down), ax_g, ay_g, az_g
tach                                known_rpm, read_rpm
throttle (propeller off)            pulse_us, rpm
transmitter                         travel_pct, pulse_us"""


@click.command("calibrate", epilog=TABLES)
@click.argument("channel", type=click.Choice(list(CHANNELS)), metavar="CHANNEL")
@click.option("--rig", "rig_path", required=True, type=FILE, help="Rig file to be calibrated.")
@click.option("--points", required=True, type=FILE, help="CSV table of known points, in the order taken.")
@click.option("--rig-out", type=FILE, help="Write the rig with the calibration; may be the rig itself.")
@click.option("--date", "day", help="Day of the calibration, YYYY-MM-DD; absent: today.")
@json_option
def command(channel: str, rig_path: Path, points: Path, rig_out: Path | None, day: str | None, as_json: bool) -> int:
    """Fit CHANNEL from known points: figures with their standard errors, every point with what is left over.

    With --rig-out the result goes into the rig, whose comments stay.
    """
    from whirlbench.rig.toml import read_rig, with_values

    rig, text = read_rig(rig_path)
    calibrated = CHANNELS[channel](points, rig, day or date.today().isoformat())
    if rig_out is not None:
        write_text(rig_out, with_values(text, calibrated.values))
    return give_answer(calibrated.answer, as_json, points)
