"""`whirlbench balance` on the demo recordings: 70 g mm at 212 degrees was built in."""

import json
from pathlib import Path

import pytest

from whirlbench.cli.main import run

DEMOS = Path(__file__).parents[2] / "recordings"
AS_FOUND, TRIAL, CORRECTED = (str(DEMOS / f"unbalance_{name}.h5") for name in ("as_found", "trial", "corrected"))
WEIGHT = ["--trial-mass-g", "1.5", "--trial-angle-deg", "90", "--radius-mm", "32"]


def answer(capsys, *arguments):
    status = run(["balance", *arguments, "--json"])
    return status, json.loads(capsys.readouterr().out)


def test_unbalance_and_correction(capsys):
    status, found = answer(capsys, AS_FOUND, TRIAL, *WEIGHT)
    assert status == 0
    assert found["unbalance"]["g_mm"] == pytest.approx(70.0, abs=4 * found["stderr"]["g_mm"])
    assert found["unbalance"]["angle_deg"] == pytest.approx(212.0, abs=4 * found["stderr"]["angle_deg"])
    assert found["correction"]["mass_g"] == pytest.approx(70.0 / 32.0, abs=0.05)
    assert found["correction"]["angle_deg"] == pytest.approx(32.0, abs=1.5)
    assert found["correction"]["radius_mm"] == 32.0
    assert found["grade_mm_s"] is None


def test_grade_needs_the_rotor_and_differs_from_velocity(capsys):
    _, found = answer(capsys, AS_FOUND, TRIAL, *WEIGHT, "--rotor-kg", "0.42", "--grade", "16")
    rpm = found["velocity_1p"][0]["rpm"]
    assert found["grade_mm_s"] == pytest.approx(70.0 / 420.0 * 2 * 3.14159265 * rpm / 60.0, rel=0.02)
    assert found["within_grade"] is False
    assert found["velocity_1p"][0]["sine"]["velocity_mm_s_peak"] != pytest.approx(found["grade_mm_s"], rel=0.05)


def test_split_over_holes(capsys):
    _, found = answer(capsys, AS_FOUND, TRIAL, *WEIGHT, "--holes", "6", "--first-hole-deg", "15", "--step-g", "0.05")
    assert 1 <= len(found["split"]["masses"]) <= 2
    assert {mass["angle_deg"] for mass in found["split"]["masses"]} <= {15.0, 75.0}
    assert found["split"]["left_g_mm"] < 0.05 * 32.0


def test_kept_influence_shows_that_the_correction_held(capsys, tmp_path):
    kept = str(tmp_path / "stand.json")
    answer(capsys, AS_FOUND, TRIAL, *WEIGHT, "--keep-influence", kept)
    status, found = answer(capsys, CORRECTED, "--radius-mm", "32", "--influence", kept, "--rotor-kg", "0.42")
    assert status == 0
    assert found["unbalance"]["g_mm"] < 5.0
    assert found["within_grade"] is True


def test_text_says_whose_angle_and_what_to_do(capsys):
    assert run(["balance", AS_FOUND, TRIAL, *WEIGHT, "--rotor-kg", "0.42", "--holes", "4"]) == 0
    text = capsys.readouterr().out
    assert "in the direction of rotation" in text and "take the trial mass off" in text and "not a grade" in text


def test_data_that_cannot_answer_are_not_judged(capsys):
    status = run(["balance", AS_FOUND, AS_FOUND, *WEIGHT, "--json"])
    told = capsys.readouterr()
    found = json.loads(told.out)
    assert status == 2 and found["verdict"] == "not judged"
    assert "standard errors" in found["not_judged"][0]["why"] and "unbalance" not in found
    assert told.err.count("\n") == 1


@pytest.mark.parametrize(
    ("arguments", "said"),
    [
        ([AS_FOUND, "--radius-mm", "32"], "give TRIAL with"),
        ([AS_FOUND, AS_FOUND, *WEIGHT], "standard errors"),
        ([AS_FOUND, "--radius-mm", "32", "--influence", AS_FOUND], "not an influence"),
        ([AS_FOUND, TRIAL, "--trial-mass-g", "0", "--trial-angle-deg", "90", "--radius-mm", "32"], "--trial-mass-g"),
        ([str(DEMOS / "lost_tach.h5"), str(DEMOS / "none.h5"), *WEIGHT], "none.h5"),
    ],
)
def test_bad_input(capsys, arguments, said):
    assert run(["balance", *arguments]) == 2
    assert said in capsys.readouterr().err
