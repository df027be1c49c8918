"""Progress of long work: a line for each slow stage where nobody sees a terminal, and none beside `--json`."""

from __future__ import annotations

from pathlib import Path

import pytest

from whirlbench.cli import working as working_module
from whirlbench.cli.main import DONE, run
from whirlbench.cli.working import working
from whirlbench.rig.toml import example_rig_text


def test_a_pipe_gets_a_line_for_each_slow_stage_and_none_for_quick_work(capsys: pytest.CaptureFixture[str]) -> None:
    times = iter([100.0, 100.0, 101.9, 102.1, 103.0, 104.2])
    with working(False, lambda: next(times)) as told:
        for title in ("reading", "head", "course", "charts", "drawing the page"):
            told(title)
    found = capsys.readouterr()
    assert found.err.splitlines() == ["2 s: course ...", "4 s: drawing the page ..."] and not found.out


def test_beside_json_nothing_is_told(capsys: pytest.CaptureFixture[str]) -> None:
    times = iter([0.0, 10.0, 20.0])
    with working(True, lambda: next(times)) as told:
        told("reading")
    assert capsys.readouterr() == ("", "")


def test_a_hurried_run_says_in_a_pipe_which_step_it_is_at(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    """Its events come with the recording only, at the end; minutes of silence would look like a program that hangs."""
    monkeypatch.setattr(working_module, "LINE_EVERY_S", 0.0)
    monkeypatch.chdir(tmp_path)
    hold = '[[step]]\nkind = "hold"\nthrottle_us = 1150\npitch_deg = 8\nduration_s = 0.2\n'
    Path("plan.toml").write_text(hold + hold.replace("1150", "1160"))
    Path("rig.toml").write_text(example_rig_text())
    words = "spin --rig rig.toml --plan plan.toml --port simulated --speed 1000 --yes --log sets.sqlite -o run.h5"
    assert run([*words.split(), "--operator", "A. Tester"]) == DONE
    lines = [line for line in capsys.readouterr().err.splitlines() if "of the run" in line]
    assert [line.split("step")[1] for line in lines[:2]] == [" 1 of 2 ...", " 2 of 2 ..."]
