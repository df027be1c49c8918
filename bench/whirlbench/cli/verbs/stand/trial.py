"""`whirlbench trial`: each trip provoked in turn with the propeller off, recorded, and kept in the log."""

from __future__ import annotations

import secrets
from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING

import click

from whirlbench.cli.gate import log_option
from whirlbench.cli.output import CANNOT_ANSWER, give_answer, json_option
from whirlbench.cli.port_choice import SIMULATED, origin
from whirlbench.cli.run_output import new_recording
from whirlbench.cli.still.still_port import StillPort
from whirlbench.errors import BenchError

if TYPE_CHECKING:
    from whirlbench.recording.writer import RecordingWriter
    from whirlbench.session.engine import Record
    from whirlbench.session.still import Provocation, TripsTrial

FILE = click.Path(dir_okay=False, path_type=Path)


@click.command("trial")
@click.option("--rig", "rig_path", required=True, type=FILE, help="Rig file: limits, calibration, stand.")
@click.option("--port", required=True, help="Serial port of the device, or `simulated`.")
@click.option("-o", "output", type=FILE, help="Recording to write; by default trial-DATE-TIME.h5 here.")
@click.option("--operator", default="", help="Who makes the trial.")
@click.option("--random-seed", type=click.IntRange(min=0), help="Seed of the simulated stand.")
@click.option("--yes", is_flag=True, help="Simulated stand: do what is asked, unasked.")
@log_option
@json_option
def command(
    rig_path: Path, port: str, output: Path | None, log_path: Path | None, operator: str, random_seed: int | None,
    yes: bool, as_json: bool,
) -> int:  # fmt: skip
    """Provoke every trip of the rig in turn, PROPELLER OFF, and keep the proof in the log.

    Exit status 2 when a trip did not come, or the trial was left before its end.
    """
    from whirlbench.log import SetLog, default_path
    from whirlbench.results.stand import proved, trial_answer
    from whirlbench.rig.toml import read_rig
    from whirlbench.session.still import TripsTrial

    rig, rig_text = read_rig(rig_path)
    simulated = port == SIMULATED
    if yes and not simulated:
        raise BenchError("--yes answers for the simulated stand only: a real one needs somebody at it")
    recording = new_recording(output, "trial")
    _confirm(yes)
    seed = random_seed if random_seed is not None else secrets.randbits(31)
    keeper = TrialRecorder(recording, rig_text, origin(port), seed if simulated else None)
    opened = StillPort.opened(port, rig, rig_text, seed, keeper.keep)
    with SetLog(log_path or default_path(simulated), simulated) as log, opened.loop, keeper:
        trial = TripsTrial(opened.loop.stand)
        complete = TrialAtTerminal(trial, opened, yes).run()
        proof = trial.proof(operator, recording.name, complete)
        log.add_proof(proof)
    answer = trial_answer(proof)
    status = give_answer(answer, as_json, rig_path)
    if status == 0 and not proved(proof):
        click.echo(f"whirlbench: {rig_path}: {answer.headline}", err=True)
        return CANNOT_ANSWER
    return status


def _confirm(yes: bool) -> None:
    from whirlbench.results.stand import ABOUT, READY, WORDS, not_typed

    click.echo(ABOUT, err=True)
    if yes:
        return
    typed = click.prompt(READY.capitalize(), default="", show_default=False, err=True)
    if typed.strip().lower() != WORDS:
        raise BenchError(not_typed(typed))


