"""`spin` and the gate: what is refused before anybody is asked anything, with its number and exit status 2."""

from __future__ import annotations

import pytest

from whirlbench.cli.gate import typed_override
from whirlbench.cli.main import BAD_INPUT, run
from whirlbench.cli.verbs.stand import spin as spin_verb
from whirlbench.errors import BenchError
from whirlbench.log import EntryKind, SetLog, default_path
from whirlbench.results.check import SetJudgement
from whirlbench.rig.toml import example_rig_text

PLAN = '[[step]]\nkind = "hold"\nthrottle_us = 1160\npitch_deg = 8\nduration_s = 1\n'


@pytest.fixture
def spin(tmp_path, monkeypatch, capsys):
    """Runs `spin` on a changed demo rig; returns the one line on stderr. Its session would fail the test by name."""
    monkeypatch.chdir(tmp_path)
    monkeypatch.setattr(spin_verb, "_supervise", lambda *_: pytest.fail("a session was started"))

    def refused(*more: str, change: tuple[str, str] = ("", ""), plan: str = PLAN) -> str:
        assert change[0] in example_rig_text()
        (tmp_path / "rig.toml").write_text(example_rig_text().replace(*change, 1))
        (tmp_path / "plan.toml").write_text(plan)
        arguments = ["spin", "--rig", "rig.toml", "--plan", "plan.toml", "--port", "simulated", "--yes", *more]
        assert run(arguments) == BAD_INPUT
        lines = capsys.readouterr().err.strip().splitlines()
        assert len(lines) == 1 and not list(tmp_path.glob("*.h5"))
        return lines[0]

    return refused


@pytest.fixture
def judged(monkeypatch):
    """The strength check takes half a second: where it is not what is tried, its figure is given."""
    found = SetJudgement(6148.0)
    monkeypatch.setattr("whirlbench.results.check.judge_fitted_set", lambda rig: found)


@pytest.mark.parametrize(
    ("change", "words"),
    [
        (('blade_set = "moulded"', 'blade_set = "printed"'), "above the permitted"),  # `check` calls it NOT FIT
        (("overspeed_rpm = 6000", "overspeed_rpm = 6200"), "limits.overspeed_rpm 6200 is above the permitted 6148 rpm"),
        (('blade_set = "moulded"\n', ""), "does not say which blade set is fitted (propeller.blade_set)"),
    ],
)
def test_a_set_that_may_not_turn_so_fast_is_refused_with_its_number(spin, change, words):
    assert words in spin(change=change)


def entered(*entries: tuple[EntryKind, str]) -> None:
    with SetLog(default_path(simulated=True), simulated=True) as log:
        for kind, text in entries:
            log.add("moulded", kind, text)


@pytest.mark.parametrize(
    ("entries", "words"),
    [
        ([(EntryKind.RETIRED, "crack at the pin")], "retired: "),
        ([(EntryKind.BEGUN, "lost.h5\n")], "the run lost.h5 was begun"),
    ],
)
def test_a_set_that_its_log_bars_is_refused(spin, judged, entries, words):
    entered(*entries)

    assert words in spin()


def test_an_inspection_does_not_bring_a_retired_set_back(spin, judged):
    entered((EntryKind.RETIRED, "crack at the pin"))

    assert "retired: " in spin("--inspection", "it looks well to me", "--operator", "A. Tester")


@pytest.mark.parametrize(
    ("options", "words"),
    [
        (("--override-set", "moulded"), "an override needs both"),
        (("--because", "proof"), "an override needs both"),
        (("--override-set", "Moulded", "--because", "proof"), "the name typed is 'Moulded'"),
        (("--override-set", "moulded", "--because", " "), "a reason of 1 to 400 characters"),
    ],
)
def test_an_override_that_is_not_meant_is_refused(spin, judged, options, words):
    assert words in spin(*options, change=("overspeed_rpm = 6000", "overspeed_rpm = 6200"))


def test_an_override_by_name_and_reason_reaches_the_session_and_the_log(spin, judged, monkeypatch, capsys):
    asked = []

    def supervise(spec, *_):
        asked.append(spec.clearance)
        raise BenchError("as far as this test goes")

    monkeypatch.setattr(spin_verb, "_supervise", supervise)
    fast = ("overspeed_rpm = 6000", "overspeed_rpm = 6200")
    assert "as far as this" in spin(
        "--override-set", "moulded", "--because", "proof", "--operator", "A. T.", change=fast
    )
    assert asked[0].override_sentence == "gate overridden by A. T.: proof"
    with SetLog(default_path(simulated=True), simulated=True) as log:
        kinds = [entry.kind for entry in log.entries() if entry.kind is not EntryKind.CALIBRATION]
    assert kinds == [EntryKind.OVERRIDE, EntryKind.BEGUN]


def test_half_an_override_is_none():
    assert typed_override(None, None, "A. Tester") is None
