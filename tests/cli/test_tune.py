"""`whirlbench tune` from a file to JSON, plan and chart, and the one line when it cannot be done."""

from __future__ import annotations

import json
from pathlib import Path

import numpy as np
import pytest
from linear_drive import LeverStep, LinearDrive, TachFaults, record_steps

from whirlbench.cli.main import run as whirlbench
from whirlbench.recording import files
from whirlbench.recording.attributes import RunAttributes
from whirlbench.rig.toml import example_rig_text
from whirlbench.samples import SLOW_CHANNELS, Run
from whirlbench.session.plan import read_plan

DRIVES = {
    "throttle_us": LinearDrive(6.0, 0.06, time_constant_s=0.3),
    "servo_us": LinearDrive(-0.4, 0.06, time_constant_s=0.25),
}
FAULTS = TachFaults(jitter_s=5e-6, unsteadiness_rpm_s=0.3)


def saved(run: Run, path: Path, rig_text: str = "") -> Path:
    with files.create(path, RunAttributes(rig_text=rig_text, counted=False)) as recorder:
        known = {one.name: run.slow.channel(one.name) for one in SLOW_CHANNELS if run.slow.has(one.name)}
        recorder.add_slow(run.slow.time_s, known, {})
        recorder.add_tach(run.tach.time_s)
    return path


def step_run() -> Run:
    steps = [LeverStep("throttle_us", 4.0 + 3.0 * k, 40.0 * (-1.0) ** k) for k in range(3)]
    steps += [LeverStep("servo_us", 13.0 + 3.0 * k, 90.0 * (-1.0) ** k) for k in range(2)]
    return record_steps(DRIVES, steps, 19.0, np.random.default_rng(1), faults=FAULTS)


@pytest.fixture(scope="module")
def recording(tmp_path_factory) -> Path:
    return saved(step_run(), tmp_path_factory.mktemp("tune") / "steps.h5", example_rig_text())


def answer_of(capsys, *arguments: str) -> dict:
    assert whirlbench(["tune", *arguments, "--json"]) == 0
    return json.loads(capsys.readouterr().out)


def test_json_has_the_promised_keys(recording, capsys):
    found = answer_of(capsys, str(recording))
    assert [step["kind"] for step in found["steps"]] == ["throttle"] * 3 + ["pitch"] * 2
    first = found["steps"][0]
    assert (first["at_s"], first["from"], first["to"]) == (pytest.approx(4.0), 1500.0, 1540.0)
    assert set(first["model"]) == {"form", "gain", "time_constant_s", "dead_time_s"} == {"form", *first["stderr"]}
    assert first["model"]["gain"] == pytest.approx(6.0, rel=0.03)
    assert {
        "rise_time_s",
        "overshoot_pct",
        "peak_time_s",
        "settling_time_s",
        "steady_error_rpm",
        "deviation_rpm",
        "recovery_s",
    } <= set(first["response"])
    assert [pooled["kind"] for pooled in found["pooled"]] == ["throttle", "pitch"]
    assert found["pooled"][1]["model"]["gain"] == pytest.approx(-0.4 / 0.03, rel=0.05)
    advice = found["advice"]
    assert {"rule", "kp", "ki", "gain_margin", "phase_margin_deg", "max_sensitivity"} <= set(advice)
    assert advice["kp"] > 0.0
    assert 2.0 < advice["gain_margin"] < 5.0


def test_json_foretells_both_steps_with_their_bands(recording, capsys):
    forecast = answer_of(capsys, str(recording))["forecast"]
    assert set(forecast) == {"request", "pitch"}
    overshoot = forecast["request"]["figures"]["overshoot_pct"]
    assert overshoot["low"] <= overshoot["nominal"] <= overshoot["high"] < 60.0
    curve = forecast["pitch"]
    assert len(curve["since_s"]) == len(curve["rpm"]) == len(curve["rpm_high"])
    assert min(curve["rpm"]) < -5.0


def test_text_tells_gains_and_caution(recording, capsys):
    assert whirlbench(["tune", str(recording)]) == 0
    shown = capsys.readouterr().out
    assert "kp_us_per_rpm" in shown
    assert "plane of rotation" in shown


def test_the_knob_is_obeyed(recording, capsys):
    slow = answer_of(capsys, str(recording), "--closed-loop-time", "0.5")
    assert slow["advice"]["closed_loop_time_s"] == 0.5
    assert slow["advice"]["max_sensitivity"] < 1.3


def test_pitch_can_govern(recording, capsys):
    advice = answer_of(capsys, str(recording), "--governs", "pitch")["advice"]
    assert advice["lever"] == "pitch"
    assert advice["kp"] < 0.0


def test_plan_and_chart_are_written(recording, tmp_path, capsys):
    plan, chart = tmp_path / "re_test.toml", tmp_path / "steps.png"
    answer_of(capsys, str(recording), "--plan-out", str(plan), "--chart", str(chart))
    assert [type(step).kind for step in read_plan(plan)[0].steps][-1] == "coast-down"
    assert chart.read_bytes().startswith(b"\x89PNG")


