"""Every format version that was ever released still reads. A file here is written once and never again.

A new version adds a file and a test; the old ones stay. ``recording_version_1.h5`` holds ``made_up(0.5)``.
"""

from pathlib import Path

import numpy as np
from made_up_run import made_up

from whirlbench.recording.files import open_recording
from whirlbench.recording.layout import FORMAT_VERSION

DATA = Path(__file__).parents[1] / "data"


def test_version_1_reads():
    samples = made_up(0.5)
    with open_recording(DATA / "recording_version_1.h5") as recording:
        run = recording.run()
        assert recording.attributes.format_version == 1 and recording.attributes.firmware["build_id"] == 77
        assert recording.ending.exit_status == "trip"
        assert np.array_equal(recording.counts("thrust_n"), samples.counts["thrust_n"])
        assert recording.last_counters()["good"] == 0
    assert run.problems == ()
    assert np.array_equal(run.slow.rpm, samples.values["rpm"])
    assert np.array_equal(run.tach.time_s, samples.tach_s)
    assert np.array_equal(run.vibration.ay_g, (samples.vibration_counts[:, 1] * 0.0039).astype(np.float32))
    assert [event.name for event in run.events] == ["armed", "overspeed", "note"]
    assert "[propeller]" in run.rig_text


def test_every_version_up_to_the_present_has_its_file():
    kept = {path.name for path in DATA.glob("recording_version_*.h5")}
    assert kept == {f"recording_version_{version}.h5" for version in range(1, FORMAT_VERSION + 1)}
