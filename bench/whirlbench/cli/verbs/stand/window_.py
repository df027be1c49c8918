"""`whirlbench window`: a recorded run, a live session, or both."""

from __future__ import annotations

import secrets
from pathlib import Path
from typing import TYPE_CHECKING

import click

from whirlbench.cli.gate import enter_calibrations, fitted_set, log_option
from whirlbench.cli.port_choice import SIMULATED, origin, port_opener
from whirlbench.cli.run_input import naming
from whirlbench.cli.run_output import new_recording, tell_outcome
from whirlbench.errors import BenchError
from whirlbench.rig.toml import example_rig_text, parse_rig, read_rig

if TYPE_CHECKING:
    from whirlbench.rig.description import Rig
    from whirlbench.session.plan import Plan
    from whirlbench.session.process import SessionHandle
    from whirlbench.window.main_window import MainWindow
    from whirlbench.window.stand_access import FoundPort


@click.command("window")
@click.argument("recording", required=False, type=click.Path(path_type=Path))
@click.option("--beside", type=click.Path(path_type=Path), help="A second recording, to be laid beside the first.")
@click.option("--port", help="Serial port of the device, or `simulated`.")
@click.option("--rig", "rig_path", type=click.Path(path_type=Path), help="Rig file; by default the recording's own.")
@click.option("--plan", "plan_path", type=click.Path(path_type=Path), help="Plan that the session offers to run.")
@click.option("-o", "output", type=click.Path(path_type=Path), help="Recording of the session.")
@click.option("--calibrate", is_flag=True, help="Calibrate the stand's sensors, guided, instead of running it.")
@click.option("--trial", is_flag=True, help="Try the trips, guided, PROPELLER OFF, instead of running the stand.")
@click.option("--random-seed", type=click.IntRange(min=0), help="Seed of the simulated stand.")
@log_option
def command(
    recording: Path | None, beside: Path | None, port: str | None, rig_path: Path | None, plan_path: Path | None,
    output: Path | None, calibrate: bool, trial: bool, random_seed: int | None, log_path: Path | None,
) -> int:  # fmt: skip
    """The desktop window: replay and judge RECORDING, or run the stand at PORT (or `simulated`).

    Beside the replay, pages for check, tune, limits and diagnosis are computed when they are first opened.
    Without either, a page shows what there is to open. The exit status is that of the session, if there was one.
    """
    from whirlbench.window.app import require_qt, run_window
    from whirlbench.window.stand_access import StandAccess

    if beside is not None and recording is None:
        raise BenchError("--beside needs the recording that it is to be laid beside: name that first")
    _require_stand(calibrate, trial, port is not None and rig_path is not None)
    require_qt()
    seed = random_seed if random_seed is not None else secrets.randbits(31)
    sessions: list[tuple[SessionHandle, Path]] = []

    rig_text = _require_readable(recording, beside, rig_path)

    def connect(window: MainWindow, port: str, path: Path | None) -> None:
        sessions.append(_add_session(window, port, path, None, None, secrets.randbits(31), log_path))

    def prepare(window: MainWindow) -> None:
        window.stand = StandAccess(_ports, connect)
        if calibrate and port is not None and rig_path is not None:
            _add_calibration(window, port, rig_path, seed, log_path)
        elif trial and port is not None and rig_path is not None:
            _add_trial(window, port, rig_path, seed, log_path, new_recording(output, "trial"))
        elif port is not None:
            sessions.append(_add_session(window, port, rig_path, plan_path, output, seed, log_path))
            window.connected(port, rig_path)
        if recording is not None:
            window.open_recording(recording, beside, rig_text, str(rig_path or ""))
        if recording is None and port is None:
            window.show_start()

    run_window(prepare)
    return _exit_status(sessions)


def _require_stand(calibrate: bool, trial: bool, given: bool) -> None:
    """Work while the motor cannot be driven needs a stand and its rig, one kind at a time."""
    if calibrate and not given:
        raise BenchError("--calibrate needs the stand and its rig file: give --port and --rig")
    if trial and (calibrate or not given):
        raise BenchError("--trial goes without --calibrate, and needs the stand and its rig file: --port and --rig")


def _ports() -> list[FoundPort]:
    from whirlbench.link.port import list_ports
    from whirlbench.window.stand_access import FoundPort

    return [FoundPort(port.path, port.description or "no description") for port in list_ports()]


def _exit_status(sessions: list[tuple[SessionHandle, Path]]) -> int:
    """How the latest session ended is told in the terminal, too."""
    for session, path in reversed(sessions):
        outcome = session.outcome()
        if outcome is not None:
            tell_outcome(outcome, path)
            return outcome.exit_status
    return 0


def _require_readable(recording: Path | None, beside: Path | None, rig_path: Path | None) -> str:
    """The text of the rig file; what cannot be read is refused before any session starts.

    The recordings themselves are read by their pages: whether they are recordings is asked now.
    """
    from whirlbench.recording.files import open_recording

    rig_text = read_rig(rig_path)[1] if rig_path else ""
    for path in (recording, beside):
        if path is not None:
            with open_recording(path) as found:
                if path == recording and not rig_text:
                    parse_rig(found.attributes.rig_text, f"rig in {path}")
    return rig_text


