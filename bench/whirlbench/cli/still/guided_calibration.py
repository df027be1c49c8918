"""A calibration guided at the terminal: prompt, reading, refusal or point, until there are enough."""

from __future__ import annotations

from collections.abc import Mapping
from datetime import datetime
from pathlib import Path
from typing import TYPE_CHECKING

import click
import numpy as np

from whirlbench.calibration.guide import CalibrationGuide, Setting, servo_range
from whirlbench.cli.output import write_text
from whirlbench.cli.still.simulated_helper import SimulatedHelper
from whirlbench.cli.still.still_port import StillPort
from whirlbench.errors import BenchError, CalibrationError
from whirlbench.session.still import Procedure, StillStand, agree, identify, lock, put_servo, read, still_table

if TYPE_CHECKING:
    from whirlbench.calibration.steady_reading import SteadyReading
    from whirlbench.rig.description import Rig

END, BACK = "end", "back"
MOST_REFUSALS = 20  # in a row, of one point: nobody sits there any more
ISOLATOR = (
    "The servo is moved while the stand is armed for it alone: the device refuses every throttle pulse but the safe\n"
    "one. All the same: open the isolator, so that the motor has no power, and no hand near while the servo moves.\n"
    "The stand is locked again before you are asked for a reading."
)


class GuidedCalibration:
    """One channel at the terminal; ``helper`` acts at a simulated stand, ``unasked`` takes what it proposes."""

    def __init__(self, guide: CalibrationGuide, port: StillPort, helper: SimulatedHelper | None, unasked: bool) -> None:
        self._guide, self._port, self._helper, self._unasked = guide, port, helper, unasked
        self._table: tuple[int, ...] = ()

    def run(self, points: Path) -> None:
        """Goes through the guide; ``points`` holds every point as soon as it is taken."""
        loop, guide = self._port.loop, self._guide
        if self._needs_device():
            loop.run(identify(loop.stand))
            loop.run(lock(loop.stand))
        if self._moves_servo():
            self._prepare_servo()
        refusals = 0
        while (setting := guide.setting) is not None and refusals < MOST_REFUSALS:
            number = len(guide.rows)
            if not self._take(setting):
                break
            refusals = 0 if len(guide.rows) != number else refusals + 1
            write_text(points, guide.table())
        if guide.objection():
            raise CalibrationError(f"{guide.channel}: {guide.objection()}; what was taken is in {points}")

    def _needs_device(self) -> bool:
        setting = self._guide.setting
        return setting is not None and bool(setting.reads or setting.servo_us)

    def _moves_servo(self) -> bool:
        setting = self._guide.setting
        return setting is not None and setting.servo_us is not None

    def _prepare_servo(self) -> None:
        loop, rig = self._port.loop, self._port.loop.stand.rig
        click.echo(ISOLATOR, err=True)
        if not self._unasked and not click.confirm("Isolator open, propeller free, nobody near it?", err=True):
            raise BenchError("not confirmed: nothing was moved")
        self._table = still_table(rig, servo_range(rig))
        loop.run(agree(loop.stand, self._table))

    def _take(self, setting: Setting) -> bool:
        """One point; False when the operator ends the course."""
        loop, guide = self._port.loop, self._guide
        if setting.servo_us is not None:
            loop.run(put_servo(loop.stand, self._table, setting.servo_us, setting.approach_us))
        text = self._answer(setting)
        if text == END or (not text and setting.asks):
            return False
        if text == BACK:
            guide.undo()
            return True
        try:
            typed = guide.number(text) if setting.asks else None
            if self._helper is not None:
                self._helper.do(setting, typed)
            readings = loop.run(self._reading(loop.stand, setting))
            guide.take(typed, readings)
            click.echo(f"  point {len(guide.rows)}: {_told(guide.rows[-1], readings)}", err=True)
        except CalibrationError as error:
            click.echo(f"  not taken: {error}", err=True)
        return True

    def _reading(self, stand: StillStand, setting: Setting) -> Procedure[Mapping[str, SteadyReading]]:
        if not setting.reads:
            return {}
        signals = [self._guide.signal(column) for column in setting.reads]
        return (yield from read(stand, signals))

    def _answer(self, setting: Setting) -> str:
        proposal = self._helper.proposal(setting) if self._helper is not None and setting.asks else ""
        if self._unasked:
            click.echo(f"{setting.text}: {proposal}" if setting.asks else setting.text, err=True)
            return proposal
        can_end = not self._guide.objection() and self._guide.open_ended
        hint = f"`{BACK}` takes the last point back" + (f", `{END}` ends" if can_end else "")
        question = f"{setting.text}\n  ({hint})" + ("" if setting.asks else "; Enter when it is so")
        answer: str = click.prompt(question, default=proposal, show_default=bool(proposal), err=True)
        return answer.strip()


def _told(row: Mapping[str, str], readings: Mapping[str, SteadyReading]) -> str:
    known = ", ".join(f"{column} {text}" for column, text in row.items())
    scatter = ", ".join(f"{name} ± {reading.scatter:.3g} a sample" for name, reading in readings.items())
    return f"{known} ({scatter})" if scatter else known


def new_points_file(channel: str, wanted: Path | None) -> Path:
    """Where the points go; a file that is there already is not written over."""
    path = wanted or Path(datetime.now().strftime(f"calibration-{channel}-%Y%m%d-%H%M%S.csv"))
    if path.exists():
        raise BenchError(f"{path}: already exists; choose another name with --points-out")
    return path


def guide_at_terminal(channel: str, rig: Rig, rig_text: str, port: str, points: Path, seed: int, unasked: bool) -> None:
    """Takes the points of ``channel`` on the stand at ``port`` and leaves them in ``points``."""
    guide = CalibrationGuide(channel, rig)
    opened = StillPort.opened(port, rig, rig_text, seed)
    if unasked and opened.simulated is None:
        raise BenchError("--yes answers for the simulated stand only: a real one needs somebody at it")
    with opened.loop:
        helper = None
        if opened.simulated is not None:
            helper = SimulatedHelper(channel, rig, opened.simulated, np.random.default_rng(seed))
        GuidedCalibration(guide, opened, helper, unasked).run(points)
