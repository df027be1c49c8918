"""Recording and reading back: whole, in slices, while it runs, after a kill."""

import os
import signal
import subprocess
import sys
import textwrap
import time

import h5py
import numpy as np
import pytest
from made_up_run import VIBRATION_HZ, attributes, feed, made_up, record

from whirlbench.errors import RecordingError
from whirlbench.recording.files import create, open_recording, read_run, recover
from whirlbench.recording.layout import NO_COUNT
from whirlbench.recording.reader import without_repeats
from whirlbench.samples import SLOW_CHANNELS, Event


def assert_same_run(run, samples):
    assert run.problems == ()
    assert np.array_equal(run.slow.time_s, samples.slow_s)
    for channel in SLOW_CHANNELS:
        expected = samples.values.get(channel.name, np.full(len(samples.slow_s), np.nan))
        assert np.array_equal(run.slow.channel(channel.name), expected, equal_nan=True), channel.name
    assert np.allclose(run.tach.time_s, samples.tach_s, rtol=0, atol=0)
    assert np.allclose(
        run.vibration.time_s, np.arange(len(samples.vibration_counts)) / VIBRATION_HZ, rtol=0, atol=1e-12
    )
    for axis, name in enumerate(("ax_g", "ay_g", "az_g")):
        expected = (samples.vibration_counts[:, axis] * 0.0039).astype(np.float32)
        assert np.array_equal(getattr(run.vibration, name), expected)
    assert run.vibration.rate_hz == VIBRATION_HZ


def test_reads_back_what_was_recorded(recording_path, samples):
    run = read_run(recording_path)
    assert_same_run(run, samples)
    assert run.rig_text == attributes().rig_text and run.plan_text == 'name = "short"\n'
    assert [event.kind for event in run.events] == ["state", "note", "trip"]
    assert run.events[1].detail == "blade tracking looked right ä" + 500 * "ß" + " end"
    assert run.events[2] == Event(5.998, "trip", "overspeed", "6210 rpm over 6000")


def test_keeps_counts_header_counters_and_ending(recording_path, samples):
    with open_recording(recording_path) as recording:
        for name, column in samples.counts.items():
            assert np.array_equal(recording.counts(name), column)
        for axis, name in enumerate(("ax_g", "ay_g", "az_g")):
            assert np.array_equal(recording.counts(name), samples.vibration_counts[:, axis])
        assert np.array_equal(recording.vibration_index(), np.arange(len(samples.vibration_counts)))
        assert recording.attributes == attributes()
        assert recording.ending.complete and recording.ending.exit_status == "trip"
        times_s, totals = recording.counters()["good"]
        assert totals.tolist() == [0, 500, 1000, 1500, 2000, 2500] and times_s[1] == 1.0
        assert recording.last_counters()["lost"] == 1
        with pytest.raises(RecordingError, match="no wire counts of throttle_us"):
            recording.counts("throttle_us")


@pytest.mark.parametrize(
    ("from_s", "to_s"), [(0.0, 1.0), (2.345, 3.345), (5.9, 50.0), (-3.0, 0.001), (7.0, 8.0), (1.0, 1.0)]
)
def test_a_slice_is_what_the_whole_has_there(recording_path, from_s, to_s):
    whole = read_run(recording_path).between(from_s, to_s)
    with open_recording(recording_path) as recording:
        part = recording.slice(from_s, to_s)
    for stream in ("slow", "tach", "vibration"):
        assert np.array_equal(getattr(part, stream).time_s, getattr(whole, stream).time_s)
    assert np.array_equal(part.slow.thrust_n, whole.slow.thrust_n)
    assert np.array_equal(part.vibration.az_g, whole.vibration.az_g)
    assert part.events == whole.events


