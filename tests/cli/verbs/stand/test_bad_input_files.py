"""Mutated rigs and plans: one clear line that names file and place each, exit status 2, nothing accepted or written.

Calibration points stand in ``test_calibrate``, logs in ``test_log``.
"""

from __future__ import annotations

import pytest

from whirlbench.cli.main import BAD_INPUT, run
from whirlbench.cli.verbs.stand import spin as spin_verb
from whirlbench.rig.toml import example_rig_text

RIGS = [  # what is replaced, by what, what the line has to say
    ("blades = 4", "blades = 0", "propeller.blades"),
    ("blades = 4", "blades = 4.5", "propeller.blades"),
    ("blades = 4", 'blades = "four"', "propeller.blades"),
    ("blades = 4", "blades = ", "rig.toml"),
    ("diameter_m = 0.56", "diameter_m = 560", "propeller.diameter_m"),
    ("diameter_m = 0.56", "diameter_m = -0.56", "propeller.diameter_m"),
    ("diameter_m = 0.56", "diameter_m = nan", "propeller.diameter_m"),
    ("diameter_m = 0.56", "diameter_m = inf", "propeller.diameter_m"),
    ("diameter_m = 0.56", "diameter = 0.56", "unknown key propeller.diameter"),
    ('blade_set = "moulded"', 'blade_set = "wood"', "wood"),
    ('blade_set = "moulded"', 'blade_set = "moulded"\nblade_set = "printed"', "rig.toml"),
    ("overspeed_rpm = 6000", "overspeed_rpm = 0", "limits.overspeed_rpm"),
    ("overspeed_rpm = 6000", "overspeed_rpm = -6000", "limits.overspeed_rpm"),
    ("overspeed_rpm = 6000", "overspeed = 6000", "unknown key limits.overspeed"),
    ("heartbeat_ms = 100", "heartbeat_ms = 1e9", "limits.heartbeat_ms"),
    ("vibration_g_rms = 4.0", 'vibration_g_rms = "4 g"', "limits.vibration_g_rms"),
    ("[limits]", "[limit]", "unknown key limit"),
    ("[limits]", "[limits", "rig.toml"),
    ("pulses_per_rev = 1", "pulses_per_rev = 0", "tach.pulses_per_rev"),
    ("rest_ms = 1000", "rest_ms = 10", "tach.rest_ms"),
    ("[1200, 2.0]", "[1200, 9.0]", "pitch.table row 3"),
    ("[1200, 2.0]", "[900, 2.0]", "pitch.table"),
    ("[2000, 26.0]", "[2000, 20.0]", "pitch.table row 6: 20 after 20"),
    ("[[1100, 1500], [1900, 6000]]", "[[1100, 1500], [1900, 1500]]", "speed_controller.request_table row 2"),
    ("[1200, 2.0]", "[1200]", "pitch.table"),
    ("safe_us = 1000", "safe_us = 1200", "throttle"),
    ("max_us = 1900", "max_us = 1000", "throttle"),
    ("rpm = [3500, 5300]", "rpm = [5300, 3500]", "modes.flight"),
    ("max_pitch_deg = 22.0", "max_pitch_deg = 2.0", "modes.flight"),
    ('material = "moulded_nylon"', 'material = "cheese"', "blade_sets.moulded"),
    ("[stand]", "[stand]\ncheck_list = [3]", "stand.check_list"),
    ("[stand]", '[stand]\ncheck_list = [""]', "stand.check_list"),
    ("[stand]", f'[stand]\ncheck_list = ["{"x" * 161}"]', "stand.check_list"),
    ("[propeller]", "[propeller]\nfastener_torque_n_m = 0", "propeller.fastener_torque_n_m"),
    ("[propeller]", "[propeller]\nfastener_torque_n_m = 2500", "propeller.fastener_torque_n_m"),
]
HOLD = '[[step]]\nkind = "hold"\nthrottle_us = 1160\npitch_deg = 8\nduration_s = 1\n'
PLANS = [
    ("", "no [[step]]"),
    ("[[step]]", "step 1"),
    ("[[step]]\nkind = hold", "plan.toml"),
    ('[[step]]\nkind = "pause"\nduration_s = 1', "step 1"),
    (HOLD.replace("duration_s = 1", ""), "step 1 key duration_s is missing"),
    (HOLD.replace("duration_s = 1", "duration_s = 0"), "duration_s"),
    (HOLD.replace("duration_s = 1", "duration_s = -1"), "duration_s"),
    (HOLD.replace("duration_s = 1", "duration_s = nan"), "duration_s"),
    (HOLD.replace("duration_s = 1", "duration_s = 1e9"), "duration_s"),
    (HOLD.replace("duration_s = 1", 'duration_s = "1 s"'), "duration_s"),
    (HOLD.replace("throttle_us = 1160", "throttle_us = 160"), "throttle_us"),
    (HOLD.replace("throttle_us = 1160", "throttle_us = 1950"), "step 1 (hold)"),
    (HOLD.replace("throttle_us", "throttel_us"), "unknown key throttel_us"),
    (HOLD.replace("pitch_deg = 8", "pitch_deg = 80"), "step 1 (hold)"),
    (HOLD.replace("pitch_deg = 8", "pitch_deg = 8\nservo_us = 1500"), "both set servo_us"),
    (HOLD + HOLD.replace("throttle_us = 1160", "throttle_pct = 101"), "step 2"),
    (HOLD.replace("throttle_us = 1160", "request_rpm = 3000"), "request_rpm needs a governor"),
    ("ramp_us_per_s = 0\n" + HOLD, "ramp_us_per_s"),
    ("ramp_us_per_s = 1e6\n" + HOLD, "ramp_us_per_s"),
    ("stop_above_margin_pct = -1\n" + HOLD, "stop_above_margin_pct"),
    ('governor = "on"\n' + HOLD, "governor"),
    ("speed = 3\n" + HOLD, "unknown key speed"),
    ('[[step]]\nkind = "sweep"\nthrottle_us = [1160]\nduration_s = 3', "step 1"),
    ('[[step]]\nkind = "multisine"\nduration_s = 30', "exactly one of amplitude_us"),
    ('[[step]]\nkind = "multisine"\namplitude_us = 20\nlow_hz = 3\nduration_s = 30', "low_hz 3 is not below"),
    (HOLD * 1001, "at most 1000"),
    ("\x00", "plan.toml"),
]


