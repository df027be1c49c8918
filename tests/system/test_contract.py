"""What the outside world relies on: verbs, options, exit status, JSON keys, CSV columns, rig keys, the recording.

The names below are written out by hand, not taken from the program: renaming one there has to fail here. Names may be
added freely; one that is changed or dropped belongs under "Incompatible changes" in DEVELOPERS.md.
"""

from __future__ import annotations

import contextlib
import io
import json
from pathlib import Path

import click
import h5py
import numpy as np
import pytest
from linear_drive import LeverStep, LinearDrive, TachFaults, record_steps

from whirlbench.cli.main import run, whirlbench
from whirlbench.recording.attributes import RunAttributes
from whirlbench.recording.csv_exchange import write_csv
from whirlbench.recording.files import create, read_run
from whirlbench.rig.description import require
from whirlbench.rig.toml import example_rig_text, parse_rig
from whirlbench.samples import SLOW_CHANNELS, Run
from whirlbench.session.engine import Ending
from whirlbench.session.engine.actions import EXIT_STATUS
from whirlbench.session.plan import parse_plan
from whirlbench.simulator.runs import Schedule, SetPoint, simulate_run
from whirlbench.simulator.stand import PlantSettings

DEMOS = Path(__file__).parents[2] / "recordings"
WEIGHT = ["--trial-mass-g", "1.5", "--trial-angle-deg", "90", "--radius-mm", "32"]

VERBS = {
    "rehearse": "-o --speed --random-seed",
    "window": "RECORDING --port --rig",
    "ports": "",
    "check": "RIG --json",
    "spin": "--rig --plan --port",
    "tune": "RECORDING --json",
    "limits": "RECORDING --rig --at-rpm --json",
    "onset": "RECORDING --rig --json",
    "trips": "RECORDING --rig --json",
    "balance": "AS_FOUND TRIAL --trial-mass-g --trial-angle-deg --radius-mm --json",
    "import": "SLOW --vibration --tach --rig -o",
    "export": "RECORDING --csv --parquet",
    "recover": "BROKEN -o",
    "report": "RECORDING -o --json",
}


@pytest.mark.parametrize("verb", VERBS)
def test_verbs_and_options(verb: str) -> None:
    command = whirlbench.get_command(click.Context(whirlbench), verb)
    assert command is not None
    options = {word for one in command.params for word in one.opts if word.startswith("-")}
    arguments = [one for one in command.params if isinstance(one, click.Argument)]
    told = {(one.metavar or one.name or "").upper().split(".")[0] for one in arguments}
    for word in VERBS[verb].split():
        assert word in (options if word.startswith("-") else told)


def test_exit_status() -> None:
    assert (EXIT_STATUS[Ending.DONE], EXIT_STATUS[Ending.FAILED]) == (0, 1)
    assert EXIT_STATUS[Ending.REFUSED] == 2
    assert {EXIT_STATUS[ending] for ending in (Ending.TRIPPED, Ending.ABORTED, Ending.LINK_LOST)} == {3}
    assert set(EXIT_STATUS) == set(Ending)


def saved(samples: Run, path: Path) -> Path:
    """Slow channels and tach of a run as a recording that carries the example rig."""
    known = {one.name: samples.slow.channel(one.name) for one in SLOW_CHANNELS if samples.slow.has(one.name)}
    with create(path, RunAttributes(rig_text=example_rig_text(), counted=False)) as recorder:
        recorder.add_slow(samples.slow.time_s, known, {})
        recorder.add_tach(samples.tach.time_s)
    return path


def step_tests() -> Run:
    """Throttle steps on a first-order drive."""
    steps = [LeverStep("throttle_us", 4.0 + 3.0 * k, 40.0 * (-1.0) ** k) for k in range(3)]
    drive = {"throttle_us": LinearDrive(6.0, 0.06, time_constant_s=0.3)}
    return record_steps(drive, steps, 13.0, np.random.default_rng(1), faults=TachFaults(jitter_s=5e-6))


