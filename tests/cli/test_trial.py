"""`trial`: every trip of a rig that sets every limit comes on the simulated stand; the proof is kept, and recorded."""

from __future__ import annotations

import io
import json
import sys

import numpy as np
import pytest

from whirlbench.cli.main import run
from whirlbench.log import SetLog, proof_standing
from whirlbench.recording.files import read_run
from whirlbench.rig.toml import example_rig_text, read_rig

RIG_TEXT = (
    example_rig_text()
    .replace("rest_ms = 1000", "rest_ms = 300")
    .replace("lost_tach_ms = 400", "lost_tach_ms = 400\nstuck_servo_deg = 6.0\nsupply_v = 4.5\ncut_current_a = 8.0")
    .replace("heartbeat_ms = 100", "heartbeat_ms = 100\nstart_tach_ms = 500\ncut_proof_ms = 400\nstuck_servo_ms = 100")
)


@pytest.fixture
def rig_path(tmp_path, monkeypatch):
    monkeypatch.chdir(tmp_path)
    monkeypatch.setenv("WHIRLBENCH_LOG", str(tmp_path / "log.sqlite"))
    path = tmp_path / "rig.toml"
    path.write_text(RIG_TEXT, encoding="utf-8")
    return path


def test_every_trip_comes_and_is_proved(rig_path, capsys):
    status = run(
        ["trial", "--rig", str(rig_path), "--port", "simulated", "--yes", "--random-seed", "3", "-o", "trial.h5",
         "--operator", "A. Builder", "--json"]
    )  # fmt: skip

    answer = json.loads(capsys.readouterr().out)
    came = {trial["trip"]: trial for trial in answer["trials"] if trial["can_be"]}
    assert status == 0 and len(came) == 16
    assert {name for name, trial in came.items() if trial["tripped"] is not True} == set()
    assert came["heartbeat lost"]["latency_ms"] == pytest.approx(100, abs=3)
    assert came["overspeed"]["latency_ms"] <= 2.0
    assert came["over current"]["latency_ms"] == pytest.approx(20, abs=6)
    assert came["lost tach"]["latency_ms"] == pytest.approx(500, abs=6)
    assert came["cut failed"]["latency_ms"] == pytest.approx(400, abs=10)
    with SetLog(rig_path.parent / "log.sqlite", simulated=True) as log:
        standing = proof_standing(log, read_rig(rig_path)[0], answer["device"])
    assert standing.cautions == () and "by A. Builder: 16 of 16 came" in standing.sentence
    recorded = read_run(rig_path.parent / "trial.h5")
    assert sum(event.name.startswith("trial: ") for event in recorded.events) == 15
    assert np.max(recorded.slow.throttle_us) == 1000.0  # the motor stood still all the time


@pytest.mark.parametrize(
    ("options", "lines", "complaint"),
    [
        (["--port", "simulated"], "propeller on\n", "not `propeller off`: nothing was armed"),
        (["--port", "no-such-port", "--yes"], "", "answers for the simulated stand only"),
        (["--port", "simulated", "-o", "rig.toml", "--yes"], "", "already exists"),
    ],
)
def test_nothing_is_armed_without_the_word(rig_path, monkeypatch, capsys, options, lines, complaint):
    monkeypatch.setattr(sys, "stdin", io.StringIO(lines))

    assert run(["trial", "--rig", str(rig_path), *options]) == 2

    assert complaint in capsys.readouterr().err.splitlines()[-1]
    assert not (rig_path.parent / "log.sqlite").exists()


def test_a_trial_that_was_left_is_kept_as_one_and_proves_nothing(rig_path, monkeypatch, capsys):
    monkeypatch.setattr(sys, "stdin", io.StringIO("propeller off\n"))  # and nobody answers at the first question

    assert run(["trial", "--rig", str(rig_path), "--port", "simulated", "--random-seed", "3"]) == 2

    with SetLog(rig_path.parent / "log.sqlite", simulated=True) as log:
        (proof,) = log.proofs()
    assert not proof.complete and proof.came == 3
    assert "the trial was not finished" in capsys.readouterr().err
