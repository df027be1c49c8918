"""Every page of the window with data on it, made without waiting for a worker: for tests of all, and for pictures."""

from __future__ import annotations

import functools
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import replace
from pathlib import Path

import numpy as np
import page_answers
import page_runs
import scenes
from PyQt5 import QtWidgets
from still_runs import RIG_TEXT, still_run

from whirlbench.cli.still.simulated_helper import SimulatedHelper
from whirlbench.errors import AnalysisError
from whirlbench.log import SetLog, standing
from whirlbench.results.answer import Answer, not_judged
from whirlbench.results.balance import SUBJECT
from whirlbench.results.report import RecordedRun, side_by_side
from whirlbench.results.set_log import set_log_answer
from whirlbench.results.vibration import spectrum_answer
from whirlbench.rig.toml import example_rig_text, parse_rig
from whirlbench.window.calibration.calibration_page import CalibrationPage
from whirlbench.window.drawing.strips import Replay
from whirlbench.window.help_card import HelpCard
from whirlbench.window.main_window import MainWindow
from whirlbench.window.pages.analysis_page import AnalysisPage
from whirlbench.window.pages.answer_panel import AnswerPanel, ComparePanel
from whirlbench.window.pages.balance_panel import BalancePanel
from whirlbench.window.pages.check_panel import CheckPanel
from whirlbench.window.pages.diagnosis_panel import DiagnosisPanel
from whirlbench.window.pages.limits_panel import LimitsPanel
from whirlbench.window.pages.log_panel import LogPanel
from whirlbench.window.pages.page_kinds import KINDS
from whirlbench.window.pages.page_work import NO_TRIAL
from whirlbench.window.pages.tune_panel import TunePanel
from whirlbench.window.pages.worker import Refusal
from whirlbench.window.replay.replay_panel import ReplayPanel
from whirlbench.window.rig_form.rig_form import RigForm
from whirlbench.window.stand_access import FoundPort
from whirlbench.window.start_page import StartPage
from whirlbench.window.trial.trial_page import TrialPage

RECORDINGS = Path(__file__).parents[3] / "recordings"
TEXT = example_rig_text()
Process = Callable[[], None]


@functools.cache
def compared() -> Answer:
    """The demonstration's two sets, run by one plan."""
    first, second = (RecordedRun.read(RECORDINGS / name) for name in ("unbalance_as_found.h5", "unbalance_trial.h5"))
    return side_by_side(first, second)


def _log(folder: Path) -> Answer:
    rig = parse_rig(TEXT)
    name = rig.propeller.blade_set or ""
    with SetLog(folder / "page.sqlite", True) as log:
        entries = log.entries(name)
    return set_log_answer(entries, standing(entries, rig, name))


def _failed(name: str, why: str) -> AnalysisPage:
    kind = next(kind for kind in KINDS if kind.name == name)
    page = AnalysisPage(kind.panel, page_runs.endless)
    page.advice = kind.advice
    page.line.setText("not begun")  # so that it does not begin when it is seen
    page._take(Refusal(str(AnalysisError(why)), wants_rig=True))
    return page


def _start(folder: Path, full: bool) -> StartPage:
    page = StartPage(offers_stand=True)
    page.show_ports([FoundPort("/dev/ttyACM0", "a board on USB")] if full else [])
    page.show_recent([Path("runs") / "first.h5"] if full else [])
    page.show_rig(Path("rigs") / "own.toml" if full else None)
    return page


def _form(folder: Path) -> RigForm:
    form = RigForm(TEXT, Path("own.toml"))
    form.show_section("limits")
    form.type(form.draft.fields("limits")[0], "fast")
    return form


@contextmanager
def _calibration(folder: Path, process: Process, points: int) -> Iterator[QtWidgets.QWidget]:
    run = still_run()
    helper = functools.partial(SimulatedHelper, rig=run.stand.rig, port=run.port, rng=np.random.default_rng(1))
    page = CalibrationPage(run.stand.rig, RIG_TEXT, folder / "rig.toml", run.loop, helper)
    page._timer.stop()
    if points:
        page.channel.setCurrentIndex(page.channel.findData("current_a"))
        page.begin()
        for value in ("", "20", "40", "60", "20", "")[:points]:
            _settle(page, run.time)
            page.typed.setText(value)
            page.take()
        _settle(page, run.time)
        page.draw()
    yield page
    page.close_work()