def pitch_map() -> Run:
    """Holds over pitch at two throttles."""
    points = [SetPoint(0.0, throttle_us=us, pitch_deg=deg) for us in (1550, 1780) for deg in (5, 9, 13, 17)]
    settings = PlantSettings.from_rig(parse_rig(example_rig_text()))
    return simulate_run(settings, Schedule.holds(points, each_s=7.0), np.random.default_rng(2), vibration_rate_hz=0)


@pytest.fixture(scope="module")
def answers(tmp_path_factory) -> dict[str, tuple[int, str]]:
    """Exit status and everything on stdout of every analysis verb with --json."""
    folder = tmp_path_factory.mktemp("contract")
    rig = folder / "rig.toml"
    rig.write_text(example_rig_text(), encoding="utf-8")
    steps, holds = saved(step_tests(), folder / "steps.h5"), saved(pitch_map(), folder / "map.h5")
    commands = (
        ["check", rig],
        ["tune", steps],
        ["limits", holds, "--rig", rig, "--at-rpm", "4000,5200"],
        ["onset", DEMOS / "root_crack.h5", "--rig", rig],
        ["trips", DEMOS / "root_crack.h5", "--rig", rig],
        ["balance", DEMOS / "unbalance_as_found.h5", DEMOS / "unbalance_trial.h5", *WEIGHT, "--rig", rig],
    )
    return {str(command[0]): answer([*map(str, command), "--json"]) for command in commands}


def answer(arguments: list[str]) -> tuple[int, str]:
    with contextlib.redirect_stdout(io.StringIO()) as stdout:
        status = run(arguments)
    return status, stdout.getvalue()


RESPONSE = "rise_time_s overshoot_pct peak_time_s settling_time_s steady_error_rpm deviation_rpm recovery_s"
JSON_KEYS = {
    "check": {
        "": "speed_rpm centrifugal_n root permitted tip_mach fragment plan",
        "root": "net_section_pa shear_out_pa bearing_pa reserve_factor",
        "permitted": "rpm governed_by",
        "fragment": "speed_m_s energy_j",
    },
    "tune": {
        "": "steps pooled advice",
        "steps.0": "kind at_s from to model stderr response",
        "steps.0.model": "form gain time_constant_s dead_time_s",
        "steps.0.stderr": "gain time_constant_s dead_time_s",
        "steps.0.response": RESPONSE,
        "pooled.0": "kind model stderr",
        "pooled.0.model": "form gain time_constant_s dead_time_s",
        "advice": "rule kp ki gain_margin phase_margin_deg max_sensitivity",
    },
    "limits": {
        "": "limits coefficients modes",
        "limits.0": "rpm max_pitch_deg max_pitch_deg_95 min_pitch_deg binding",
        "coefficients": "pitch_deg ct cp",
        "coefficients.ct": "value stderr",
        "modes": "cut_off ground flight",
    },
    "onset": {
        "": "onset failure trips lead_s",
        "onset": "at_s from_s to_s signal",
        "failure": "at_s",
        "trips.0": "rule at_s",
    },
    "trips": {"": "trips", "trips.0": "rule at_s"},
    "balance": {
        "": "unbalance correction stderr grade_mm_s",
        "unbalance": "g_mm angle_deg",
        "correction": "mass_g angle_deg radius_mm",
        "stderr": "g_mm angle_deg",
    },
}


@pytest.mark.parametrize(("verb", "place"), [(verb, place) for verb, places in JSON_KEYS.items() for place in places])
def test_json_keys(answers, verb: str, place: str) -> None:
    status, text = answers[verb]
    assert status == 0
    found = json.loads(text)  # exactly one object, and nothing else on stdout
    for part in filter(None, place.split(".")):
        found = found[int(part)] if part.isdigit() else found[part]
    missing = set(JSON_KEYS[verb][place].split()) - set(found)
    assert not missing


def test_json_words(answers) -> None:
    tune = json.loads(answers["tune"][1])
    assert {step["kind"] for step in tune["steps"]} == {"throttle"}
    assert tune["steps"][0]["model"]["form"] == "first_order"
    assert tune["steps"][0]["model"]["gain"] == pytest.approx(6.0, rel=0.1)  # rpm per us


