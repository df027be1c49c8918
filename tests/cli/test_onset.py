"""`whirlbench onset` on the demo recordings, by its exit status and JSON."""

import json
from pathlib import Path

import pytest

from whirlbench.cli.main import run
from whirlbench.recording.attributes import RunAttributes
from whirlbench.recording.files import create, read_run
from whirlbench.rig.toml import example_rig_text, parse_rig
from whirlbench.samples import Event

DEMOS = Path(__file__).parents[2] / "recordings"


def answer(capsys, *arguments):
    status = run(["onset", *map(str, arguments), "--json"])
    return status, json.loads(capsys.readouterr().out)


def test_root_crack(capsys, tmp_path):
    rig = tmp_path / "rig.toml"
    rig.write_text(example_rig_text())
    status, found = answer(capsys, DEMOS / "root_crack.h5", "--rig", rig)
    assert status == 0
    assert set(found["onset"]) >= {"at_s", "from_s", "to_s", "signal"}
    assert found["onset"]["from_s"] <= 38.0 <= found["onset"]["to_s"]
    assert found["onset"]["at_s"] == pytest.approx(38.0, abs=1.5)
    assert found["failure"]["at_s"] == pytest.approx(63.0, abs=0.02)
    assert found["lead_s"] == pytest.approx(found["failure"]["at_s"] - found["onset"]["at_s"])
    assert {"rule", "at_s"} <= set(found["trips"][0])
    assert found["trips"][0]["rule"] == "vibration_g_rms"


def test_a_healthy_spin_has_neither_onset_nor_failure(capsys):
    status, found = answer(capsys, DEMOS / "proof_spin.h5")
    assert status == 0
    assert found["onset"] is None and found["failure"] is None and found["lead_s"] is None
    assert found["trips"] == []


def test_loose_link_and_lost_tach(capsys):
    _, link = answer(capsys, DEMOS / "loose_pitch_link.h5")
    assert link["onset"]["signal"] in ("thrust", "current", "speed")
    assert link["onset"]["from_s"] <= 35.0 <= link["onset"]["to_s"]
    _, tach = answer(capsys, DEMOS / "lost_tach.h5")
    assert tach["failure"] is None
    assert [trip["rule"] for trip in tach["trips"]] == ["lost_tach_ms"]


def test_earlier_runs_and_chart(capsys, tmp_path):
    chart = tmp_path / "evidence.png"
    arguments = ["--earlier", DEMOS / "proof_spin.h5", "--chart", chart]
    status, found = answer(capsys, DEMOS / "root_crack.h5", *arguments)
    assert status == 0
    assert found["onset"]["signal"] == "1P"
    assert chart.read_bytes().startswith(b"\x89PNG")


def test_text_names_what_was_found(capsys):
    assert run(["onset", str(DEMOS / "root_crack.h5")]) == 0
    text = capsys.readouterr().out
    assert "Onset" in text and "blade lost" in text and "would fire" in text


def test_a_run_ended_by_a_trip_says_so(capsys, tmp_path):
    path = tmp_path / "tripped.h5"
    run_of_ten_s = read_run(DEMOS / "proof_spin.h5").between(0.0, 14.0)
    with create(path, RunAttributes.of_rig(parse_rig(example_rig_text()), example_rig_text())) as recorder:
        slow = run_of_ten_s.slow
        recorder.add_slow(slow.time_s, {"rpm": slow.rpm, "current_a": slow.current_a})
        recorder.add_tach(run_of_ten_s.tach.time_s)
        recorder.add_event(Event(13.5, "trip", "overspeed", ""))
    assert run(["onset", str(path)]) == 0
    text = capsys.readouterr().out
    assert "Onset    none" in text and "ended by a trip at 13.50 s (overspeed)" in text


def test_bad_input_is_one_line_and_status_2(capsys, tmp_path):
    assert run(["onset", str(tmp_path / "none.h5")]) == 2
    error = capsys.readouterr().err.strip()
    assert "none.h5" in error and "\n" not in error
    notes = tmp_path / "notes.h5"
    notes.write_text("not a recording")
    assert run(["onset", str(notes)]) == 2
    assert "notes.h5" in capsys.readouterr().err
