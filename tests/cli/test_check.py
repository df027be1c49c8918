"""The verb `check`: its JSON, its files, its complaints."""

from __future__ import annotations

import json
import re
from pathlib import Path
from typing import Any

import pytest
from one_set import one_set_text

from whirlbench.analysis.strength.variation import read_variation
from whirlbench.cli.main import BAD_INPUT, DONE, run
from whirlbench.rig.toml import example_rig_text, read_rig
from whirlbench.session.plan import read_plan


@pytest.fixture
def rig_path(tmp_path: Path) -> str:
    path = tmp_path / "stand.toml"
    path.write_text(example_rig_text(), encoding="utf-8")
    return str(path)


@pytest.fixture
def fitted_alone(tmp_path: Path) -> str:
    """A rig of one set, for what does not depend on the others."""
    path = tmp_path / "alone.toml"
    path.write_text(one_set_text(), encoding="utf-8")
    return str(path)


def answer(capsys: pytest.CaptureFixture[str], *arguments: str) -> dict[str, Any]:
    assert run(["check", *arguments, "--json"]) == DONE
    printed = capsys.readouterr()
    found: dict[str, Any] = json.loads(printed.out)
    return found


def test_json_holds_the_promised_keys(rig_path: str, capsys: pytest.CaptureFixture[str]) -> None:
    found = answer(capsys, rig_path)
    assert found["speed_rpm"] == 5300.0
    assert found["centrifugal_n"] > 0.0
    assert {"net_section_pa", "shear_out_pa", "bearing_pa", "reserve_factor"} <= set(found["root"])
    lowest = min(
        mode["reserve_factor"]
        for mode in found["modes"]
        if mode["key"] in ("net_section", "shear_out", "bearing", "neck")
    )
    assert found["root"]["reserve_factor"] == lowest
    assert found["reserve_factor"] <= lowest
    assert {"rpm", "nominal_rpm", "governed_by"} <= set(found["permitted"])
    assert 0.0 < found["permitted"]["rpm"] <= found["permitted"]["nominal_rpm"]
    assert 0.0 < found["tip_mach"] < 1.0
    assert found["fragment"]["speed_m_s"] > 0.0 and found["fragment"]["energy_j"] > 0.0
    assert len(found["plan"]) >= 4
    assert [item["name"] for item in found["designs"]] == ["printed", "printed_thick", "moulded"]
    assert found["designs"][0]["permitted"]["governed_by"] == "shear-out across layers"
    assert not found["designs"][0]["passes"]


def test_the_seed_is_recorded_and_repeats(fitted_alone: str, capsys: pytest.CaptureFixture[str]) -> None:
    first, again, other = (
        answer(capsys, fitted_alone, "--random-seed", seed)["monte_carlo"]["moulded"] for seed in ("4", "4", "5")
    )
    assert first == again != other
    assert first["seed"] == 4


def test_another_speed_is_judged(rig_path: str, capsys: pytest.CaptureFixture[str]) -> None:
    slow = answer(capsys, rig_path, "--speed-rpm", "2650")
    fast = answer(capsys, rig_path)
    assert fast["centrifugal_n"] == pytest.approx(4.0 * slow["centrifugal_n"])
    assert slow["designs"][0]["passes"]