def _settle(page, time) -> None:
    for _ in range(3000):
        time.sleep(0.01)
        page.tick()
        if page.work.may_take:
            return


@contextmanager
def _trial(folder: Path, process: Process, begun: bool) -> Iterator[QtWidgets.QWidget]:
    run = still_run()
    page = TrialPage(run.loop, "trial.h5", lambda proof: "proof 1", lambda complete: None, run.port.hands)
    page._timer.stop()
    if begun:
        page.typed.setText("propeller off")
        page.begin()
        for _ in range(3000):
            run.time.sleep(0.01)
            page.tick()
            if page.work is not None and page.work.asked:
                break
        page.draw()
    yield page
    page.close_work()


def _keys() -> QtWidgets.QWidget:
    """The card belongs to a window, and lives no longer than that."""
    window = MainWindow()
    card = HelpCard(window)
    card.belongs_to = window
    return card


@contextmanager
def _stand(folder: Path, process: Process, name: str) -> Iterator[QtWidgets.QWidget]:
    with scenes.shown(scenes.SCENES[name], folder / name.replace(" ", "_"), process) as window:
        yield window


def _replay(folder: Path) -> ReplayPanel:
    run = replace(page_runs.shaking_run(grows=True), events=(*scenes.TRIPPED, *scenes.HOST_TRIP))
    return ReplayPanel(Replay(run, parse_rig(TEXT), 5.0), ("the file ends before its end mark",))


PLAIN: dict[str, Callable[[Path], QtWidgets.QWidget]] = {
    "start": lambda folder: _start(folder, True),
    "start, nothing found": lambda folder: _start(folder, False),
    "rig": _form,
    "check": lambda folder: CheckPanel(page_answers.check()),
    "tune": lambda folder: TunePanel(page_answers.tune()),
    "limits": lambda folder: LimitsPanel(page_answers.limits()),
    "diagnosis": lambda folder: DiagnosisPanel(page_answers.diagnosed()),
    "balance": lambda folder: BalancePanel(not_judged(SUBJECT, NO_TRIAL)),
    "log": lambda folder: LogPanel(_log(folder)),
    "compare": lambda folder: ComparePanel(compared()),
    "spectrum": lambda folder: AnswerPanel(spectrum_answer(page_runs.shaking_run(grows=True))),
    "replay": _replay,
    "tune, failed": lambda folder: _failed("tune", "limits.thrust_n: no step of throttle_us can be used"),
    "check, failed": lambda folder: _failed("check", "no rig: the recording holds none"),
    "keys": lambda folder: _keys(),
}
UNDER_WAY: dict[str, Callable] = {
    "calibration": functools.partial(_calibration, points=0),
    "calibration, under way": functools.partial(_calibration, points=4),
    "trial": functools.partial(_trial, begun=False),
    "trial, under way": functools.partial(_trial, begun=True),
    **{f"stand, {name}": functools.partial(_stand, name=name) for name in ("locked", "turning", "tripped by the host")},
}
NAMES = (*PLAIN, *UNDER_WAY)


@contextmanager
def page(name: str, folder: Path, process: Process) -> Iterator[QtWidgets.QWidget]:
    """The page of that name, not shown yet; it is closed afterwards. ``process`` runs Qt's events."""
    if name in UNDER_WAY:
        with UNDER_WAY[name](folder, process) as found:
            yield found
        return
    found = PLAIN[name](folder)
    try:
        yield found
    finally:
        found.close()


def settled(found: QtWidgets.QWidget, process: Process) -> None:
    """Shows all pieces of a page, which come one in each turn of Qt's loop."""
    for _ in range(200):
        process()
        if not getattr(found, "_unrevealed", ()):
            break
    process()
