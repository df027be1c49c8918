"""`whirlbench import`: CSV files of any logger into a recording."""

from __future__ import annotations

import os
from datetime import UTC, datetime
from pathlib import Path

import click

from whirlbench.errors import RecordingError

FILE = click.Path(path_type=Path)


@click.command()
@click.argument("slow", metavar="SLOW.csv", type=FILE)
@click.option("--vibration", metavar="V.csv", type=FILE, help="t_s and any of ax_g ay_g az_g, uniformly sampled.")
@click.option("--tach", metavar="T.csv", type=FILE, help="t_s, one row a pulse.")
@click.option("--events", metavar="E.csv", type=FILE, help="t_s,kind,name,detail, as `export --csv` writes it.")
@click.option("--rig", metavar="RIG", type=FILE, help="Rig in force: kept with the run, tells pulses per revolution.")
@click.option("-o", "--output", "target", metavar="OUT.h5", type=FILE, required=True, help="The recording to write.")
def command(
    slow: Path, vibration: Path | None, tach: Path | None, events: Path | None, rig: Path | None, target: Path
) -> None:
    """Writes the CSV file SLOW.csv, and those that go with it, as a recording.

    SLOW.csv has t_s and rpm, and any of current_a voltage_v thrust_n servo_us pitch_deg throttle_us
    speed_request_rpm; comma separated, '.' as decimal point, an empty cell for a gap.
    """
    from whirlbench.recording.attributes import RunAttributes
    from whirlbench.recording.csv_exchange import read_csv
    from whirlbench.recording.files import write_run
    from whirlbench.rig.description import Rig
    from whirlbench.rig.toml import read_rig

    description, rig_text = read_rig(rig) if rig else (Rig(), "")
    if os.path.lexists(target):  # told before the tables are read; who writes it refuses by itself
        raise RecordingError(f"{target}: already exists; recordings are never overwritten, choose another name")
    run = read_csv(slow, vibration, tach, description.tach.pulses_per_rev, rig_text, events)
    now = datetime.now(UTC).isoformat(timespec="seconds")
    write_run(target, run, RunAttributes.of_rig(description, rig_text, created=now, origin=f"import of {slow.name}"))
    click.echo(
        f"{target}: {len(run.slow.time_s)} slow samples, {len(run.tach.time_s)} tach pulses, "
        f"{len(run.vibration.time_s)} vibration samples, {run.duration_s():.1f} s"
    )