def test_plan_and_report_are_written(fitted_alone: str, tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    plan, page = tmp_path / "proof.toml", tmp_path / "check.html"
    found = answer(capsys, fitted_alone, "--plan-out", str(plan), "--report", str(page))
    assert len(read_plan(plan)[0].steps) >= len(found["plan"])
    assert page.read_text(encoding="utf-8").lstrip().startswith("<!doctype html>")


def test_text_names_the_failure_and_the_cautions(rig_path: str, capsys: pytest.CaptureFixture[str]) -> None:
    assert run(["check", rig_path]) == DONE
    text = capsys.readouterr().out
    assert "printed: NOT FIT" in text and "shear-out across layers" in text
    assert "out of the plane of rotation" in text
    assert "not a licence" in text
    assert "borrowed from full-size rules" in text
    assert "No life is predicted" in text


@pytest.mark.parametrize(
    ("old", "new", "key"),
    [
        ("diameter_m = 0.56\n", "", "propeller.diameter_m"),
        ("edge_distance_m = 0.0065", "edge_distance_m = -0.001", "blade_sets.printed.root.edge_distance_m"),
        ("hole_diameter_m = 0.005", "hole_diameter_m = 0.050", "blade_sets.printed.root.hole_diameter_m"),
        ('blade_set = "moulded"\n', 'blade_set = "wooden"\n', "propeller.blade_set"),
        ('blade_set = "moulded"\n', "", "propeller.blade_set"),
    ],
)
def test_bad_input_is_one_line_that_names_the_key(
    rig_path: str, capsys: pytest.CaptureFixture[str], old: str, new: str, key: str
) -> None:
    path = Path(rig_path)
    text = path.read_text(encoding="utf-8")
    assert old in text
    path.write_text(text.replace(old, new, 1), encoding="utf-8")
    assert run(["check", rig_path, "--json"]) == BAD_INPUT
    printed = capsys.readouterr()
    document = json.loads(printed.out)
    assert document["verdict"] == "not judged" and key in document["not_judged"][0]["why"]
    assert key in printed.err and printed.err.count("\n") == 1


def test_a_refused_proof_speed_says_why(fitted_alone: str, capsys: pytest.CaptureFixture[str]) -> None:
    assert run(["check", fitted_alone, "--proof-rpm", "7000"]) == BAD_INPUT
    assert "limits.overspeed_rpm" in capsys.readouterr().err


def test_not_fit_is_an_answer_that_scripts_may_refuse(rig_path: str, capsys: pytest.CaptureFixture[str]) -> None:
    """By the contract what was judged is done, fit or not; who asks for it gets a status that stops a script."""
    path = Path(rig_path)
    only = re.sub(r'blade_set = "moulded"', 'blade_set = "printed"', path.read_text(encoding="utf-8"))
    path.write_text(only, encoding="utf-8")
    assert run(["check", rig_path, "--must-fit"]) == BAD_INPUT
    printed = capsys.readouterr()
    assert "NOT FIT for 5300 rpm" in printed.err and printed.err.count("\n") == 1
    hint = re.search(r"`whirlbench check RIG (--vary root\.edge_distance_m=\S+)`", printed.out)
    assert hint is not None, printed.out
    rig, _ = read_rig(path)
    assert read_variation(hint[1].removeprefix("--vary "), rig.blade_sets["printed"], "printed").values


def test_a_file_that_cannot_be_written(fitted_alone: str, tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert run(["check", fitted_alone, "--plan-out", str(tmp_path / "nowhere" / "plan.toml")]) == BAD_INPUT
    assert "nowhere" in capsys.readouterr().err


def test_what_if_draws_the_permitted_speed_against_a_dimension(
    fitted_alone: str, capsys: pytest.CaptureFixture[str]
) -> None:
    found = answer(capsys, fitted_alone, "--vary", "root.edge_mm=5:14:3")["vary"]
    assert found["key"] == "root.edge_distance_m" and found["present"] == 10.0
    first, *rest = found["points"]
    assert first["rpm"] is None and "below 1.2 no rule holds" in first["refused"]
    assert rest[0]["rpm"] < rest[1]["rpm"] <= rest[1]["nominal_rpm"]


def test_what_if_takes_the_key_as_the_rig_file_has_it(rig_path: str) -> None:
    rig, _ = read_rig(Path(rig_path))
    name = rig.propeller.blade_set
    whole = read_variation(f"blade_sets.{name}.root.edge_distance_m=0.008,0.01", rig.blade_sets[name], name)
    assert whole == read_variation("root.edge_distance_m=0.008,0.01", rig.blade_sets[name], name)
    assert whole.key == "root.edge_distance_m" and whole.values == (0.008, 0.01) and whole.scale == 1.0


OF_NO_SET = "blade_sets.nobody.root.edge_distance_m=0.008:0.01"


@pytest.mark.parametrize(
    "text", ["root.edge_mm", "root.nowhere_mm=1:2", "root.edge_mm=6:6", "hub.edge_mm=1:2", OF_NO_SET]
)
def test_a_variation_that_cannot_be_read_is_one_line(
    fitted_alone: str, capsys: pytest.CaptureFixture[str], text: str
) -> None:
    assert run(["check", fitted_alone, "--vary", text]) == BAD_INPUT
    printed = capsys.readouterr()
    assert text in printed.err and printed.err.count("\n") == 1
