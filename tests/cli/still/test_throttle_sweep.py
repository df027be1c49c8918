"""`calibrate throttle --port`: a recorded sweep of the bare shaft, wound down before its lowered limit trips."""

from __future__ import annotations

import io
import json
import sys

import numpy as np
import pytest

from whirlbench.cli.main import run
from whirlbench.cli.still.throttle_sweep import bare_rig_text, settled_speeds, stairs_us
from whirlbench.recording.files import read_run
from whirlbench.rig.toml import example_rig_text, parse_rig
from whirlbench.samples import Run, SlowSamples
from whirlbench.session.plan import Clearance, objections

RIG = parse_rig(example_rig_text())


@pytest.fixture
def rig_path(tmp_path, monkeypatch):
    monkeypatch.chdir(tmp_path)
    path = tmp_path / "rig.toml"
    path.write_text(example_rig_text().replace("rest_ms = 1000", "rest_ms = 300"), encoding="utf-8")
    return path


def test_the_first_turning_pulse_is_found_below_the_lowered_limit(rig_path, capsys):
    command = ["calibrate", "throttle", "--rig", str(rig_path), "--port", "simulated", "--yes", "--random-seed", "3"]
    status = run([*command, "--overspeed-rpm", "1500", "--points-out", "sweep.csv", "--json"])

    told = capsys.readouterr()
    answer = json.loads(told.out)
    assert status == 0 and "PROPELLER OFF" in told.err
    first_us = RIG.throttle.min_us  # of the simulated controller; found one stair later, or two where it starts slowly
    assert first_us <= answer["min_us"] <= first_us + 80.0
    assert answer["safe_us"] < first_us and answer["full_reached"] is False
    recorded = read_run(rig_path.parent / "sweep.h5")
    assert np.nanmax(recorded.slow.channel("rpm")) < 1500.0
    assert not any(event.kind == "trip" for event in recorded.events)


@pytest.mark.parametrize(
    ("options", "typed", "complaint"),
    [
        (["--port", "simulated"], "propeller on\n", "not `propeller off`: nothing was armed"),
        (["--port", "no-such-port", "--yes"], "", "answers for the simulated stand only"),
        (["--port", "simulated", "--yes", "--overspeed-rpm", "9000"], "", "above the rig's limits.overspeed_rpm"),
    ],
)
def test_nothing_turns_without_word_and_limit(rig_path, monkeypatch, capsys, options, typed, complaint):
    monkeypatch.setattr(sys, "stdin", io.StringIO(typed))

    assert run(["calibrate", "throttle", "--rig", str(rig_path), "--points-out", "s.csv", *options]) == 2

    assert complaint in capsys.readouterr().err
    assert not (rig_path.parent / "s.h5").exists()


def test_the_bare_shaft_is_cleared_for_its_own_limit_only():
    bare = parse_rig(bare_rig_text(RIG, example_rig_text(), 3000.0))
    clearance = Clearance("", 3000.0, None, bare_shaft=True)  # type: ignore[arg-type]

    assert bare.limits.overspeed_rpm == 3000.0 and bare.propeller.blade_set is None
    assert objections(clearance, bare) == ()
    assert any("has moulded fitted" in why for why in objections(clearance, RIG))
    faster = parse_rig(bare_rig_text(RIG, example_rig_text(), 3001.0))
    assert any("3001 is above the permitted 3000" in why for why in objections(clearance, faster))


def test_a_stair_that_was_left_early_gives_no_speed():
    time_s = np.arange(0.0, 3.0, 0.01)
    pulses = stairs_us(RIG)[:3]
    throttle_us = np.select([time_s < 1.3, time_s < 2.6], pulses[:2], pulses[0])  # and back to safe
    run_ = Run(slow=SlowSamples(time_s, rpm=np.where(time_s % 1.3 < 0.5, 0.0, 800.0), throttle_us=throttle_us))

    found = settled_speeds(run_, pulses)

    assert [pulse for pulse, _ in found] == list(pulses[:2])
    assert found[0][1] == pytest.approx(800.0)
