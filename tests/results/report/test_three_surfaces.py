"""Terminal, JSON and the report's page of one question contradict each other in no number and no sentence."""

from __future__ import annotations

import json
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from surfaces import numbers, spoken, words

from whirlbench.analysis.pitch_limits import NextHold, end_points, study
from whirlbench.recording.attributes import RunAttributes
from whirlbench.recording.files import create
from whirlbench.report.report_page import report_page
from whirlbench.results.answer import Answer
from whirlbench.results.limits import charts
from whirlbench.results.report import Chapter, RecordedRun, Report
from whirlbench.results.report.run_report import _chapters
from whirlbench.rig.toml import example_rig_text, parse_rig
from whirlbench.samples import SLOW_CHANNELS
from whirlbench.simulator.runs import Schedule, SetPoint, simulate_run
from whirlbench.simulator.stand import PlantSettings

DEMOS = Path(__file__).parents[3] / "recordings"
HUNTING, BEFORE = DEMOS / "governor_hunting.h5", DEMOS / "unbalance_as_found.h5"
POINTS = [SetPoint(0.0, throttle_us=us, pitch_deg=deg) for us in (1550, 1780) for deg in (5, 9, 13, 15, 11, 7)]
LATER = {"next_hold"}  # what to measure next takes as long as all the rest: the verb alone works it out


@pytest.fixture
def pitch_map(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """A recorded map of pitch and speed, and few speeds to judge it at."""
    monkeypatch.setattr(charts, "SPEEDS", 7)
    monkeypatch.setattr(end_points, "SPEEDS_PER_MODE", 2)
    monkeypatch.setattr(study, "propose_hold", lambda limits, rig: NextHold(4000.0, 9.0, 0.4, 0.2))
    rig = parse_rig(example_rig_text())
    run = simulate_run(
        PlantSettings.from_rig(rig), Schedule.holds(POINTS, each_s=6.0), np.random.default_rng(2), vibration_rate_hz=0
    )
    path = tmp_path / "map.h5"
    with create(path, RunAttributes.of_rig(rig, example_rig_text())) as recorder:
        values = {channel.name: run.slow.channel(channel.name) for channel in SLOW_CHANNELS}
        recorder.add_slow(run.slow.time_s, values, {})
        recorder.close("done", "")
    return path


def chapter_of(path: Path, title: str) -> Chapter:
    """One chapter of the report, without the dear rest."""
    (make,) = [make for name, make in _chapters(RecordedRun.read(path), "") if name == title]
    return Chapter(title, make())


def agree(path: Path, chapter: Chapter, document: dict, terminal: str) -> None:
    """Verdict, headline, remarks, every cell and every number of the page are those of the verb."""
    answer = chapter.answer
    ours = json.loads(json.dumps(answer.as_document(), default=str))
    shown = words(report_page(Report("one chapter", (path.name,), (chapter,))))
    printed = "".join(terminal.split()).replace(str(path), path.name)
    assert answer.judged and document["verdict"] == ours["verdict"] == answer.verdict
    assert [one["text"].replace(str(path), path.name) for one in document["remarks"]] == [
        one.text for one in answer.remarks
    ]
    for text in (answer.headline, *(one.line for one in answer.lines())):
        assert " ".join(text.split()) in shown and "".join(text.split()) in printed
    for table in answer.tables:
        for cell in (cell for row in table.rows for cell in row):
            assert " ".join(cell.split()) in shown and _as_printed(cell) <= _as_printed(terminal)
    theirs, own = ({key: one for key, one in found.items() if key not in LATER} for found in (document, ours))
    assert numbers(theirs) == numbers(own) and any(isinstance(one, float) for one in numbers(own))


def _as_printed(text: str) -> set[str]:
    """The words of a cell or of the whole terminal, whose cells are folded at its width."""
    return {word for word in text.replace("│", " ").split() if any(letter.isdigit() for letter in word)}


def test_tune_says_the_same_everywhere() -> None:
    document = json.loads(spoken("tune", str(HUNTING), "--json"))
    agree(HUNTING, chapter_of(HUNTING, "How speed answers"), document, spoken("tune", str(HUNTING)))


def test_limits_say_the_same_everywhere(pitch_map: Path) -> None:
    rig = pitch_map.with_name("rig.toml")
    rig.write_text(example_rig_text(), encoding="utf-8")
    asked = ("limits", str(pitch_map), "--rig", str(rig))
    document = json.loads(spoken(*asked, "--json"))
    agree(pitch_map, chapter_of(pitch_map, "Pitch limits and end points"), document, spoken(*asked))


def test_the_felt_1p_is_that_of_balance() -> None:
    """The report has one run and no trial mass: what it says of 1P is what `balance` says of the run as found."""
    trial = BEFORE.with_name("unbalance_trial.h5")
    given = ("--trial-mass-g", "1.5", "--trial-angle-deg", "90", "--radius-mm", "32")
    asked = ("balance", str(BEFORE), str(trial), *given)
    document = json.loads(spoken(*asked, "--json"))
    answer: Answer = chapter_of(BEFORE, "Balance").answer
    ours = json.loads(json.dumps(replace(answer, remarks=()).as_document(), default=str))
    assert numbers(document["velocity_1p"]) == numbers(ours["velocities"]) and ours["velocities"]
    assert all("±" in cell for row in answer.table("1P").rows for cell in row[2:]) and "±" in answer.headline
    printed = spoken(*asked)
    assert all(f"{one['rpm']:.0f}" in printed for one in ours["velocities"])
