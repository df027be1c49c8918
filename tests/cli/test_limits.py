"""The verb limits: JSON as promised, files written, and one clear line for what cannot be answered."""

from __future__ import annotations

import json
from pathlib import Path

import numpy as np
import pytest

from whirlbench.cli.main import BAD_INPUT, DONE, run
from whirlbench.recording.attributes import RunAttributes
from whirlbench.recording.files import create
from whirlbench.rig.toml import example_rig_text, parse_rig, read_rig
from whirlbench.samples import SLOW_CHANNELS, Run
from whirlbench.session.plan import check_plan, read_plan
from whirlbench.simulator.runs import Schedule, SetPoint, simulate_run
from whirlbench.simulator.stand import PlantSettings

POINTS = [SetPoint(0.0, throttle_us=us, pitch_deg=deg) for us in (1550, 1780) for deg in (5, 9, 13, 17, 15, 11, 7)]


def record(run_of_stand: Run, path: Path) -> Path:
    """The run's slow channels as a recording."""
    slow = run_of_stand.slow
    values = {channel.name: slow.channel(channel.name) for channel in SLOW_CHANNELS}
    with create(path, RunAttributes.of_rig(parse_rig(example_rig_text()), example_rig_text())) as recorder:
        recorder.add_slow(slow.time_s, values, {})
        recorder.close("done", "")
    return path


@pytest.fixture(scope="module")
def folder(tmp_path_factory) -> Path:
    made = tmp_path_factory.mktemp("limits")
    (made / "rig.toml").write_text(example_rig_text())
    (made / "fast.toml").write_text(example_rig_text().replace("overspeed_rpm = 6000", "overspeed_rpm = 20000"))
    rig = parse_rig(example_rig_text())
    run_of_stand = simulate_run(
        PlantSettings.from_rig(rig), Schedule.holds(POINTS, each_s=7.0), np.random.default_rng(2), vibration_rate_hz=0
    )
    record(run_of_stand, made / "map.h5")
    record(run_of_stand.between(0.0, 9.0), made / "one-hold.h5")
    return made


def answer(folder: Path, *arguments: str, capsys, rig: str = "rig.toml") -> dict:
    assert run(["limits", str(folder / "map.h5"), "--rig", str(folder / rig), *arguments, "--json"]) == DONE
    return json.loads(capsys.readouterr().out)


def test_json_has_the_promised_keys(folder: Path, capsys) -> None:
    result = answer(folder, "--at-rpm", "4000,5200", capsys=capsys)
    assert [row["rpm"] for row in result["limits"]] == [4000.0, 5200.0]
    assert {"rpm", "max_pitch_deg", "max_pitch_deg_95", "min_pitch_deg", "binding"} <= set(result["limits"][0])
    assert result["limits"][0]["binding"] is None
    assert result["limits"][1]["binding"] == "thrust_n"
    assert set(result["modes"]) == {"cut_off", "ground", "flight"}
    assert len(result["coefficients"]["ct"]["value"]) == len(result["coefficients"]["pitch_deg"])
    assert len(result["coefficients"]["cp"]["stderr"]) == len(result["coefficients"]["pitch_deg"])


def test_tables_for_people_name_mode_and_caution(folder: Path, capsys) -> None:
    assert run(["limits", str(folder / "map.h5"), "--rig", str(folder / "rig.toml")]) == DONE
    out = capsys.readouterr().out
    assert "flight" in out
    assert "plane of rotation" in out


def test_files_are_written(folder: Path, capsys, tmp_path: Path) -> None:
    outputs = {"--chart": tmp_path / "c.png", "--page": tmp_path / "p.html", "--plan-out": tmp_path / "n.toml"}
    rig_out = tmp_path / "flight.toml"
    arguments = [str(word) for pair in outputs.items() for word in pair]
    result = answer(folder, *arguments, "--load", "flight", "--rig-out", str(rig_out), capsys=capsys, rig="fast.toml")
    assert outputs["--chart"].read_bytes().startswith(b"\x89PNG")
    assert "flight" in outputs["--page"].read_text()
    changed, text = read_rig(rig_out)
    plan = read_plan(outputs["--plan-out"])[0]
    check_plan(plan, changed)  # spin takes the plan together with the rig that was written beside it
    assert plan.steps[-1].kind == "coast-down"
    assert changed.pitch.max_us == result["modes"]["flight"]["coarse"]["servo_us"]
    assert "# blade angle at 0.75 radius" in text  # comments survive


def test_a_set_against_itself_does_not_differ(folder: Path, capsys) -> None:
    result = answer(folder, "--against", str(folder / "map.h5"), capsys=capsys)
    assert all(abs(item["difference_pct"]) < 1e-6 for item in result["against"]["differences"])
    assert run(["limits", *(str(folder / name) for name in ("map.h5",)), "--rig", str(folder / "rig.toml"),
                "--against", str(folder / "map.h5")]) == DONE  # fmt: skip
    printed = " ".join(capsys.readouterr().out.split())
    assert "second set against the first: at most" in printed and "+0.0 ±" in printed


@pytest.mark.parametrize(
    ("arguments", "complaint"),
    [
        (["one-hold.h5", "--rig", "rig.toml"], "the holds stand at 1 pitch"),
        (["nowhere.h5", "--rig", "rig.toml"], "nowhere.h5"),
        (["map.h5", "--rig", "nowhere.toml"], "nowhere.toml"),
        (["map.h5", "--rig", "bare.toml"], "propeller.diameter_m is missing"),
        (["map.h5", "--rig", "airless.toml"], "air.density_kg_m3 is missing"),
        (["map.h5", "--rig", "rig.toml", "--at-rpm", "fast"], "found 'fast', expected speeds"),
        (["map.h5", "--rig", "rig.toml", "--at-rpm", "-5"], "expected speeds above 0"),
        (["map.h5", "--rig", "rig.toml", "--load", "flight"], "go together"),
        (["map.h5", "--rig", "rig.toml", "--load", "taxi", "--rig-out", "x.toml"], "no mode taxi"),
    ],
)
def test_bad_input_is_one_clear_line(folder: Path, arguments: list[str], complaint: str, capsys, monkeypatch) -> None:
    monkeypatch.chdir(folder)
    Path("bare.toml").write_text("[air]\ndensity_kg_m3 = 1.2\n")
    Path("airless.toml").write_text("[propeller]\ndiameter_m = 0.56\n")
    assert run(["limits", *arguments]) == BAD_INPUT
    captured = capsys.readouterr()
    assert captured.out == ""
    assert complaint in captured.err.strip().splitlines()[-1]
    assert not Path("x.toml").exists()