def test_without_gains_there_is_no_plan_to_write(tmp_path, capsys):
    loop = LinearDrive(1.0, 0.03, damping_ratio=0.8, natural_frequency_rad_s=8.0)
    steps = [LeverStep("speed_request_rpm", 4.0, 200.0)]
    run = record_steps({"speed_request_rpm": loop}, steps, 9.0, np.random.default_rng(3), faults=FAULTS)
    plan = tmp_path / "re_test.toml"
    assert whirlbench(["tune", str(saved(run, tmp_path / "governed.h5")), "--plan-out", str(plan)]) == 2
    assert "no gains were advised" in capsys.readouterr().err
    assert not plan.exists()


def test_a_re_test_is_judged_by_the_earlier_answer(recording, tmp_path, capsys):
    """A made-up re-test that did what a loop of one lag would: settled, and the verdict says what was measured."""
    earlier = tmp_path / "earlier.json"
    earlier.write_text(json.dumps(answer_of(capsys, str(recording))))
    loop = LinearDrive(1.0, 0.02, damping_ratio=0.8, natural_frequency_rad_s=16.0)
    steps = [LeverStep("speed_request_rpm", 4.0, 100.0), LeverStep("speed_request_rpm", 8.0, -100.0)]
    re_test = record_steps(
        {"speed_request_rpm": loop, "throttle_us": DRIVES["throttle_us"]},
        steps,
        12.0,
        np.random.default_rng(2),
        base_rpm=4000.0,
        faults=FAULTS,
    )
    found = answer_of(capsys, str(saved(re_test, tmp_path / "again.h5")), "--predicted", str(earlier))
    assert len(found["proof"]) == 2
    for verdict in found["proof"]:
        assert set(verdict["measured"]) == {"overshoot_pct", "settling_5pct_s"}
        assert verdict["predicted"]["overshoot_pct"]["low"] <= verdict["predicted"]["overshoot_pct"]["high"]


def test_settings_are_compared(tmp_path, capsys):
    paths = []
    for name, damping in (("soft", 0.3), ("firm", 0.8)):
        loop = LinearDrive(1.0, 0.03, damping_ratio=damping, natural_frequency_rad_s=8.0)
        steps = [LeverStep("speed_request_rpm", 4.0 + 4.0 * k, 200.0 * (-1.0) ** k) for k in range(3)]
        run = record_steps({"speed_request_rpm": loop}, steps, 16.0, np.random.default_rng(3), faults=FAULTS)
        paths.append(str(saved(run, tmp_path / f"{name}.h5")))
    found = answer_of(capsys, paths[0], "--against", paths[1])
    assert found["advice"] is None
    assert found["comparison"]["best"] == "firm"
    assert found["verdict"] == "in part"
    assert [item["what"] for item in found["not_judged"]] == ["gains for the governor"]
    assert all(remark["level"] in ("danger", "caution", "note") for remark in found["remarks"])


@pytest.mark.parametrize("broken", ["no steps", "unsettled"])
def test_bad_records_end_in_one_line_and_two(broken, tmp_path, capsys):
    if broken == "no steps":
        run = record_steps(DRIVES, [], 8.0, np.random.default_rng(1), faults=FAULTS)
    else:
        slow = {"throttle_us": LinearDrive(6.0, 0.06, time_constant_s=6.0)}
        run = record_steps(slow, [LeverStep("throttle_us", 4.0, 40.0)], 7.0, np.random.default_rng(1), faults=FAULTS)
    path = saved(run, tmp_path / "bad.h5")
    assert whirlbench(["tune", str(path), "--json"]) == 2
    spoken = capsys.readouterr()
    found = json.loads(spoken.out)
    assert found["verdict"] == "not judged" and "steps" not in found
    assert [item["what"] for item in found["not_judged"]] == ["speed loop"]
    assert spoken.err.count("\n") == 1
    assert spoken.err.count(str(path)) == 1
    assert ("no step" if broken == "no steps" else "never settled") in spoken.err


def test_files_that_are_not_what_is_asked_for(recording, tmp_path, capsys):
    assert whirlbench(["tune", str(tmp_path / "missing.h5")]) == 2
    text = tmp_path / "text.json"
    text.write_text("{}")
    assert whirlbench(["tune", str(recording), "--predicted", str(text)]) == 2
    assert "holds no advice" in capsys.readouterr().err


def test_what_the_speeds_are_can_be_said_and_a_kind_that_is_none_is_refused(recording, capsys):
    named = answer_of(capsys, str(recording), "--speeds", "held")["noise"]["channel"]
    assert (named["channel"]["kind"], named["given"]) == ("held", True)
    for wrong in ("smooth", "filtered", "filtered:-1", "bare:3"):
        assert whirlbench(["tune", str(recording), "--speeds", wrong]) == 2
        assert "no kind of speed channel" in capsys.readouterr().err
