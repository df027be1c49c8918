"""`whirlbench onset`: when a failure began, what moved first, which trips fired or would have."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from whirlbench.cli.number import Number
from whirlbench.cli.output import json_option, print_json
from whirlbench.cli.run_input import open_run, rig_of

if TYPE_CHECKING:
    from whirlbench.analysis.onset import OnsetReport
    from whirlbench.rig.description import Rig
    from whirlbench.samples import Run

FILE = click.Path(dir_okay=False, path_type=Path)


@click.command()
@click.argument("recording", type=FILE)
@click.option("--rig", "rig_path", type=FILE, help="Rig whose limits are back-tested; absent: the recording's own.")
@click.option(
    "--earlier", multiple=True, type=FILE, help="Earlier healthy recording of the same blade set; repeatable."
)
@click.option(
    "--false-alarm-hours", type=Number(least=0.05), default=10.0, show_default=True,
    help="Mean judged hours between false alarms.",
)  # fmt: skip
@click.option("--chart", type=FILE, help="Write the evidence against time as PNG.")
@json_option
def command(
    recording: Path, rig_path: Path | None, earlier: tuple[Path, ...], false_alarm_hours: float, chart: Path | None,
    as_json: bool,
) -> None:  # fmt: skip
    """When RECORDING began to leave its own healthy behaviour, and when it failed.

    The run is compared with its own beginning, at each operating point apart, and with earlier healthy runs where
    given.
    A silent result is no proof of health: it says that nothing moved beyond scatter in what was recorded.
    """
    from whirlbench.analysis.onset import find_onset

    run = open_run(recording)
    rig = rig_of(run, rig_path)
    report = find_onset(run, rig, tuple(open_run(path) for path in earlier), false_alarm_hours * 3600.0)
    result = _document(report, _trips(run, rig), run)
    if chart:
        from whirlbench.cli.onset_chart import write_evidence

        write_evidence(report, chart)
    if as_json:
        print_json(result)
    else:
        _print(result)


def _trips(run: Run, rig: Rig | None) -> list[dict[str, Any]]:
    """Trips that were recorded, and those the rig's limits would have made."""
    trips = [
        {"rule": event.name, "at_s": event.time_s, "recorded": True} for event in run.events if event.kind == "trip"
    ]
    if rig is not None:
        from whirlbench.safety.back_test import back_test, rules_for

        for trip in back_test(run, rules_for(run, rig)):
            trips.append(
                {"rule": trip.rule, "at_s": trip.at_s, "recorded": False, "value": trip.value, "limit": trip.limit}
            )
    return sorted(trips, key=lambda trip: float(trip["at_s"]))


def _document(report: OnsetReport, trips: list[dict[str, Any]], run: Run) -> dict[str, Any]:
    onset, failure = report.onset, report.failure
    first_trip_s = trips[0]["at_s"] if trips else None
    began_s = onset.at_s if onset else None
    caution_s = onset.caution_s if onset else None
    failed_s = failure.at_s if failure else None
    return {
        "onset": None
        if onset is None
        else {
            "at_s": onset.at_s,
            "from_s": onset.from_s,
            "to_s": onset.to_s,
            "signal": onset.signal,
            "kind": onset.kind,
        },
        "failure": None if failure is None else {"at_s": failure.at_s, "kind": failure.kind},
        "trips": trips,
        "ended_by_trip": _end(run, failed_s),
        "lead_s": report.lead_s,
        "caution": None if caution_s is None else {"at_s": caution_s},
        "leads": {
            "onset_to_caution_s": _gap(began_s, caution_s),
            "onset_to_first_trip_s": _gap(began_s, first_trip_s),
            "caution_to_failure_s": _gap(caution_s, failed_s),
            "first_trip_to_failure_s": _gap(first_trip_s, failed_s),
        },
        "signals": report.signals,
        "judged_s": report.judged_s,
        "mean_time_between_false_alarms_s": report.mean_time_between_false_alarms_s,
        "not_judged": report.refused,
        "problems": run.problems,
    }


def _end(run: Run, failed_s: float | None) -> dict[str, Any] | None:
    """The recorded trip that ended the run; None where there was none, or where a failure came first."""
    trip = next((event for event in run.events if event.kind == "trip"), None)
    if trip is None or (failed_s is not None and failed_s <= trip.time_s):
        return None
    return {"rule": trip.name, "at_s": trip.time_s}


def _gap(from_s: float | None, to_s: float | None) -> float | None:
    return None if from_s is None or to_s is None else to_s - from_s


def _cut_short(end: dict[str, Any] | None) -> str:
    """What to add where a trip ended the run before anything was past doubt."""
    if end is None:
        return ""
    return (
        f"; the run was ended by a trip at {end['at_s']:.2f} s ({end['rule']}): "
        "what grew within its last second cannot be told from scatter"
    )


def _print(result: dict[str, Any]) -> None:
    onset, failure = result["onset"], result["failure"]
    if onset:
        click.echo(
            f"Onset    {onset['at_s']:9.2f} s  ({onset['from_s']:.2f} to {onset['to_s']:.2f} s, 95 %): "
            f"{onset['signal']} moved first, {onset['kind']}"
        )
        click.echo(f"Caution  {result['caution']['at_s']:9.2f} s  first time it was past doubt")
    else:
        cut_short = _cut_short(result["ended_by_trip"])
        click.echo(f"Onset    none in {result['judged_s']:.0f} s of steady running{cut_short}")
    for trip in result["trips"]:
        word = "fired" if trip["recorded"] else f"would fire, {trip['value']:.4g} against {trip['limit']:.4g}"
        click.echo(f"Trip     {trip['at_s']:9.2f} s  {trip['rule']}: {word}")
    if failure:
        click.echo(f"Failure  {failure['at_s']:9.2f} s  {failure['kind']}")
    if result["lead_s"] is not None:
        click.echo(f"Lead     {result['lead_s']:9.2f} s  from onset to failure")
    for signal in result["signals"]:
        click.echo(
            f"         {signal.signal}: from {signal.at_s:.1f} s ({signal.from_s:.1f} to {signal.to_s:.1f}), "
            f"caution {signal.caution_s:.1f} s"
        )
    for line in (*result["not_judged"], *result["problems"]):
        click.echo(f"Note     {line}")
