"""Which analysis pages there are for a recording or a rig, and how each is computed and drawn."""

from __future__ import annotations

from collections.abc import Callable, Collection, Iterator
from typing import Any, NamedTuple

from PyQt5 import QtWidgets

from whirlbench.window.pages.analysis_page import AnalysisPage
from whirlbench.window.pages.answer_panel import AnswerPanel, ComparePanel
from whirlbench.window.pages.balance_panel import BalancePanel
from whirlbench.window.pages.check_panel import CheckPanel
from whirlbench.window.pages.diagnosis_panel import DiagnosisPanel
from whirlbench.window.pages.limits_panel import LimitsPanel
from whirlbench.window.pages.log_panel import LogPanel
from whirlbench.window.pages.page_work import (
    Subject,
    balance_work,
    check_work,
    compare_work,
    diagnosis_work,
    limits_work,
    log_work,
    tune_work,
)
from whirlbench.window.pages.replay_work import spectrum_work
from whirlbench.window.pages.tune_panel import TunePanel
from whirlbench.window.pages.worker import Work


class Kind(NamedTuple):
    """A kind of page: its name in the list, its panel, its work, and what a subject must have for it."""

    name: str
    panel: Callable[[Any], QtWidgets.QWidget]
    work: Work
    needs_rig: bool
    needs_recording: bool
    advice: str  # what makes it possible where it was not


NEEDS_STEPS = (
    "Tuning needs steps: run a plan that moves one lever at once by some per cent, holds it for some seconds and moves "
    "it back, four times or more, and open that recording. In a recording that has some, select a span around them."
)
NEEDS_SHAKE = (
    "A diagnosis needs speed and vibration: fit the accelerometer, calibrate it, and record a run of at least half a "
    "minute with holds in it."
)
NEEDS_SET = (
    "Give the rig a blade set: open its form by `Stand`, add one by name, say material, sections and how its root is "
    "held, and name it as the one that is fitted."
)
NEEDS_HOLDS = (
    "Pitch limits need settled holds at four blade angles or more and at two speeds, with thrust, current and voltage: "
    "run a plan of such holds, and open that recording."
)
NEEDS_PAIR = (
    "Two recordings are compared where they hold the same speed and blade angle: run both sets by the same plan, then "
    "lay the second beside the first by `second run` on the replay."
)
NEEDS_LOG = "The log begins with the first run of a set, or by hand: `whirlbench log add`, with an inspection."
NEEDS_MARK = "Balancing needs a mark of the tach and vibration across the shaft: a recording of this stand has both."
KINDS = (
    Kind("check", CheckPanel, check_work, True, False, NEEDS_SET),
    Kind("diagnosis", DiagnosisPanel, diagnosis_work, False, True, NEEDS_SHAKE),
    Kind("tune", TunePanel, tune_work, False, True, NEEDS_STEPS),
    Kind("limits", LimitsPanel, limits_work, True, True, NEEDS_HOLDS),
    Kind("balance", BalancePanel, balance_work, False, True, NEEDS_MARK),
    Kind("log", LogPanel, log_work, True, False, NEEDS_LOG),
)
COMPARISON = Kind("compare", ComparePanel, compare_work, False, True, NEEDS_PAIR)
OF_A_SPAN = {
    "diagnosis": (DiagnosisPanel, diagnosis_work, NEEDS_SHAKE),
    "tune": (TunePanel, tune_work, NEEDS_STEPS),
    "spectrum": (AnswerPanel, spectrum_work, NEEDS_SHAKE),
}


def span_page(kind: str, subject: Subject) -> AnalysisPage:
    """The page that answers one of OF_A_SPAN about the span of ``subject``."""
    panel, work, advice = OF_A_SPAN[kind]
    return _page(panel, work, subject, advice)


def compare_page(subject: Subject) -> AnalysisPage:
    """The run of ``subject`` with the one beside it, at like speed and pitch: what the report of both says."""
    return _page(COMPARISON.panel, COMPARISON.work, subject, COMPARISON.advice)


def diagnosis_page(subject: Subject) -> AnalysisPage:
    """The diagnosis of the run of ``subject`` with the one beside it."""
    return _page(DiagnosisPanel, diagnosis_work, subject, NEEDS_SHAKE)


def _page(panel: Callable[[Any], QtWidgets.QWidget], work: Work, subject: Subject, advice: str) -> AnalysisPage:
    page = AnalysisPage(panel, work, subject)
    page.advice = advice
    return page


def analysis_pages(
    subject: Subject, has_rig: bool, without: Collection[str] = ()
) -> Iterator[tuple[str, AnalysisPage]]:
    """(name, page) of everything that ``subject`` could answer but the kinds named in ``without``.

    Nothing is computed before a page is opened.
    """
    kinds = (*KINDS, COMPARISON) if subject.beside is not None else KINDS
    for kind in (kind for kind in kinds if kind.name not in without):
        if (has_rig or not kind.needs_rig) and (subject.recording is not None or not kind.needs_recording):
            yield kind.name, _page(kind.panel, kind.work, subject, kind.advice)