@pytest.fixture
def refused(tmp_path, monkeypatch, capsys):
    """Gives both files to `spin`; the one line on stderr. Neither file is changed and no other one is left."""
    monkeypatch.chdir(tmp_path)
    monkeypatch.setattr(spin_verb, "_supervise", lambda *_: pytest.fail("a session was started"))

    def of(rig: str, plan: str) -> str:
        for name, text in (("rig.toml", rig), ("plan.toml", plan)):
            (tmp_path / name).write_text(text)
        assert run(["spin", "--rig", "rig.toml", "--plan", "plan.toml", "--port", "simulated", "--yes"]) == BAD_INPUT
        told = capsys.readouterr()
        assert told.out == "" and len(told.err.strip().splitlines()) == 1
        assert ((tmp_path / "rig.toml").read_text(), (tmp_path / "plan.toml").read_text()) == (rig, plan)
        assert {path.name for path in tmp_path.iterdir()} == {"rig.toml", "plan.toml"}
        return told.err

    return of


@pytest.mark.parametrize(("right", "wrong", "words"), RIGS)
def test_a_mutated_rig_is_refused_by_its_key(refused, right, wrong, words):
    text = example_rig_text()
    assert right in text
    told = refused(text.replace(right, wrong, 1), HOLD)

    assert "rig.toml" in told and words in told


@pytest.mark.parametrize(("plan", "words"), PLANS)
def test_a_mutated_plan_is_refused_by_step_and_key(refused, plan, words):
    told = refused(example_rig_text(), plan)

    assert "plan.toml" in told and words in told
