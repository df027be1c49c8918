"""`spin --dry-run` from the command line: the course, what would exceed is refused, the unknown is not judged."""

from __future__ import annotations

import re
from pathlib import Path

import numpy as np
import pytest

from whirlbench.analysis.pitch_limits import load_model
from whirlbench.cli.main import BAD_INPUT, DONE, run
from whirlbench.results.dry_run import PlannedStep, dry_run_answer
from whirlbench.rig.toml import example_rig_text, parse_rig
from whirlbench.session.plan import shipped_plan_text


def hold(us: int, deg: float) -> str:
    return f'[[step]]\nkind = "hold"\nname = "at {us}"\nthrottle_us = {us}\npitch_deg = {deg}\nduration_s = 5\n'


@pytest.fixture
def dry(tmp_path: Path, capsys: pytest.CaptureFixture[str]):
    """Runs the verb on a plan and a rig changed by replacements; gives exit status, output and errors."""

    def command(plan_text: str, *more: str, **replaced: str) -> tuple[int, str, str]:
        rig_text = example_rig_text()
        for name, line in replaced.items():
            rig_text = "\n".join(line if old.startswith(f"{name} =") else old for old in rig_text.splitlines())
        (tmp_path / "rig.toml").write_text(rig_text)
        (tmp_path / "plan.toml").write_text(plan_text)
        words = ["spin", "--dry-run", "--rig", str(tmp_path / "rig.toml"), "--plan", str(tmp_path / "plan.toml"), *more]
        status = run(words)
        told = capsys.readouterr()
        return status, told.out, told.err

    return command


def test_the_whole_course_is_printed_and_nothing_is_armed(dry, tmp_path) -> None:
    status, out, err = dry(shipped_plan_text())
    assert (status, err) == (DONE, "")
    assert "none would exceed a limit as expected" in out and "step 7" in out
    assert "vibration: not judged, nothing foretells it" in out and "loads from estimate" in out
    assert sorted(path.name for path in tmp_path.iterdir()) == ["plan.toml", "rig.toml"]


@pytest.mark.parametrize(
    ("limit", "told"),
    [
        ({"thrust_n": "thrust_n = 40"}, "thrust would exceed limits.thrust_n"),
        ({"current_a": "current_a = 15"}, "current would exceed limits.current_a"),
        ({"power_w": "power_w = 500"}, "power would exceed limits.power_w"),
        ({"overspeed_rpm": "overspeed_rpm = 3000"}, "overspeed would exceed limits.overspeed_rpm"),
        ({"tip_mach": "tip_mach = 0.2"}, "tip Mach would exceed limits.tip_mach"),
        ({"minimum_voltage_v": "minimum_voltage_v = 38.5"}, "least voltage would exceed limits.minimum_voltage_v"),
    ],
)
def test_what_would_exceed_is_refused_by_step_and_limit(dry, limit: dict[str, str], told: str) -> None:
    status, out, err = dry(hold(1200, 8) + hold(1600, 14), **limit)
    assert status == BAD_INPUT
    assert f"step 2: hold at 1600: {told}" in out
    assert "plan.toml: step 2: hold at 1600: would exceed a limit" in err and err.count("\n") == 1


def test_an_overspeed_says_how_far_the_throttle_may_open(dry) -> None:
    """By name and number, and the very travel said is one that no longer exceeds."""
    _, out, _ = dry(hold(1600, 14), overspeed_rpm="overspeed_rpm = 3000")
    (told,) = re.findall(
        r"throttle travel up to (\d+) % \((\d+) µs\), 95 % safe, best estimate \d+ %, cannot pass", out
    )
    assert "cannot pass it from 14.0 deg on" in out, "not the fine pitch on the way there, the throttle still closed"
    status, out, _ = dry(hold(int(told[1]), 14), overspeed_rpm="overspeed_rpm = 3000")
    assert status == DONE and "overspeed" not in out.split("Course of the plan")[0]
    status, out, _ = dry(hold(1600, 14), thrust_n="thrust_n = 40")
    assert status == BAD_INPUT and "would exceed limits.thrust_n" in out and "cannot pass" not in out


def test_a_request_that_is_too_fast_says_nothing_of_the_throttle() -> None:
    rig = parse_rig(example_rig_text())
    pulses, pitch_deg = np.array([1300.0, 1300.0]), np.array([8.0, 8.0])
    step = PlannedStep("step 1: hold", 0.0, 3.0, pulses, np.array([7000.0, 7000.0]), pitch_deg)
    texts = [remark.text for remark in dry_run_answer([step], rig, load_model(rig)).remarks]
    assert any("overspeed would exceed" in text for text in texts) and not any("cannot pass" in text for text in texts)


def test_a_plans_own_limit_counts(dry) -> None:
    status, out, _ = dry("[limits]\nthrust_n = 30\n" + hold(1600, 14))
    assert status == BAD_INPUT and "thrust would exceed limits.thrust_n" in out


def test_what_only_might_exceed_is_a_caution(dry) -> None:
    status, out, _ = dry(hold(1600, 14), thrust_n="thrust_n = 75")
    assert status == DONE
    assert "caution: step 1: hold at 1600: thrust could exceed limits.thrust_n within what is not known" in out


def test_what_nothing_tells_is_not_judged(dry) -> None:
    status, out, _ = dry(hold(1600, 14), kv_rpm_per_v="")
    assert status == DONE
    assert "overspeed: not judged" in out and "current: not judged" in out
    status, out, err = dry(hold(1600, 14), blade_set="")
    assert status == BAD_INPUT and "nothing tells the loads" in err


def test_options_that_do_not_belong_are_refused(dry, tmp_path) -> None:
    words = ["spin", "--rig", str(tmp_path / "rig.toml"), "--plan", str(tmp_path / "plan.toml")]
    dry(hold(1200, 8))
    assert run([*words, "--port", "simulated", "--holds", "x.h5"]) == BAD_INPUT
    assert run(words) == BAD_INPUT
    assert run([*words, "--port", "/dev/ttyS0", "--speed", "5"]) == BAD_INPUT


def test_what_is_unknown_at_one_instant_is_not_judged_for_its_step() -> None:
    """A step whose pitch leaves what is known for a moment must not read as good by the rest of it."""
    rig = parse_rig(example_rig_text())
    pulses, asked = np.array([1300.0, 1300.0, 1000.0]), np.full(3, np.nan)

    def step(*pitch_deg: float) -> PlannedStep:
        return PlannedStep("step 1: sweep", 0.0, 3.0, pulses, asked, np.array(pitch_deg))

    known = dry_run_answer([step(8.0, 9.0, 8.0)], rig, load_model(rig)).document["steps"][0]
    assert set(known["shares"]) == {
        "overspeed_rpm", "current_a", "thrust_n", "power_w", "tip_mach", "minimum_voltage_v",
    }  # fmt: skip
    answer = dry_run_answer([step(8.0, 80.0, 8.0)], rig, load_model(rig))
    assert answer.document["steps"][0]["shares"] == {} and answer.verdict == "in part"
    rest = dry_run_answer([step(8.0, 8.0, 80.0)], rig, load_model(rig)).document["steps"][0]
    assert rest["shares"]["overspeed_rpm"]["expected"] == known["shares"]["overspeed_rpm"]["expected"]  # at rest