def _add_calibration(window: MainWindow, port: str, rig_path: Path, seed: int, log_path: Path | None) -> None:
    """Its device is in the window's own process: what cannot be driven needs no session apart."""
    import functools
    import time

    import numpy as np

    from whirlbench.cli.still.simulated_helper import SimulatedHelper
    from whirlbench.session.still import StillLoop, StillStand
    from whirlbench.simulator.device.simulated_port import SimulatedPort
    from whirlbench.window.calibration.calibration_page import CalibrationPage

    rig, rig_text = read_rig(rig_path)
    opened = port_opener(port, rig_text, seed)()
    helper = None
    if isinstance(opened, SimulatedPort):
        helper = functools.partial(SimulatedHelper, rig=rig, port=opened, rng=np.random.default_rng(seed))
    loop = StillLoop(StillStand(rig), opened, time.monotonic, lambda seconds: None)

    def enter(written: Rig) -> str:
        return enter_calibrations(written, port == SIMULATED, log_path, "")

    window.add_page("calibration", CalibrationPage(rig, rig_text, rig_path, loop, helper, enter))


def _add_trial(
    window: MainWindow, port: str, rig_path: Path, seed: int, log_path: Path | None, recording: Path
) -> None:
    """The trial of the verb, its device in the window's own process; the log is tried before anything is armed."""
    import time

    from whirlbench.cli.verbs.stand.trial import TrialRecorder
    from whirlbench.log import Proof, SetLog, default_path
    from whirlbench.session.still import StillLoop, StillStand
    from whirlbench.simulator.device.simulated_port import SimulatedPort
    from whirlbench.window.trial.trial_page import TrialPage

    simulated = port == SIMULATED
    rig, rig_text = read_rig(rig_path)
    path = log_path or default_path(simulated)
    SetLog(path, simulated).close()
    keeper = TrialRecorder(recording, rig_text, origin(port), seed if simulated else None)

    def enter(proof: Proof) -> str:
        with SetLog(path, simulated) as log:
            return f"{path}: proof {log.add_proof(proof)} of {proof.rig_name}"

    def close(complete: bool) -> None:
        keeper.close("" if complete else "left before its end")

    opened = port_opener(port, rig_text, seed)()
    hands = opened.hands if isinstance(opened, SimulatedPort) else None
    loop = StillLoop(StillStand(rig), opened, time.monotonic, lambda seconds: None, keeper.keep)
    window.add_page("trial of the trips", TrialPage(loop, recording.name, enter, close, hands))


def _add_session(
    window: MainWindow,
    port: str,
    rig_path: Path | None,
    plan_path: Path | None,
    output: Path | None,
    seed: int,
    log_path: Path | None,
) -> tuple[SessionHandle, Path]:
    from whirlbench.session.process import SessionSpec, start
    from whirlbench.window.pages.page_work import Subject

    rig, rig_text = _rig_for_session(port, rig_path)
    plan_text, plan, rig = _offered_plan(port, plan_path, rig)
    recording = new_recording(output)
    fitted = fitted_set(rig, port, log_path)
    spec = SessionSpec(
        rig_text, port_opener(port, rig_text, seed), plan_text, str(recording), keep_open=True,
        origin=origin(port), random_seed=seed if port == SIMULATED else None, clearance=fitted.clearance(),
    )  # fmt: skip
    with naming(rig_path):
        session = start(spec)
    window.show_session(session, rig, recording, fitted, plan)
    name = str(rig_path or "example rig")
    subject = Subject(rig_text=rig_text, rig_name=name, log_path=log_path, simulated=port == SIMULATED)
    window.offer_analyses(subject, has_rig=True)
    return session, recording


def _offered_plan(port: str, plan_path: Path | None, rig: Rig) -> tuple[str, Plan | None, Rig]:
    """Text and plan that the session offers, and the rig with its limits.

    A plan that was asked for has to fit the rig; the example's, at a simulated stand, is left out where it does not.
    """
    from whirlbench.session.plan import check_plan, narrowed, parse_plan, read_plan, shipped_plan_text

    if plan_path is None and port != SIMULATED:
        return "", None, rig
    text = read_plan(plan_path)[1] if plan_path else shipped_plan_text()
    plan, source = parse_plan(text), str(plan_path or "example plan")
    try:
        narrow = narrowed(rig, plan, source)
        check_plan(plan, narrow, source)
    except BenchError:
        if plan_path is not None:
            raise
        return "", None, rig
    return text, plan, narrow


def _rig_for_session(port: str, rig_path: Path | None) -> tuple[Rig, str]:
    if rig_path is not None:
        return read_rig(rig_path)
    if port != SIMULATED:
        raise BenchError("a stand with hardware needs its own limits: name the rig file with --rig")
    text = example_rig_text()
    return parse_rig(text), text