class TrialRecorder:
    """Keeps the records of a trial; the recording begins once the device has said who it is."""

    def __init__(self, path: Path, rig_text: str, source: str, seed: int | None) -> None:
        self._path, self._rig_text, self._origin, self._seed = path, rig_text, source, seed
        self._waiting: list[Record] = []
        self._writer: RecordingWriter | None = None

    def keep(self, records: Sequence[Record]) -> None:
        """Writes ``records``, and those that came before the recording could begin."""
        from whirlbench.session.process import write_records

        self._waiting += records
        if self._writer is None:
            self._writer = self._begun()
        if self._writer is not None and self._waiting:
            write_records(self._writer, self._waiting)
            self._waiting = []

    def _begun(self) -> RecordingWriter | None:
        from whirlbench.recording.attributes import RunAttributes
        from whirlbench.recording.files import create
        from whirlbench.rig.toml import parse_rig
        from whirlbench.session.engine import IdentityRecord

        identity = next((record for record in self._waiting if isinstance(record, IdentityRecord)), None)
        if identity is None:
            return None
        attributes = RunAttributes.of_rig(
            parse_rig(self._rig_text), self._rig_text, firmware=dict(identity.firmware), origin=self._origin,
            random_seed=self._seed,
        )  # fmt: skip
        return create(self._path, attributes)

    def __enter__(self) -> TrialRecorder:
        return self

    def __exit__(self, kind: type[BaseException] | None, error: BaseException | None, _: object) -> None:
        self.close("" if kind is None else str(error))

    def close(self, failure: str = "") -> None:
        """Ends the recording, whole or with what went wrong."""
        if self._writer is not None:
            self._writer.close("failed" if failure else "done", failure or "trial of the trips")


class TrialAtTerminal:
    """Goes through the trial; ``unasked`` has the hands at the simulated stand do what is asked."""

    def __init__(self, trial: TripsTrial, port: StillPort, unasked: bool) -> None:
        self._trial, self._port, self._unasked = trial, port, unasked

    def run(self) -> bool:
        """Whether the trial was gone through to its end; Ctrl-C leaves it."""
        from whirlbench.session.still import SECOND_CUT

        due = self._trial.due()
        total = len(due) + 1  # the second cut is judged last, by eye
        try:
            for number, provocation in enumerate(due, start=1):
                click.echo(f"{number} of {total}: {provocation.trip}", err=True)
                self._one(provocation)
        except (KeyboardInterrupt, click.Abort):
            click.echo("left before its end", err=True)
            return False
        except BenchError as error:
            click.echo(f"left before its end: {error}", err=True)
            return False
        click.echo(f"{total} of {total}: {SECOND_CUT}", err=True)
        self._trial.judge_second_cut(self._seen_second_cut())
        return True

    def _one(self, provocation: Provocation) -> None:
        from whirlbench.results.stand import came_words
        from whirlbench.session.still import CannotBeProvoked, lock

        loop = self._port.loop
        try:
            loop.run(self._trial.prepare(provocation))
        except CannotBeProvoked as why:
            self._trial.skip(provocation, str(why))
            click.echo(f"  not tried: {why}", err=True)
            return
        if provocation.ask and not self._ready(provocation):
            self._trial.skip(provocation, "passed over by the operator")
            return
        found = loop.run(self._trial.provoke(provocation, lambda: self._begin(provocation)))
        click.echo(f"  {came_words(found)}", err=True)
        self._put_right(provocation)
        loop.run(lock(loop.stand))

    def _ready(self, provocation: Provocation) -> bool:
        from whirlbench.results.stand import once_armed

        if self._unasked:
            return True
        click.echo(f"  {once_armed(provocation.ask)}", err=True)
        answer: str = click.prompt("  Enter when ready, `skip` to pass over", default="", show_default=False, err=True)
        return answer.strip().lower() != "skip"

    def _begin(self, provocation: Provocation) -> None:
        from whirlbench.results.stand import armed_now

        if provocation.ask:
            click.echo(f"  {armed_now(provocation.ask)}", err=True)
        if self._port.simulated is not None and provocation.hand:
            self._port.simulated.hands.act(provocation.hand)

    def _put_right(self, provocation: Provocation) -> None:
        from whirlbench.results.stand import PUT_BACK

        if self._port.simulated is not None:
            self._port.simulated.hands.let_go()
        if provocation.ask and not self._unasked:
            click.prompt(f"  {PUT_BACK}; Enter when done", default="", show_default=False, err=True)

    def _seen_second_cut(self) -> bool | None:
        from whirlbench.results.stand import SEEN_CUT

        if self._unasked:
            return True  # the simulated stand's contactor is its output
        answer: str = click.prompt(
            f"{SEEN_CUT} yes, no, or `none` if there is none or nobody looked",
            default="none",
            err=True,
        )
        return {"yes": True, "no": False}.get(answer.strip().lower())
