"""What a run took out of its set, from a recording and from speeds made by hand."""

from __future__ import annotations

from dataclasses import replace

import msgspec
import numpy as np
import pytest

from whirlbench.log.run_use import _revolutions, _starts, load_cycles, run_use
from whirlbench.recording.files import open_recording
from whirlbench.rig.toml import parse_rig
from whirlbench.samples import Event, Run, TachPulses

RECORDINGS = "recordings"


@pytest.fixture(scope="module")
def crack(request):
    path = request.config.rootpath / RECORDINGS / "root_crack.h5"
    with open_recording(path) as recording:
        yield recording, parse_rig(recording.attributes.rig_text)


def test_use_of_the_demonstration_crack(crack):
    recording, rig = crack
    run = recording.run()

    use = run_use(recording, rig, 6000.0)

    assert use.starts == 1
    assert use.peak_rpm == pytest.approx(np.nanmax(run.slow.rpm))
    assert use.revolutions == pytest.approx(len(run.tach.time_s), rel=0.01)
    assert 0.0 < use.turning_s <= run.duration_s()
    assert use.simulated and use.complete and use.trips == ()
    assert len(use.set_digest) == len(use.calibration_digest) == 12


def test_trips_and_cautions_of_the_run_are_kept_by_name(crack, monkeypatch):
    recording, rig = crack
    told = (Event(40.0, "caution", "drift_1p_pct", "…"), Event(63.0, "trip", "vibration"))
    monkeypatch.setattr(recording, "run", lambda: replace(type(recording).run(recording), events=told))

    use = run_use(recording, rig, None)

    assert (use.trips, use.cautions) == (("vibration",), ("drift_1p_pct",))


def test_without_a_permitted_speed_no_share_is_told(crack):
    assert run_use(*crack, None).cycles == ()


def test_the_digest_follows_the_description(crack):
    recording, rig = crack
    text = recording.attributes.rig_text.replace("reference_pitch_deg = 14.0", "reference_pitch_deg = 14.5")

    changed = run_use(recording, parse_rig(text), None).set_digest

    assert changed != run_use(recording, rig, None).set_digest


@pytest.mark.parametrize(
    ("rpm", "expected"),
    [
        ([6000.0], {1.0: 1.0}),  # rest, permitted speed, rest: one whole cycle of the permitted load
        ([6000.0, 0.0, 6000.0], {1.0: 2.0}),
        ([3000.0], {0.2: 1.0}),  # half the speed is a quarter of the load
        ([6600.0], {1.2: 1.0}),
        ([6000.0, 5999.0, 6000.0], {1.0: 1.0}),  # ripple
        ([], {}),
    ],
)
def test_cycles_of_load_are_classed_by_their_share(rpm, expected):
    found = {cycle.low: cycle.count for cycle in load_cycles(np.asarray(rpm), 6000.0)}

    assert found == pytest.approx(expected)


def test_the_peak_carries_the_error_of_the_tachs_clock(crack):
    recording, rig = crack
    known = msgspec.structs.replace(rig, tach=msgspec.structs.replace(rig.tach, stderr_pct=0.2))

    use = run_use(recording, known, None)

    assert use.peak_stderr_rpm == pytest.approx(0.002 * use.peak_rpm)
    assert run_use(recording, rig, None).peak_stderr_rpm is None


def test_revolutions_are_the_greater_of_count_and_sum() -> None:
    """Speed and tach can each have gaps, and neither adds turns."""
    time_s, rpm = np.array([0.0, 1.0]), np.array([600.0, 600.0])
    assert _revolutions(Run(tach=TachPulses(np.arange(100) / 50.0, 2)), time_s, rpm) == 50.0
    assert _revolutions(Run(tach=TachPulses(np.arange(4) / 50.0, 2)), time_s, rpm) == pytest.approx(10.0)
    assert _revolutions(Run(), time_s[:1], rpm[:1]) == 0.0


@pytest.mark.parametrize(("turning", "starts"), [("", 0), ("0110100", 2), ("1101", 2), ("000", 0)])
def test_a_record_that_begins_while_turning_counts_a_start(turning: str, starts: int) -> None:
    assert _starts(np.array([letter == "1" for letter in turning], dtype=bool)) == starts
