"""`rehearse` as a user types it: what it refuses, how it is interrupted, and that a seed makes the run."""

from __future__ import annotations

import html
import json
from pathlib import Path

import numpy as np
import pytest

from whirlbench.cli.main import BAD_INPUT, TRIPPED, run
from whirlbench.cli.rehearsal.runs import RE_TEST, SPINS, Spin, run_spin
from whirlbench.cli.verbs.stand import rehearse
from whirlbench.recording.files import open_recording, read_run
from whirlbench.rig.toml import example_rig_text
from whirlbench.session.engine import Progress

RIG_TEXT = example_rig_text().replace("rest_ms = 1000", "rest_ms = 300")
SHORT_PLAN = """
[[step]]
kind = "hold"
throttle_us = 1200
pitch_deg = 8
duration_s = 0.5
[[step]]
kind = "coast-down"
"""


class ShortSpin(Spin):
    """One quick run in place of those of a rehearsal."""

    def plan_text(self) -> str:
        return SHORT_PLAN


SHORT_SPIN = ShortSpin("1-staged-spin", "short.toml", "A short spin")


@pytest.mark.timeout(1200)  # half a minute of computing, on a machine that may be busy
def test_the_whole_rehearsal_unattended_without_qt_or_display(rehearsal: Path) -> None:
    folder, stdout = rehearsal, (rehearsal.parent / "said.txt").read_text(encoding="utf-8")
    assert "simulated stand, seed 7" in stdout and "overspeed" in stdout
    assert "out of the plane of rotation" in stdout
    for spin in (*SPINS, RE_TEST):
        assert read_run(folder / f"{spin.name}.h5").problems == ()
        assert (folder / f"{spin.name}.png").read_bytes().startswith(b"\x89PNG")
    trips = [event for event in read_run(folder / "5-runaway.h5").events if event.kind == "trip"]
    assert [trip.name for trip in trips] == ["overspeed"]
    assert json.loads((folder / "tune.json").read_text())["advice"]
    proof = json.loads((folder / "proof.json").read_text())["proof"]
    assert [verdict["kind"] for verdict in proof] == ["request", "request", "pitch", "pitch"]
    assert all(verdict["agrees"] for verdict in proof)
    assert "4 of 4 re-tested steps came out as predicted" in stdout
    assert json.loads((folder / "limits.json").read_text())["limits"]
    page = (folder / "report.html").read_text()
    assert "<script src" not in page and page.count("<svg") > len(SPINS)
    said = " ".join(stdout.split())
    for name in ("check", "limits"):
        answer = json.loads((folder / f"{name}.json").read_text())
        warned = [remark["text"] for remark in answer["remarks"] if remark["level"] != "note"]
        assert warned and all(text in said and text in html.unescape(page) for text in warned)


def test_a_seed_makes_the_recording_byte_by_byte(tmp_path: Path) -> None:
    def recording(seed: int, name: str) -> Path:
        (tmp_path / name).mkdir()
        return run_spin(SHORT_SPIN, RIG_TEXT, tmp_path / name, seed, None, lambda progress: None)[0]

    first, second, other = recording(7, "first"), recording(7, "second"), recording(8, "other")
    assert first.read_bytes() == second.read_bytes()
    run_7, run_8 = read_run(first), read_run(other)
    assert not np.array_equal(run_7.slow.current_a[:1000], run_8.slow.current_a[:1000])


@pytest.fixture
def one_spin(monkeypatch) -> Spin:
    """A rehearsal of one short run."""
    monkeypatch.setattr(rehearse, "SPINS", (SHORT_SPIN,))
    return SHORT_SPIN


