"""Progress of long work: a line for each slow stage where nobody sees a terminal, and none beside `--json`."""

from __future__ import annotations

import pytest

from whirlbench.cli.working import working


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
