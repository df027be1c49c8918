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
    assert set(found["onset"]) >= {"at_s", "from_s", "to_s", "signal", "cause"}
    assert found["onset"]["cause"] == "rotor" and found["smallest_seen"]["1P"]["unit"] == "g"
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
    assert text.startswith("growth from 38.0 s") and "; the rotor changed" in text and "blade lost at 63.00 s" in text
    assert "DANGER: the failure at 63.00 s came before any trip" in text
    assert "vibration" in text and "would have" in text and "vibration_g_rms" not in text


def test_silence_is_no_proof_of_health(capsys):
    assert run(["onset", str(DEMOS / "proof_spin.h5")]) == 0
    text = capsys.readouterr().out
    assert "no onset in 46 s of steady running" in text and "caution:" in text and "no proof of health" in text


def test_a_run_too_short_to_be_judged_is_status_2(capsys, tmp_path):
    path = tmp_path / "short.h5"
    short = read_run(DEMOS / "proof_spin.h5").between(4.0, 9.0)
    with create(path, RunAttributes.of_rig(parse_rig(example_rig_text()), example_rig_text())) as recorder:
        recorder.add_slow(short.slow.time_s, {"rpm": short.slow.rpm, "current_a": short.slow.current_a})
    assert run(["onset", str(path)]) == 2
    told = capsys.readouterr()
    assert told.out == ""
    assert "onset not judged" in told.err and "a baseline needs 6 s" in told.err and "\n" not in told.err.strip()
    status, found = answer(capsys, path)
    assert status == 2
    assert found["verdict"] == "not judged" and found["onset"] is None
    assert "a baseline needs 6 s" in {item["what"]: item["why"] for item in found["not_judged"]}["onset"]
    assert {"vibration", "thrust"} <= {item["what"] for item in found["not_judged"]}


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
    assert "no onset in" in text and "ended by a trip at 13.50 s (overspeed)" in text
    assert "thrust: not judged" in text and "vibration: not judged" in text


def test_bad_input_is_one_line_and_status_2(capsys, tmp_path):
    assert run(["onset", str(tmp_path / "none.h5")]) == 2
    error = capsys.readouterr().err.strip()
    assert "none.h5" in error and "\n" not in error
    notes = tmp_path / "notes.h5"
    notes.write_text("not a recording")
    assert run(["onset", str(notes)]) == 2
    assert "notes.h5" in capsys.readouterr().err


def test_a_baseline_that_does_not_serve_is_one_line_and_status_2(capsys):
    crack = str(DEMOS / "root_crack.h5")
    for given, told in (("5", "is no FROM,TO"), ("30,5", "earlier to a later time"), ("nan,5", "earlier to a later")):
        assert run(["onset", crack, "--baseline", given]) == 2
        error = capsys.readouterr().err.strip()
        assert "--baseline" in error and told in error
    assert run(["onset", crack, "--baseline", "500,600"]) == 2
    assert "baseline from 500 to 600 s holds 0.0 s of steady running" in capsys.readouterr().err
    assert run(["onset", crack, "--earlier", crack]) == 2
    assert "earlier run 1 is the run that is judged" in capsys.readouterr().err