def test_any_hdf5_tool_finds_units_descriptions_and_time_bases(recording_path):
    with h5py.File(recording_path, "r") as file:
        assert set(file) >= {"slow", "tach", "vibration", "events", "notes", "counters"}
        thrust = file["slow/thrust_n"]
        assert thrust.attrs["unit"] == b"N" and b"thrust" in thrust.attrs["description"]
        assert file[thrust.attrs["time_base"].decode()].shape == thrust.shape
        assert thrust.fletcher32 and file["header/rig_toml"].fletcher32
        datasets = []
        file.visititems(lambda name, item: datasets.append(item) if isinstance(item, h5py.Dataset) else None)
        assert all(dataset.fletcher32 for dataset in datasets)
        assert not any(h5py.check_string_dtype(dataset.dtype) and dataset.dtype.kind == "O" for dataset in datasets)


def test_a_vibration_block_with_fewer_axes_leaves_the_others_empty(tmp_path):
    with create(tmp_path / "one.h5", attributes()) as recorder:
        recorder.add_vibration(0.0, 1 / 1600, 0, np.ones((16, 1), dtype=np.int16))
    run = read_run(tmp_path / "one.h5")
    assert run.vibration.axes() == ("ax_g",)


def test_a_block_that_seems_to_begin_too_early_loses_no_sample(tmp_path):
    block = np.ones((16, 3), dtype=np.int16)
    with create(tmp_path / "jitter.h5", attributes()) as recorder:
        recorder.add_vibration(0.0, 1 / 1600, 0, block)
        recorder.add_vibration(0.0085, 1 / 1600, 16, 2 * block)  # 0.9 ms before the first one's last sample
        recorder.add_vibration(0.0200, 1 / 1600, 32, 3 * block)
        recorder.add_vibration(0.0100, 1 / 1600, 48, 4 * block)  # no jitter: a repeated or confused block
        assert recorder.rejected == 16
    with open_recording(tmp_path / "jitter.h5") as recording:
        time_s = recording.run().vibration.time_s
        assert recording.vibration_index().tolist() == list(range(48))
    assert np.all(np.diff(time_s) > 0)
    assert np.allclose(time_s[16:32], 0.0085 + np.arange(16) / 1600, atol=0.0015)


def test_samples_out_of_order_are_left_out_and_counted(tmp_path):
    with create(tmp_path / "order.h5", attributes()) as recorder:
        recorder.add_slow([0.0, 0.002, 0.002, 0.001, np.nan, 0.004], {"rpm": np.arange(6.0)})
        recorder.add_slow([0.003, 0.006], {"rpm": np.array([6.0, 7.0])})
        assert recorder.rejected == 4
    with open_recording(tmp_path / "order.h5") as recording:
        run = recording.run()
        assert run.slow.time_s.tolist() == [0.0, 0.002, 0.004, 0.006]
        assert run.slow.rpm.tolist() == [0.0, 1.0, 5.0, 7.0]
        assert recording.last_counters()["rows_out_of_order"] == 4
        assert recording.counts("rpm").tolist() == [NO_COUNT] * 4


def test_an_empty_run_reads_as_empty(tmp_path):
    create(tmp_path / "empty.h5", attributes()).close("aborted", "never armed")
    run = read_run(tmp_path / "empty.h5")
    assert len(run.slow.time_s) == len(run.tach.time_s) == len(run.vibration.time_s) == 0
    assert run.problems == () and run.duration_s() == 0


def test_never_overwrites(tmp_path, samples):
    path = record(tmp_path / "run.h5", samples)
    before = path.read_bytes()
    with pytest.raises(RecordingError, match="already exists; recordings are never overwritten"):
        create(path, attributes())
    with pytest.raises(RecordingError, match="already exists"):
        recover(path, path)
    assert path.read_bytes() == before


def test_a_failure_inside_the_run_is_its_exit_status(tmp_path):
    with pytest.raises(ZeroDivisionError), create(tmp_path / "failed.h5", attributes()) as recorder:
        recorder.add_slow([0.0], {"rpm": np.array([1.0])})
        _ = 1 / 0
    with open_recording(tmp_path / "failed.h5") as recording:
        assert recording.ending.exit_status == "failed" and "ZeroDivisionError" in recording.ending.reason
        assert len(recording.run().slow.time_s) == 1


