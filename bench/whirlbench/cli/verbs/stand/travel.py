"""`whirlbench travel`: the mechanical ends of the pitch servo, found without stalling it, tried by the governor."""

from __future__ import annotations

import secrets
from pathlib import Path

import click

from whirlbench.cli.output import give_answer, json_option, write_text
from whirlbench.cli.port_choice import SIMULATED
from whirlbench.errors import BenchError, CalibrationError

FILE = click.Path(dir_okay=False, path_type=Path)
ABOUT = (
    "The servo will go to its ends by itself. The device is armed for the servo alone and refuses every throttle\n"
    "pulse but the safe one; open the isolator all the same, and keep hands and tools off blades and linkage."
)


@click.command("travel")
@click.option("--rig", "rig_path", required=True, type=FILE, help="Rig file; its servo is to be wired with feedback.")
@click.option("--port", required=True, help="Serial port of the device, or `simulated`.")
@click.option("--start-us", type=click.IntRange(500, 2400), help="Where it begins; absent: pitch.safe_us or 1500.")
@click.option("--within-us", nargs=2, type=click.IntRange(500, 2400), default=(800, 2200), show_default=True,
              help="Shortest and longest pulse that the servo may get.")  # fmt: skip
@click.option("--rig-out", type=FILE, help="Write the rig with the end points; may be the rig itself.")
@click.option("--random-seed", type=click.IntRange(min=0), help="Seed of the simulated stand.")
@click.option("--yes", is_flag=True, help="Simulated stand: do what is asked, unasked.")
@json_option
def command(
    rig_path: Path, port: str, start_us: int | None, within_us: tuple[int, int], rig_out: Path | None,
    random_seed: int | None, yes: bool, as_json: bool,
) -> int:  # fmt: skip
    """Find the mechanical ends of the pitch servo and propose end points, motor not driven.

    End points that did not hold under the governor are not written.
    """
    from whirlbench.cli.still.still_port import StillPort
    from whirlbench.results.stand import travel_answer, travel_values
    from whirlbench.rig.toml import read_rig, with_values
    from whirlbench.session.still.travel import TravelSearch

    rig, text = read_rig(rig_path)
    if yes and port != SIMULATED:
        raise BenchError("--yes answers for the simulated stand only: a real one needs somebody at it")
    click.echo(ABOUT, err=True)
    if not yes and not click.confirm("Isolator open, nobody near the propeller?", err=True):
        raise BenchError("not confirmed: nothing was moved")
    seed = random_seed if random_seed is not None else secrets.randbits(31)
    opened = StillPort.opened(port, rig, text, seed)
    hands = opened.simulated.hands if opened.simulated is not None else None

    def begin() -> None:
        click.echo("Now move a card to and fro before the tach, about twice a second, until told to stop.", err=True)
        if hands is not None:
            hands.act("card")

    def end() -> None:
        click.echo("Stop: take the card away.", err=True)
        if hands is not None:
            hands.let_go()

    with opened.loop as loop:
        search = TravelSearch(loop.stand, start_us or round(rig.pitch.safe_us or 1500.0), within_us)
        travel = loop.run(search.find())
        click.echo(
            f"ends {travel.least.proposed_us} to {travel.greatest.proposed_us} us; the governor tries them", err=True
        )
        travel = loop.run(search.check(travel, begin, end))
    if rig_out is not None and travel.held is False:
        raise CalibrationError(f"{travel.remark}: the end points were not written")
    if rig_out is not None:
        write_text(rig_out, with_values(text, travel_values(travel)))
    return give_answer(travel_answer(travel, rig), as_json, rig_path)
