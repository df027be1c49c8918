"""`travel`: end points found and written, and what is refused before anything moves."""

from __future__ import annotations

import io
import sys

import pytest

from whirlbench.cli.main import run
from whirlbench.rig.toml import example_rig_text, read_rig


@pytest.fixture
def rig_path(tmp_path):
    path = tmp_path / "rig.toml"
    path.write_text(example_rig_text(), encoding="utf-8")
    return path


def test_the_ends_are_written_and_the_comments_stay(rig_path, capsys):
    command = ["travel", "--rig", str(rig_path), "--port", "simulated", "--yes", "--rig-out", str(rig_path)]
    status = run([*command, "--start-us", "1040", "--within-us", "900", "1100"])

    told = capsys.readouterr()
    assert status == 0 and "beyond these ends: calibrate it again" in told.out
    pitch = read_rig(rig_path)[0].pitch
    assert pitch.min_us == pytest.approx(980.0, abs=6.0) and pitch.max_us is not None
    assert "protractor on the blade" in rig_path.read_text(encoding="utf-8")


@pytest.mark.parametrize(
    ("options", "complaint"),
    [
        (["--port", "simulated"], "not confirmed: nothing was moved"),
        (["--port", "no-such-port", "--yes"], "answers for the simulated stand only"),
        (["--port", "simulated", "--yes", "--start-us", "2190"], "at least 56 us inside"),
    ],
)
def test_what_does_not_fit_moves_nothing(rig_path, monkeypatch, capsys, options, complaint):
    monkeypatch.setattr(sys, "stdin", io.StringIO("n\n"))

    assert run(["travel", "--rig", str(rig_path), *options]) == 2

    assert complaint in capsys.readouterr().err
