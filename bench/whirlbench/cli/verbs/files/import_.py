"""`whirlbench import`: tables of any logger into a recording."""

from __future__ import annotations

import os
from datetime import UTC, datetime
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from whirlbench.cli.number import MOST, Number
from whirlbench.cli.output import json_option
from whirlbench.errors import RecordingError

if TYPE_CHECKING:
    from whirlbench.recording.foreign import ImportedRun, LogFiles, Reading
    from whirlbench.rig.description import Rig

FILE = click.Path(path_type=Path)


@click.command()
@click.argument("slow", metavar="SLOW.csv", type=FILE)
@click.option("--join", "joined", metavar="B.csv", type=FILE, multiple=True, help="Another logger's file of this run.")
@click.option("--offset", "offsets", metavar="FILE=SECONDS", multiple=True, help="What is added to a file's times.")
@click.option("--vibration", metavar="V.csv", type=FILE, help="t_s and any of ax_g ay_g az_g, uniformly sampled.")
@click.option("--tach", metavar="T.csv", type=FILE, help="t_s, one row a pulse.")
@click.option("--events", metavar="E.csv", type=FILE, help="t_s,kind,name,detail, as `export --csv` writes it.")
@click.option("--rig", metavar="RIG", type=FILE, help="Rig in force: pulses per revolution, end points, pole pairs.")
@click.option(
    "--map", "rules", metavar="COLUMN=channel*factor", multiple=True, help="What a column is; or *unit, +offset."
)
@click.option("--rate", type=Number(0.0, 1e6, above=True), help="Rows a second, where the file tells no time.")
@click.option("--separator", default="", help="Sign between cells: , ; | tab space.")
@click.option("--decimal", type=click.Choice([".", ","]), help="Decimal mark.")
@click.option("--columns", default="", metavar="NAME,NAME,…", help="Headings of a file that has none.")
@click.option("--keep-map", metavar="NAME", help="Keep --map and the file's form under a name for the next time.")
@click.option("--use-map", metavar="NAME", help="Use what was kept under that name.")
@click.option("-o", "--output", "target", metavar="OUT.h5", type=FILE, help="The recording to write; else only look.")
@json_option
def command(slow: Path, target: Path | None, events: Path | None, rig: Path | None, as_json: bool, **told: Any) -> int:
    """Reads SLOW.csv, and what goes with it, says what it recognised, and writes it as a recording.

    Any separator, decimal mark, encoding and usual unit is recognised, in CSV, Parquet and HDF5 tables; needed are a
    time and rpm. Known channels: current_a voltage_v thrust_n servo_us pitch_deg throttle_us speed_request_rpm; other
    columns stay beside them. Where the file leaves something open, the complaint names the option to add.
    """
    from whirlbench.recording.attributes import RunAttributes
    from whirlbench.recording.csv_exchange import read_events
    from whirlbench.recording.files import write_run
    from whirlbench.recording.foreign import read_logs
    from whirlbench.results.imported import import_answer
    from whirlbench.rig.description import Rig
    from whirlbench.rig.toml import read_rig

    description, rig_text = read_rig(rig) if rig else (Rig(), "")
    if target is not None and os.path.lexists(target):  # told before the tables are read; who writes refuses by itself
        raise RecordingError(f"{target}: already exists; recordings are never overwritten, choose another name")
    imported = _own_layout(slow, events, description, rig_text, told)
    if imported is None:
        reading = _reading(told, description if rig else None)
        given = read_events(events) if events else ()
        imported = read_logs(_files(slow, told), reading, description.tach.pulses_per_rev, rig_text, given)
    if target is not None:
        about = {"created": datetime.now(UTC).isoformat(timespec="seconds"), "origin": f"import of {slow.name}"}
        write_run(target, imported.run, RunAttributes.of_rig(description, rig_text, **about))
    return _tell(import_answer(imported, target), as_json, slow, told)


def _own_layout(slow: Path, events: Path | None, rig: Rig, rig_text: str, told: dict[str, Any]) -> ImportedRun | None:
    """The run where all files are laid out as `export --csv` writes them: read to the last digit; else None.

    What such files hold and no stand can show is left to the reader of foreign logs, which marks or refuses it.
    """
    from whirlbench.recording.csv_exchange import AXIS_NAMES, SLOW_NAMES, read_csv
    from whirlbench.recording.csv_table import has_own_layout
    from whirlbench.recording.foreign import ImportedRun, is_sound

    if any(told[name] for name in ("joined", "offsets", "rules", "rate", "separator", "decimal", "columns", "use_map")):
        return None
    vibration, tach = told["vibration"], told["tach"]
    layouts = ((slow, SLOW_NAMES), (vibration, AXIS_NAMES), (tach, ()))
    if not all(path is None or has_own_layout(path, ("t_s", *names)) for path, names in layouts):
        return None
    run = read_csv(slow, vibration, tach, rig.tach.pulses_per_rev, rig_text, events)
    return ImportedRun(run, (), {}) if is_sound(run) else None


def _files(slow: Path, told: dict[str, Any]) -> LogFiles:
    from whirlbench.recording.foreign import LogFiles

    offsets = tuple(map(_offset, told["offsets"]))
    return LogFiles(slow, told["joined"], told["vibration"], told["tach"], offsets)


def _offset(text: str) -> tuple[str, float]:
    name, _, seconds = text.rpartition("=")
    try:
        found = float(seconds)
    except ValueError:
        found = MOST * 2
    if not name or not abs(found) <= MOST:
        raise click.BadParameter(f"found {text!r}, expected FILE=SECONDS", param_hint="--offset")
    return name, found


def _reading(told: dict[str, Any], rig: Rig | None) -> Reading:
    """How the files are to be read, with what was kept under a name below what is told now."""
    from whirlbench.recording.foreign import Form, PulseScales, Reading, kept_map, parse_rule

    kept = kept_map(told["use_map"]) if told["use_map"] else None
    settings = dict(kept.settings) if kept else {}
    settings |= {name: told[name] for name in ("separator", "decimal", "columns") if told[name]}
    rules = (*told["rules"], *(kept.rules if kept else ()))
    parsed = {rule.heading: rule for rule in reversed([parse_rule(rule) for rule in rules])}
    pulses, pairs = PulseScales(), None
    if rig is not None:
        throttle, servo = rig.throttle, rig.transmitter
        pulses = PulseScales(
            (throttle.min_us, (throttle.max_us - throttle.min_us) / 100.0),
            (servo.middle_us, servo.full_travel_us / 100.0),
        )
        pairs = rig.speed_controller.pole_pairs
    return Reading(Form.of_options(**settings), tuple(parsed.values()), pulses, told["rate"], pairs)


def _tell(answer: Any, as_json: bool, slow: Path, told: dict[str, Any]) -> int:
    """Says what was recognised, and keeps the mapping where a name was given."""
    from whirlbench.cli.output import give_answer
    from whirlbench.recording.foreign import keep_map

    status = give_answer(answer, as_json, slow)
    if told["keep_map"]:
        settings = {name: told[name] for name in ("separator", "decimal", "columns") if told[name]}
        path = keep_map(told["keep_map"], told["rules"], settings)
        click.echo(f"mapping {told['keep_map']} kept in {path}", err=as_json)
    return status
