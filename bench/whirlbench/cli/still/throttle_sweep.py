"""End points of the throttle: a supervised, recorded sweep, the propeller off, the overspeed limit lowered."""

from __future__ import annotations

import time
from pathlib import Path
from typing import TYPE_CHECKING

import click
import numpy as np

from whirlbench.cli.output import write_text
from whirlbench.cli.port_choice import SIMULATED, origin, port_opener
from whirlbench.errors import BenchError, CalibrationError
from whirlbench.rig.toml import parse_rig, with_values
from whirlbench.session.engine import Command, CommandKind, Ending, Outcome, Progress
from whirlbench.session.plan import Clearance
from whirlbench.session.process import EndingRequests, SessionSpec, WillingOperator, start

if TYPE_CHECKING:
    from whirlbench.rig.description import Rig
    from whirlbench.samples import Run

WORDS = "propeller off"
STAIRS = 24
HOLD_S = 1.2  # a stair: the speed settles in its first half
LATER_US = 150.0  # so far beyond the rig's first pulse the motor must turn: a lost tach is watched from there
SHARE = 0.5  # of the rig's overspeed limit: what a bare shaft is let turn unless somebody asks for more
ENOUGH = 0.85  # of the lowered limit: from there the sweep is wound down, so that no trip has to end it
TURN_S = 0.05
ABOUT = (
    "The motor WILL TURN, by itself, from the safe pulse up. Take the PROPELLER OFF; guard closed, isolator in reach.\n"
    "The device trips at {rpm:.0f} rpm of the bare shaft; the sweep ends before. Ctrl-C cuts the power."
)


def sweep_throttle(
    rig: Rig, rig_text: str, port: str, points: Path, overspeed_rpm: float | None, seed: int, unasked: bool
) -> None:
    """Sweeps the throttle on the stand at ``port`` and leaves (pulse, settled speed) in ``points``.

    CalibrationError when the sweep tripped, or ended before anything could be read; the recording lies beside.
    """
    if unasked and port != SIMULATED:
        raise BenchError("--yes answers for the simulated stand only: a real one needs somebody at it")
    most_rpm = _permitted_rpm(rig, overspeed_rpm)
    _confirm(most_rpm, unasked)
    text = bare_rig_text(rig, rig_text, most_rpm)
    recording = points.with_suffix(".h5")
    if recording.exists():
        raise BenchError(f"{recording}: already exists; choose another name with --points-out")
    spec = SessionSpec(
        text, port_opener(port, rig_text, seed), sweep_plan(rig), str(recording), origin=origin(port),
        random_seed=seed if port == SIMULATED else None, clearance=_bare(parse_rig(text), most_rpm),
    )  # fmt: skip
    outcome = _run(spec, port, _SweepOperator(ENOUGH * most_rpm), rig_text)
    if outcome.ending is not Ending.DONE:
        raise CalibrationError(f"throttle: the sweep ended {outcome.ending}: {outcome.reason}; recorded in {recording}")
    from whirlbench.recording.files import read_run

    _write(points, settled_speeds(read_run(recording), stairs_us(rig)))


def _permitted_rpm(rig: Rig, wanted: float | None) -> float:
    limit = rig.limits.overspeed_rpm
    if limit is None:
        raise BenchError("the rig sets no limits.overspeed_rpm: nothing would end a sweep that runs away")
    if wanted is not None and wanted > limit:
        raise BenchError(f"--overspeed-rpm {wanted:.0f} is above the rig's limits.overspeed_rpm {limit:.0f}")
    return wanted or SHARE * limit


def _confirm(most_rpm: float, unasked: bool) -> None:
    click.echo(ABOUT.format(rpm=most_rpm), err=True)
    if unasked:
        return
    typed = click.prompt(f"Type `{WORDS}` when it is", default="", show_default=False, err=True)
    if typed.strip().lower() != WORDS:
        raise BenchError(f"{typed.strip()!r} was typed, not `{WORDS}`: nothing was armed")


