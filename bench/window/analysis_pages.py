"""Which analysis pages there are for a recording or a rig, and how each is computed and drawn."""

from __future__ import annotations

from collections.abc import Callable, Collection, Iterator
from typing import Any, NamedTuple

from PyQt5 import QtWidgets

from bench.window.analyses import Subject, check_work, diagnosis_work, limits_work, tune_work
from bench.window.analysis_page import AnalysisPage
from bench.window.check_panel import CheckPanel
from bench.window.diagnosis_panel import DiagnosisPanel
from bench.window.errand import Work
from bench.window.limits_panel import LimitsPanel
from bench.window.tune_panel import TunePanel


class Kind(NamedTuple):
    """A kind of page: its name in the list, its panel, its work, and what a subject must have for it."""

    name: str
    panel: Callable[[Any], QtWidgets.QWidget]
    work: Work
    needs_rig: bool
    needs_recording: bool


KINDS = (
    Kind("check", CheckPanel, check_work, needs_rig=True, needs_recording=False),
    Kind("tune", TunePanel, tune_work, needs_rig=False, needs_recording=True),
    Kind("limits", LimitsPanel, limits_work, needs_rig=True, needs_recording=True),
    Kind("diagnosis", DiagnosisPanel, diagnosis_work, needs_rig=False, needs_recording=True),
)


def analysis_pages(
    subject: Subject, has_rig: bool, without: Collection[str] = ()
) -> Iterator[tuple[str, AnalysisPage]]:
    """(name, page) of everything that ``subject`` could answer but the kinds named in ``without``.

    Nothing is computed before a page is opened.
    """
    for kind in (kind for kind in KINDS if kind.name not in without):
        if (has_rig or not kind.needs_rig) and (subject.recording is not None or not kind.needs_recording):
            yield kind.name, AnalysisPage(kind.panel, kind.work, subject)
