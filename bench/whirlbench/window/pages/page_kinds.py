"""Which analysis pages there are for a recording or a rig, and how each is computed and drawn."""

from __future__ import annotations

from collections.abc import Callable, Collection, Iterator
from typing import Any, NamedTuple

from PyQt5 import QtWidgets

from whirlbench.window.pages.analysis_page import AnalysisPage
from whirlbench.window.pages.answer_panel import AnswerPanel
from whirlbench.window.pages.balance_panel import BalancePanel
from whirlbench.window.pages.check_panel import CheckPanel
from whirlbench.window.pages.diagnosis_panel import DiagnosisPanel
from whirlbench.window.pages.limits_panel import LimitsPanel
from whirlbench.window.pages.log_panel import LogPanel
from whirlbench.window.pages.page_work import (
    Subject,
    balance_work,
    check_work,
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


KINDS = (
    Kind("check", CheckPanel, check_work, needs_rig=True, needs_recording=False),
    Kind("diagnosis", DiagnosisPanel, diagnosis_work, needs_rig=False, needs_recording=True),
    Kind("tune", TunePanel, tune_work, needs_rig=False, needs_recording=True),
    Kind("limits", LimitsPanel, limits_work, needs_rig=True, needs_recording=True),
    Kind("balance", BalancePanel, balance_work, needs_rig=False, needs_recording=True),
    Kind("log", LogPanel, log_work, needs_rig=True, needs_recording=False),
)
OF_A_SPAN = {
    "diagnosis": (DiagnosisPanel, diagnosis_work),
    "tune": (TunePanel, tune_work),
    "spectrum": (AnswerPanel, spectrum_work),
}


def span_page(kind: str, subject: Subject) -> AnalysisPage:
    """The page that answers one of OF_A_SPAN about the span of ``subject``."""
    panel, work = OF_A_SPAN[kind]
    return AnalysisPage(panel, work, subject)


def compare_page(subject: Subject) -> AnalysisPage:
    """The run of ``subject`` with the one beside it, at like speed."""
    return AnalysisPage(DiagnosisPanel, diagnosis_work, subject)


def analysis_pages(
    subject: Subject, has_rig: bool, without: Collection[str] = ()
) -> Iterator[tuple[str, AnalysisPage]]:
    """(name, page) of everything that ``subject`` could answer but the kinds named in ``without``.

    Nothing is computed before a page is opened.
    """
    for kind in (kind for kind in KINDS if kind.name not in without):
        if (has_rig or not kind.needs_rig) and (subject.recording is not None or not kind.needs_recording):
            yield kind.name, AnalysisPage(kind.panel, kind.work, subject)
