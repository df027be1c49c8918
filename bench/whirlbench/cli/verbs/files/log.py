"""`whirlbench log`: what each blade set has run and been through; entries are added and never changed."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

import click

from whirlbench.cli.output import give_answer, json_option
from whirlbench.errors import LogError

if TYPE_CHECKING:
    from whirlbench.log import EntryKind, SetLog
    from whirlbench.rig.description import Rig

FILE = click.Path(dir_okay=False, path_type=Path)
RIG = click.option("--rig", "rig_path", type=FILE, help="Rig file: which set is fitted, and when inspections are due.")
SET = click.option("--set", "blade_set", help="Name of the blade set; absent: the one fitted on the rig.")
BY = click.option("--by", "operator", default="", help="Who makes the entry.")


@click.group(invoke_without_command=True)
@click.option("--log", "log_path", type=FILE, envvar="WHIRLBENCH_LOG", help="The log's file; absent: the user's own.")
@click.option("--simulated", is_flag=True, help="The log of the simulated stand's runs; they never mix with real ones.")
@RIG
@SET
@json_option
@click.pass_context
def command(
    context: click.Context, log_path: Path | None, simulated: bool, rig_path: Path | None, blade_set: str | None,
    as_json: bool,
) -> int:  # fmt: skip
    """Show the log of a blade set: its standing, its sums, the cycles of load, every entry.

    The log tells what a set has seen; it predicts no life. What cannot be inspected is retired early.
    """
    context.obj = lambda: _open(log_path, simulated)
    if context.invoked_subcommand is not None:
        return 0
    from whirlbench.log import standing
    from whirlbench.results.set_log import set_log_answer

    with context.obj() as log:
        rig = _rig(rig_path)
        name = _named(blade_set, rig, log)
        entries = log.entries(name)
    return give_answer(set_log_answer(entries, standing(entries, rig, name)), as_json, f"log of {name}")


@command.command("add")
@click.argument("recordings", nargs=-1, type=FILE, metavar="[RECORDING]...")
@RIG
@SET
@click.option("--inspection", help="What was looked at and found: the set may go on.")
@click.option("--note", help="Anything worth keeping.")
@click.option("--photo", help="File name of a picture; the picture itself stays where it is.")
@BY
@click.pass_obj
def add(
    opened: object, recordings: tuple[Path, ...], rig_path: Path | None, blade_set: str | None, inspection: str | None,
    note: str | None, photo: str | None, operator: str,
) -> int:  # fmt: skip
    """Add recorded runs, an inspection, a note or a picture's name to the log of a set.

    A recording is entered under the set its own rig names; one that `spin` wrote is in the log already.
    """
    from whirlbench.log import EntryKind

    texts = {EntryKind.INSPECTION: inspection, EntryKind.NOTE: note, EntryKind.PHOTO: photo}
    given = [(kind, text) for kind, text in texts.items() if text is not None]
    if not recordings and not given:
        raise LogError("nothing to add: name a recording, or give --inspection, --note or --photo")
    with opened() as log:  # type: ignore[operator]
        for path in recordings:
            _add_run(log, path, rig_path, operator)
        if given:
            name = _named(blade_set, _rig(rig_path), log)
            for kind, text in given:
                _tell(log, log.add(name, kind, text, operator), name, kind)
    return 0


@command.command("retire")
@click.argument("blade_set", metavar="SET")
@click.option("--why", required=True, help="The reason, as it will be read in a year.")
@BY
@click.pass_obj
def retire(opened: object, blade_set: str, why: str, operator: str) -> int:
    """Retire a set for good: it will not be armed with again, and no entry brings it back."""
    from whirlbench.log import EntryKind

    with opened() as log:  # type: ignore[operator]
        if blade_set not in log.sets():
            raise LogError(f"{log.path}: has no set {blade_set!r}; it knows {_list(log.sets())}")
        _tell(log, log.add(blade_set, EntryKind.RETIRED, why, operator), blade_set, EntryKind.RETIRED)
    return 0


@command.command("export")
@click.option("-o", "output", required=True, type=FILE, help="CSV file to write.")
@SET
@click.pass_obj
def export(opened: object, output: Path, blade_set: str | None) -> int:
    """Write the log, or that of one set, as a CSV table."""
    from whirlbench.log import write_csv

    with opened() as log:  # type: ignore[operator]
        entries = log.entries(blade_set)
        if not entries:
            raise LogError(f"{log.path}: no entries to export; it knows {_list(log.sets())}")
        click.echo(f"{output}: {write_csv(entries, output)} entries")
    return 0


def _open(path: Path | None, simulated: bool) -> SetLog:
    from whirlbench.log import SetLog, default_path

    return SetLog(path or default_path(simulated), simulated)


def _rig(path: Path | None) -> Rig | None:
    from whirlbench.rig.toml import read_rig

    return read_rig(path)[0] if path is not None else None


def _named(blade_set: str | None, rig: Rig | None, log: SetLog) -> str:
    """The set that is meant: named, else fitted on the rig, else the only one in the log."""
    if blade_set is not None:
        return blade_set
    if rig is not None and rig.propeller.blade_set is not None:
        return rig.propeller.blade_set
    if rig is None and len(log.sets()) == 1:
        return log.sets()[0]
    raise LogError(f"{log.path}: which set? Give --set, or a rig that names one; the log knows {_list(log.sets())}")


def _add_run(log: SetLog, path: Path, rig_path: Path | None, operator: str) -> None:
    from whirlbench.log import EntryKind, run_use
    from whirlbench.recording.files import open_recording
    from whirlbench.results.check import judge_fitted_set
    from whirlbench.rig.toml import parse_rig, read_rig

    with open_recording(path) as recording:
        text = recording.attributes.rig_text
        rig = read_rig(rig_path)[0] if rig_path else parse_rig(text, f"rig stored in {path}")
        name = rig.propeller.blade_set
        if name is None:
            raise LogError(f"{path}: its rig does not say which blade set was fitted (propeller.blade_set)")
        use = run_use(recording, rig, judge_fitted_set(rig).permitted_rpm)
    _tell(log, log.add(name, EntryKind.RUN, "", operator, use), name, EntryKind.RUN)


def _tell(log: SetLog, number: int, name: str, kind: EntryKind) -> None:
    click.echo(f"{log.path}: entry {number}: {kind} of {name}")


def _list(names: tuple[str, ...]) -> str:
    return ", ".join(names) if names else "none yet"
