"""`calibrate --port`: the guide at the terminal, on the simulated stand, to the rig that it writes."""

from __future__ import annotations

import io
import json
import sys

import pytest

from whirlbench.cli.main import run
from whirlbench.rig.toml import example_rig_text, parse_rig, read_rig
from whirlbench.session.still import still_stand

RIG = parse_rig(example_rig_text())


@pytest.fixture(autouse=True)
def quick_readings(monkeypatch):
    """Readings of 0.7 s in place of two: enough samples of the slowest converter."""
    monkeypatch.setattr(still_stand, "READING_S", 0.7)


@pytest.fixture
def rig_path(tmp_path, monkeypatch):
    monkeypatch.chdir(tmp_path)
    path = tmp_path / "rig.toml"
    path.write_text(example_rig_text(), encoding="utf-8")
    return path


def typed(monkeypatch, *lines: str) -> None:
    monkeypatch.setattr(sys, "stdin", io.StringIO("".join(f"{line}\n" for line in lines)))


def test_the_pitch_is_calibrated_with_its_play_while_the_stand_is_locked(rig_path, capsys):
    out = rig_path.with_name("out.toml")

    status = run(
        ["calibrate", "pitch", "--rig", str(rig_path), "--port", "simulated", "--yes", "--random-seed", "3",
         "--points-out", "pitch.csv", "--rig-out", str(out)]
    )  # fmt: skip

    told = capsys.readouterr()
    assert status == 0 and "open the isolator" in told.err
    pitch = read_rig(out)[0].pitch
    assert pitch.table is not None and pitch.play_deg == pytest.approx(0.1, abs=0.15)  # the simulated link's own
    known = dict(RIG.pitch.table or ())
    assert pitch.table[2][1] == pytest.approx((known[1400.0] + known[1600.0]) / 2.0, abs=0.2)


def test_what_is_typed_is_read_and_nonsense_is_asked_again(rig_path, monkeypatch, capsys):
    typed(monkeypatch, "", "2 kg", "a lot", "6 kg", "4 kg", "back", "4 kg", "8 kg", "10 kg", "end")

    command = ["calibrate", "thrust_n", "--rig", str(rig_path), "--port", "simulated", "--points-out", "p.csv"]
    status = run([*command, "--json"])

    told = capsys.readouterr()
    assert status == 0, told.err
    assert "'a lot' was typed" in told.err
    assert json.loads(told.out)["units_per_count"] == pytest.approx(1.25e-4, rel=1e-3)
    assert len((rig_path.parent / "p.csv").read_text(encoding="utf-8").splitlines()) == 7


def test_points_survive_an_operator_who_leaves(rig_path, monkeypatch, capsys):
    typed(monkeypatch, "", "10", "20")  # and then the input ends

    assert run(["calibrate", "current_a", "--rig", str(rig_path), "--port", "simulated", "--points-out", "p.csv"]) != 0

    assert len((rig_path.parent / "p.csv").read_text(encoding="utf-8").splitlines()) == 4
    capsys.readouterr()


@pytest.mark.parametrize(
    ("options", "complaint"),
    [
        (["--port", "simulated", "--points", "x.csv"], "give the known points"),
        ([], "give the known points"),
        (["--port", "simulated", "--yes", "--points-out", "rig.toml"], "already exists"),
        (["--port", "no-such-port", "--yes"], "cannot be opened"),
    ],
)
def test_what_does_not_fit_is_one_line(rig_path, capsys, options, complaint):
    assert run(["calibrate", "thrust_n", "--rig", str(rig_path), *options]) == 2

    told = capsys.readouterr().err.strip()
    assert complaint in told and "\n" not in told