def test_ctrl_c_is_an_abort_whose_coast_down_is_recorded(tmp_path, monkeypatch, capsys, one_spin) -> None:
    interrupts = iter([KeyboardInterrupt])

    def interrupt_at(progress: Progress) -> str:
        if progress.values.get("rpm", 0.0) > 800:
            for interrupt in interrupts:
                raise interrupt
        return ""

    monkeypatch.setattr(rehearse, "_place", interrupt_at)
    folder = tmp_path / "results"
    assert run(["rehearse", "-o", str(folder), "--speed", "1000", "--random-seed", "7"]) == TRIPPED
    told = capsys.readouterr()
    assert told.err == "whirlbench: aborted: operator abort\n"
    path = folder / f"{one_spin.name}.h5"
    assert f"recording: {path}" in told.out
    with open_recording(path) as recording:
        assert recording.ending.exit_status == "aborted"
        rpm, throttle_us = recording.run().slow.rpm, recording.run().slow.throttle_us
    assert rpm.max() > 800 and rpm[-1] == 0 and throttle_us[-1] == 1000


@pytest.mark.parametrize(
    ("arguments", "complaint"),
    [
        (["-o", "full"], "full: already holds files; choose another folder"),
        (["-o", "full/results.txt"], "full/results.txt: cannot be made a folder (File exists)"),
        (["-o", "full/results.txt/deeper"], "cannot be made a folder (Not a directory)"),
        (
            ["-o", "new", "--rig", "absent.toml"],
            "absent.toml: cannot be read as a rig file (No such file",
        ),
        (["-o", "new", "--rig", "bad.toml"], "bad.toml: key limits.overspeed_rpm: expected a number, found a text"),
        (["-o", "new", "--rig", "small.toml"], "small.toml: rig key propeller.diameter_m is missing"),
        (["-o", "new", "--speed", "0"], "'--speed': 0.0 is not in the range"),
        (["-o", "new", "--speed", "nan"], "'--speed': 'nan' is not a number"),
        (["-o", "new", "--random-seed", "-1"], "'--random-seed': -1 is not in the range"),
    ],
)
def test_what_is_refused_in_one_line_before_anything_is_written(
    tmp_path, monkeypatch, capsys, arguments, complaint
) -> None:
    monkeypatch.chdir(tmp_path)
    Path("full").mkdir()
    Path("full/results.txt").write_text("precious")
    Path("bad.toml").write_text("[limits]\noverspeed_rpm = 'fast'\n")
    Path("small.toml").write_text("[limits]\noverspeed_rpm = 6000\n")
    assert run(["rehearse", *arguments]) == BAD_INPUT
    told = capsys.readouterr().err
    assert complaint in told and told.count("\n") == 1
    assert not Path("new").exists()
    assert [path.name for path in Path("full").iterdir()] == ["results.txt"]
    assert Path("full/results.txt").read_text() == "precious"


def test_a_folder_that_may_not_be_written_is_named(tmp_path, monkeypatch, capsys) -> None:
    """Asked of the system, not tried: tests may run as root, whom no permission stops."""
    monkeypatch.setattr(rehearse.os, "access", lambda path, mode: False)
    assert run(["rehearse", "-o", str(tmp_path / "new")]) == BAD_INPUT
    assert "new: cannot be written into" in capsys.readouterr().err


def test_a_stand_that_cannot_do_what_is_rehearsed_says_so(tmp_path, capsys, one_spin) -> None:
    rig = tmp_path / "rig.toml"
    rig.write_text(RIG_TEXT.replace("vibration_g_rms = ", "vibration_g_rms = 0.01 # ", 1))  # which nothing foretells
    assert run(["rehearse", "-o", str(tmp_path / "new"), "--rig", str(rig), "--speed", "1000"]) == BAD_INPUT
    told = capsys.readouterr().err
    assert f"{one_spin.name}.h5: ended tripped (vibration" in told and "expected done" in told


def test_a_rig_that_its_plans_would_trip_is_refused_before_anything_is_spun(tmp_path, capsys) -> None:
    rig = Path(__file__).parents[2] / "bench" / "docs" / "guide" / "rigs" / "three_blades_printed.toml"
    assert run(["rehearse", "-o", str(tmp_path / "new"), "--rig", str(rig)]) == BAD_INPUT
    (told,) = capsys.readouterr().err.splitlines()
    assert "rehearsal_pitch_map.toml" in told and "would exceed a limit" in told and "write plans for this rig" in told
    assert not (tmp_path / "new").exists()
