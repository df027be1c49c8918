"""`whirlbench calibrate`: a channel fitted from known points and written into the rig, its comments kept."""

from __future__ import annotations

import secrets
from datetime import date
from pathlib import Path
from typing import TYPE_CHECKING

import click

from whirlbench.cli.gate import enter_calibrations, log_option
from whirlbench.cli.output import give_answer, json_option, write_text
from whirlbench.cli.port_choice import SIMULATED
from whirlbench.errors import LogError

if TYPE_CHECKING:
    from whirlbench.rig.description import Rig

FILE = click.Path(dir_okay=False, path_type=Path)
CHANNELS = ("thrust_n", "current_a", "voltage_v", "pitch_deg", "pitch", "vibration", "tach", "throttle", "transmitter")


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
@click.option("--points", type=FILE, help="CSV table of known points, in the order taken.")
@click.option("--port", help="Guided: serial port of the device, or `simulated`, instead of --points.")
@click.option("--points-out", type=FILE, help="Guided: where the points go; absent: a name from channel and time.")
@click.option(
    "--overspeed-rpm",
    type=click.FloatRange(min=0, min_open=True),
    help="Throttle: greatest speed of the bare shaft; absent: half the rig's limit.",
)
@click.option("--rig-out", type=FILE, help="Write the rig with the calibration; may be the rig itself.")
@click.option("--date", "day", help="Day of the calibration, YYYY-MM-DD; absent: today.")
@click.option("--operator", default="", help="Who calibrates, for the log of blade sets.")
@click.option("--random-seed", type=click.IntRange(min=0), help="Seed of the simulated stand.")
@click.option("--yes", is_flag=True, help="Simulated stand: do what the guide asks, unasked.")
@log_option
@json_option
def command(
    channel: str, rig_path: Path, points: Path | None, port: str | None, points_out: Path | None, rig_out: Path | None,
    overspeed_rpm: float | None, day: str | None, operator: str, random_seed: int | None, yes: bool,
    log_path: Path | None, as_json: bool,
) -> int:  # fmt: skip
    """Fit CHANNEL from known points: figures with their standard errors, every point with what is left over.

    With --port the points are taken on the stand, guided, the motor not driven. With --rig-out the result goes into the
    rig, whose comments stay, and into the log of the fitted blade set.
    """
    from whirlbench.results.stand import calibrated
    from whirlbench.rig.toml import read_rig, with_values

    rig, text = read_rig(rig_path)
    if (points is None) == (port is None):
        raise click.UsageError("give the known points with --points, or a --port to take them on the stand")
    if points is None and port is not None:
        points = _guided(channel, rig, text, port, points_out, overspeed_rpm, random_seed, yes)
    assert points is not None
    found = calibrated(channel, points, rig, day or date.today().isoformat())
    if rig_out is not None:
        written = with_values(text, found.values)
        write_text(rig_out, written)
        _enter(written, rig_out, None if port is None else port == SIMULATED, log_path, operator)
    return give_answer(found.answer, as_json, points)


def _enter(rig_text: str, rig_out: Path, simulated: bool | None, log_path: Path | None, operator: str) -> None:
    """The calibrations of the rig that was just written into the log; the rig stays written, whatever the log says."""
    from whirlbench.rig.toml import parse_rig

    try:
        told = enter_calibrations(parse_rig(rig_text, str(rig_out)), simulated, log_path, operator)
    except LogError as error:
        raise LogError(f"{rig_out} is written, but the log has no entry of it: {error}") from error
    click.echo(told, err=True)


def _guided(
    channel: str, rig: Rig, rig_text: str, port: str, points_out: Path | None, overspeed_rpm: float | None,
    random_seed: int | None, yes: bool,
) -> Path:  # fmt: skip
    """Points taken on the stand: the throttle's by a supervised sweep, the others with the motor not driven."""
    from whirlbench.cli.still.guided_calibration import guide_at_terminal, new_points_file
    from whirlbench.cli.still.throttle_sweep import sweep_throttle

    points = new_points_file(channel, points_out)
    seed = random_seed if random_seed is not None else secrets.randbits(31)
    if channel == "throttle":
        sweep_throttle(rig, rig_text, port, points, overspeed_rpm, seed, yes)
    else:
        guide_at_terminal(channel, rig, rig_text, port, points, seed, yes)
    return points
