"""`whirlbench trips`: back-test, moving a limit, suggestion."""

import json
from pathlib import Path

import pytest

from whirlbench.cli.main import run
from whirlbench.rig.toml import example_rig_text

DEMOS = Path(__file__).parents[2] / "recordings"


@pytest.fixture
def rig(tmp_path):
    path = tmp_path / "rig.toml"
    path.write_text(example_rig_text())
    return str(path)


def answer(capsys, *arguments):
    status = run(["trips", *map(str, arguments), "--json"])
    return status, json.loads(capsys.readouterr().out)


def test_back_test_of_one_recording(capsys, rig):
    status, found = answer(capsys, DEMOS / "governor_hunting.h5", "--rig", rig)
    assert status == 0
    rules = [trip["rule"] for trip in found["trips"]]
    assert rules and set(rules) <= {"power_w", "current_a"}
    assert all(trip["value"] > trip["limit"] for trip in found["trips"])


def test_moving_a_limit_and_its_chart(capsys, rig, tmp_path):
    chart = tmp_path / "trade.png"
    move = ["--move", "vibration_g_rms=0.6:4:4", "--healthy", DEMOS / "proof_spin.h5", "--chart", chart]
    status, found = answer(capsys, DEMOS / "root_crack.h5", "--rig", rig, *move)
    assert status == 0
    values = found["moved"]["values"]
    assert len(values) == 4
    leads = [one["median_lead_s"] or 0.0 for one in values]
    assert leads == sorted(leads, reverse=True)
    assert chart.read_bytes().startswith(b"\x89PNG")


def test_suggestion_from_healthy_runs(capsys, rig):
    status, found = answer(capsys, DEMOS / "proof_spin.h5", "--rig", rig, "--suggest-per-hour", "0.1")
    assert status == 0
    by_rule = {one["rule"]: one for one in found["suggestions"]}
    assert by_rule["vibration_g_rms"]["limit"] > by_rule["vibration_g_rms"]["largest_seen"] * 0.9
    assert by_rule["vibration_g_rms"]["extrapolated"] is True


def test_text(capsys, rig):
    assert run(["trips", str(DEMOS / "proof_spin.h5"), "--rig", rig, "--move", "current_a=20:60:3"]) == 0
    text = capsys.readouterr().out
    assert "none of the 8 judged limits would have tripped" in text and "false alarms per hour" in text
    assert "current_a" not in text


def test_limits_that_a_recording_cannot_show_are_named(capsys, rig, tmp_path):
    slow = tmp_path / "slow.csv"
    rows = [f"{0.02 * row:.2f},3000,{20 + row % 3}" for row in range(1000)]
    slow.write_text("\n".join(["t_s,rpm,current_a", *rows]) + "\n")
    made = tmp_path / "made.h5"
    assert run(["import", str(slow), "-o", str(made)]) == 0
    capsys.readouterr()
    status, found = answer(capsys, made, "--rig", rig)
    assert status == 0 and found["verdict"] == "in part" and found["trips"] == []
    unjudged = {item["what"]: item["why"] for item in found["not_judged"]}
    assert set(unjudged) == {"vibration", "thrust", "power", "least voltage", "lost tach"}
    assert unjudged["vibration"] == "the recording has no vibration"


def test_a_rig_without_limits_judges_nothing(capsys, tmp_path):
    bare = tmp_path / "bare.toml"
    bare.write_text("[propeller]\nblades = 2\n")
    status, found = answer(capsys, DEMOS / "proof_spin.h5", "--rig", bare)
    assert status == 2 and found["verdict"] == "not judged"
    assert run(["trips", str(DEMOS / "proof_spin.h5"), "--rig", str(bare)]) == 2
    assert "no limit could be judged: the rig sets no limit" in capsys.readouterr().err


@pytest.mark.parametrize(
    ("arguments", "said"),
    [
        (["--move", "current_a"], "expected LIMIT=FROM:TO"),
        (["--move", "current_a=a:b"], "expected LIMIT=FROM:TO"),
        (["--move", "lost_tach_ms=1:2"], "cannot be moved"),
        (["--chart", "x.png"], "give --move"),
    ],
)
def test_bad_input(capsys, rig, arguments, said):
    assert run(["trips", str(DEMOS / "proof_spin.h5"), "--rig", rig, *arguments]) == 2
    assert said in capsys.readouterr().err


def test_rig_is_required(capsys):
    assert run(["trips", str(DEMOS / "proof_spin.h5")]) == 2