def test_compaction_that_fails_leaves_the_recording_as_it_was(tmp_path, samples, monkeypatch):
    from whirlbench.recording import files

    def full(*_):
        raise OSError(28, "No space left on device")

    monkeypatch.setattr(files, "write_anew", full)
    with pytest.raises(RecordingError, match="No space left on device.*is unchanged"):
        record(tmp_path / "run.h5", samples)
    assert_same_run(read_run(tmp_path / "run.h5"), samples)
    assert os.listdir(tmp_path) == ["run.h5"]


def test_a_running_recording_can_be_read_beside_its_writer(tmp_path, samples):
    path = tmp_path / "live.h5"
    with create(path, attributes()) as recorder:
        feed(recorder, samples, until_s=4.0)
        recorder.flush()
        found = read_elsewhere(path)
    assert found.startswith("2000 3.998 ") and "not closed; it reads up to 3.99" in found


def read_elsewhere(path) -> str:
    """Rows, last time and problems of a recording, read by another process."""
    code = (
        "import sys; from whirlbench.recording.files import read_run; run = read_run(sys.argv[1]);"
        "print(len(run.slow.time_s), run.slow.time_s[-1], *run.problems)"
    )
    done = subprocess.run([sys.executable, "-c", code, str(path)], capture_output=True, text=True, check=True)
    return done.stdout.strip()


WRITER = """
    import sys, time
    sys.path.insert(0, sys.argv[2])
    from made_up_run import feed, attributes, made_up
    from whirlbench.recording.files import create
    recorder = create(sys.argv[1], attributes())
    print("recording", flush=True)
    samples = made_up(60.0)
    plain = recorder.add_slow
    began = time.monotonic()
    def paced(time_s, *rest):
        plain(time_s, *rest)
        print(time_s[-1], flush=True)
        time.sleep(max(0.0, time_s[-1] / 4 - (time.monotonic() - began)))
    recorder.add_slow = paced
    feed(recorder, samples)
"""


@pytest.mark.skipif(sys.platform == "win32", reason="SIGKILL is of POSIX systems")
@pytest.mark.parametrize("after_s", [0.9, 1.33])
def test_a_killed_recorder_leaves_all_but_the_last_second(tmp_path, after_s):
    path = tmp_path / "killed.h5"
    folder = os.path.dirname(__file__)
    writer = subprocess.Popen(
        [sys.executable, "-c", textwrap.dedent(WRITER), str(path), folder], stdout=subprocess.PIPE, text=True
    )
    assert writer.stdout.readline() == "recording\n"
    time.sleep(after_s)
    os.kill(writer.pid, signal.SIGKILL)
    reached_s = float(writer.communicate()[0].split()[-1])
    run = read_run(path)
    samples = made_up(60.0)
    rows = len(run.slow.time_s)
    assert rows and reached_s - run.slow.time_s[-1] < 1.0
    assert np.array_equal(run.slow.thrust_n, samples.values["thrust_n"][:rows])
    assert reached_s - run.vibration.time_s[-1] < 1.0
    assert run.problems == (f"the run was not closed; it reads up to {run.problems[0].split()[-2]} s",)
    with pytest.raises(OSError):
        h5py.File(path, "r")
    assert recover(path, tmp_path / "whole.h5") == run.problems
    with h5py.File(tmp_path / "whole.h5", "r") as file:
        assert np.array_equal(file["slow/thrust_n"][:], run.slow.thrust_n)
    recovered = read_run(tmp_path / "whole.h5")
    assert np.array_equal(recovered.vibration.ay_g, run.vibration.ay_g)
    assert recovered.problems == run.problems, "what was missing is still said after recovery"


def test_a_channel_of_one_number_throughout_reads_as_that_number_and_takes_no_memory() -> None:
    for values, same in (([0.0] * 9, True), ([np.nan] * 9, True), ([1.0, 2.0, 1.0], False), ([np.nan, 1.0], False)):
        read = without_repeats(np.array(values))
        np.testing.assert_array_equal(read, values)
        assert (read.strides == (0,)) == same
    assert len(without_repeats(np.empty(0))) == 0
