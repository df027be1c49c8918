"""`whirlbench export`: a recording as plain tables."""

from __future__ import annotations

from pathlib import Path

import click

from whirlbench.errors import RigError, shown

FOLDER = click.Path(path_type=Path, file_okay=False)


@click.command()
@click.argument("recording", metavar="RECORDING", type=click.Path(path_type=Path))
@click.option("--csv", "csv_folder", metavar="DIR", type=FOLDER, help="As CSV files, which `import` reads back.")
@click.option("--parquet", "parquet_folder", metavar="DIR", type=FOLDER, help="As Parquet files.")
def command(recording: Path, csv_folder: Path | None, parquet_folder: Path | None) -> None:
    """Writes RECORDING as tables into DIR: slow samples, vibration, tach pulses, events.

    The calibrations in force go with them, each figure with its standard error: calibrations.csv, or in Parquet the
    metadata of file and columns.
    """
    if csv_folder is None and parquet_folder is None:
        raise click.UsageError("say where to: --csv DIR or --parquet DIR")
    from whirlbench.recording.csv_exchange import write_csv
    from whirlbench.recording.files import open_recording
    from whirlbench.recording.parquet_exchange import write_parquet

    with open_recording(recording) as source:
        written = write_csv(source, csv_folder) if csv_folder else ()
        written += write_parquet(source, parquet_folder) if parquet_folder else ()
        problems = (*source.problems, *_unread_rig(source.attributes.rig_text))
    for path in written:
        click.echo(str(path))
    for problem in problems:
        click.echo(shown(f"{recording}: {problem}"), err=True)


def _unread_rig(rig_text: str) -> tuple[str, ...]:
    """Why the tables come without calibrations, where their rig cannot be read."""
    from whirlbench.rig.toml import parse_rig

    try:
        parse_rig(rig_text, "its rig")
    except RigError as error:
        return (f"exported without calibrations: {error}",)
    return ()