def bare_rig_text(rig: Rig, rig_text: str, most_rpm: float) -> str:
    """The rig without a blade set, its overspeed limit lowered, its first turning pulse not yet known."""
    throttle = rig.throttle
    must_turn_us = min(throttle.min_us + LATER_US, throttle.max_us - 1.0)
    import tomlkit

    document = tomlkit.parse(rig_text)
    document.get("propeller", {}).pop("blade_set", None)
    values = {"limits.overspeed_rpm": most_rpm, "throttle.min_us": must_turn_us}
    return with_values(tomlkit.dumps(document), values)


def _bare(rig: Rig, most_rpm: float) -> Clearance:
    from whirlbench.log import standing

    return Clearance("", most_rpm, standing((), rig, ""), bare_shaft=True)


def stairs_us(rig: Rig) -> tuple[float, ...]:
    """Pulses of the sweep, from the safe one to the greatest."""
    pulses = np.linspace(rig.throttle.safe_us, rig.throttle.max_us, STAIRS + 1)
    return tuple(float(pulse) for pulse in np.unique(np.round(pulses)))


def sweep_plan(rig: Rig) -> str:
    """The plan of the sweep: one hold a stair."""
    holds = (f'[[step]]\nkind = "hold"\nthrottle_us = {pulse:g}\nduration_s = {HOLD_S:g}\n' for pulse in stairs_us(rig))
    head = 'name = "sweep of the throttle, propeller off"\ngovernor = "off"\n'
    return "\n".join((head, *holds, '[[step]]\nkind = "coast-down"\n'))


class _SweepOperator(WillingOperator):
    """Arms, starts, and winds the sweep down when the bare shaft turns fast enough."""

    def __init__(self, enough_rpm: float) -> None:
        super().__init__()
        self._enough_rpm, self._finished = enough_rpm, False

    def commands(self, progress: Progress) -> tuple[Command, ...]:
        """As the plan asks, until it is enough."""
        if not self._finished and progress.values.get("rpm", 0.0) > self._enough_rpm:
            self._finished = True
            return (Command(CommandKind.FINISH),)
        return super().commands(progress)


def _run(spec: SessionSpec, port: str, operator: _SweepOperator, stand_text: str) -> Outcome:
    if port == SIMULATED:
        from whirlbench.cli.simulated_session import run_simulated

        return run_simulated(spec, None, lambda progress: None, operator.commands, stand_text=stand_text)
    with EndingRequests() as requests, start(spec) as session:
        while (outcome := session.outcome()) is None:
            session.heard()
            progress: Progress = session.state()
            for command in operator.commands(progress):
                session.command(command)
            if requests.new():
                session.command(CommandKind.ABORT)
            time.sleep(TURN_S)
        session.join()
    return outcome


def settled_speeds(run: Run, pulses: tuple[float, ...]) -> list[tuple[float, float]]:
    """(pulse, mean speed over the second half of its stair); a stair that was left early is left out."""
    slow, found = run.slow, []
    throttle_us, rpm = slow.channel("throttle_us"), slow.channel("rpm")
    for pulse in pulses:
        at = np.flatnonzero(np.abs(throttle_us - pulse) < 0.5)
        at = at[: int(np.flatnonzero(np.diff(at) > 1)[0]) + 1] if np.any(np.diff(at) > 1) else at  # not the coast-down
        if len(at) and slow.time_s[at[-1]] - slow.time_s[at[0]] >= 0.9 * HOLD_S:
            later = at[slow.time_s[at] >= slow.time_s[at[0]] + HOLD_S / 2]
            found.append((pulse, float(np.mean(rpm[later]))))
    return found


def _write(points: Path, rows: list[tuple[float, float]]) -> None:
    if not rows:
        raise CalibrationError("throttle: no stair of the sweep was gone through to its end: nothing was fitted")
    lines = ["pulse_us,rpm", *(f"{pulse:g},{rpm:.6g}" for pulse, rpm in rows)]
    write_text(points, "\n".join(lines) + "\n")