SLOW = ["t_s", "rpm", "current_a", "voltage_v", "thrust_n", "servo_us", "pitch_deg", "throttle_us", "speed_request_rpm"]


def test_csv_columns_out(tmp_path) -> None:
    demo = read_run(DEMOS / "unbalance_as_found.h5")
    write_csv(demo, tmp_path)
    slow = (tmp_path / "slow.csv").read_text().splitlines()
    assert set(slow[0].split(",")) <= set(SLOW)
    assert slow[0].split(",")[0] == "t_s" and {"rpm", "current_a", "thrust_n"} <= set(slow[0].split(","))
    assert len(slow) == 1 + len(demo.slow.time_s)
    assert set((tmp_path / "vibration.csv").read_text().splitlines()[0].split(",")) <= {"t_s", "ax_g", "ay_g", "az_g"}
    assert (tmp_path / "tach.csv").read_text().splitlines()[0] == "t_s"


def test_csv_columns_in(tmp_path) -> None:
    rows = [[f"{0.1 * row:.1f}", *("7" * (len(SLOW) - 1))] for row in range(4)]
    slow, vibration, tach = tmp_path / "slow.csv", tmp_path / "vibration.csv", tmp_path / "tach.csv"
    slow.write_text("\n".join([",".join(SLOW), *map(",".join, rows)]) + "\n")
    vibration.write_text("t_s,ax_g,ay_g,az_g\n0.0,1,2,3\n0.1,1,,3\n0.2,1,2,3\n")
    tach.write_text("t_s\n0.05\n0.15\n")
    more = ["--vibration", str(vibration), "--tach", str(tach), "-o", str(tmp_path / "run.h5")]
    assert run(["import", str(slow), *more]) == 0
    back = read_run(tmp_path / "run.h5")
    assert all((back.slow.channel(name) == 7).all() for name in SLOW[1:])
    assert np.isnan(back.vibration.ay_g[1]) and list(back.tach.time_s) == [0.05, 0.15]


RIG = """
[propeller]
blades = 4
diameter_m = 0.56
[air]
density_kg_m3 = 1.2
temperature_c = 15
pressure_hpa = 1000
humidity_pct = 50
[limits]
overspeed_rpm = 6000
vibration_g_rms = 2
current_a = 80
thrust_n = 60
power_w = 2500
tip_mach = 0.6
[tach]
pulses_per_rev = 2
[pitch]
table = [[1000, 0], [2000, 20]]
[modes.flight]
min_pitch_deg = 2
max_pitch_deg = 14
rpm = [3000, 5000]
"""


def test_rig_keys() -> None:
    rig = parse_rig(RIG)
    section = ""
    for line in RIG.strip().splitlines():
        if line.startswith("["):
            section = line.strip("[]")
        else:
            key = f"{section}.{line.partition(' =')[0]}"
            assert require(rig, key, "the contract") is not None


def test_plan_kinds() -> None:
    kinds = ["hold", "step", "sweep", "coast-down"]
    text = "".join(
        f'[[step]]\nkind = "{kind}"\nduration_s = 2\n' + ("" if kind == "coast-down" else "throttle_us = %s\n")
        for kind in kinds
    ) % (1200, 1300, [1300, 1200])
    assert [step.kind for step in parse_plan(text).steps] == kinds


HEADER = "format_version header/rig_toml header/plan_toml header/calibration_json header/firmware_json"
GROUPS = (
    "slow tach/time_s vibration/az_g events/rows notes/rows counters/rows slow/counts/current_a vibration/counts/az_g"
)


def test_a_recording_explains_itself_to_any_hdf5_tool() -> None:
    with h5py.File(DEMOS / "root_crack.h5") as file:
        for name in f"{GROUPS} {HEADER}".split():
            assert name in file or name in file.attrs
        assert file.attrs["format"] == b"whirlbench recording" and file.attrs["format_version"] == 1
        for name in SLOW[1:]:
            assert {"unit", "description", "time_base"} <= set(file[f"slow/{name}"].attrs)
        assert b"[propeller]" in file["header/rig_toml"][()].tobytes()
