"""Damage anywhere in a recording: what is whole is read, what is missing is said, nothing wrong is ever returned."""

import random
import struct

import h5py
import numpy as np
import pytest
from made_up_run import made_up, record

from whirlbench.errors import RecordingError
from whirlbench.recording.files import open_recording, read_run, recover
from whirlbench.recording.layout import NO_COUNT
from whirlbench.recording.mending import SUPERBLOCK_BYTES, lookup3


def flip_bits(data, rng):
    for _ in range(rng.choice((1, 1, 3, 30))):
        data[rng.randrange(len(data))] ^= 1 << rng.randrange(8)


def flip_structure(data, rng):
    data[rng.randrange(40_000)] ^= 1 << rng.randrange(8)


def cut(data, rng):
    del data[rng.randrange(len(data)) :]


def cut_early(data, rng):
    del data[rng.randrange(80_000) :]


def lose_page(data, rng):
    first, size = rng.randrange(len(data)), rng.choice((1, 512, 4096, 20_000))
    data[first : first + size] = bytes(len(data[first : first + size]))


def scribble(data, rng):
    first, size = rng.randrange(len(data)), rng.choice((1, 64, 512, 4096))
    data[first : first + size] = rng.randbytes(len(data[first : first + size]))


def invert(data, rng):
    first, size = rng.randrange(len(data)), rng.choice((1, 2, 64, 512))
    data[first : first + size] = bytes(byte ^ 0xFF for byte in data[first : first + size])


def everything(path):
    """(run, counts by name, attributes, counters, problems) of a recording."""
    with open_recording(path) as recording:
        run = recording.run()
        counts = {name: recording.counts(name) for name in ("thrust_n", "az_g")}
        return run, counts, recording.attributes, recording.counters(), recording.problems


def places_in(part_s, whole_s):
    """Where the times ``part_s`` stand in ``whole_s``; they must all be there."""
    found = np.searchsorted(whole_s, part_s)
    assert len(part_s) == 0 or (found.max() < len(whole_s) and np.array_equal(whole_s[found], part_s)), "a wrong time"
    return found


def assert_nothing_wrong(path, whole):
    """Every value is the original one or a gap, and a gap is told; returns whether all was there."""
    run, counts, attributes, counters, problems = everything(path)
    whole_run, whole_counts, whole_attributes, whole_counters, _ = whole
    complete = (
        attributes == whole_attributes and run.events == whole_run.events and len(counters) == len(whole_counters)
    )
    assert all(event in whole_run.events for event in run.events)
    for stream in ("slow", "tach", "vibration"):
        part, original = getattr(run, stream), getattr(whole_run, stream)
        places = places_in(part.time_s, original.time_s)
        complete &= len(places) == len(original.time_s)
        for name in (item for item in vars(part) if item.endswith(("_g", "_n", "_a", "_v", "_us", "_deg", "rpm"))):
            found, expected = getattr(part, name), getattr(original, name)[places]
            assert np.all((found == expected) | np.isnan(found)), f"{stream}.{name} is wrong"
            complete &= np.array_equal(found, expected, equal_nan=True)
        name = {"slow": "thrust_n", "vibration": "az_g"}.get(stream)
        if name:
            assert np.all((counts[name] == whole_counts[name][places]) | (counts[name] == NO_COUNT)), (
                f"counts of {name}"
            )
    assert complete or problems, "something is missing and nobody says so"
    assert not any("\n" in line for line in problems)
    return complete


@pytest.fixture(scope="module", params=["compacted", "as written"])
def whole(request, tmp_path_factory):
    """(bytes of a whole recording, everything in it)."""
    path = record(tmp_path_factory.mktemp("whole") / "run.h5", made_up(3.0), compact=request.param == "compacted")
    return path.read_bytes(), everything(path)


@pytest.mark.parametrize("harm", [flip_bits, flip_structure, cut, cut_early, lose_page, scribble, invert])
def test_harm_anywhere_never_gives_wrong_data(whole, harm, tmp_path):
    data, expected = whole
    rng = random.Random(f"{harm.__name__} {len(data)}")
    outcomes = {"complete": 0, "partial": 0, "unreadable": 0}
    for _ in range(16):  # the long form is tests/benchmarks/recording/hostile_campaign.py
        harmed = bytearray(data)
        harm(harmed, rng)
        path = tmp_path / "harmed.h5"
        path.write_bytes(harmed)
        try:
            outcomes["complete" if assert_nothing_wrong(path, expected) else "partial"] += 1
        except RecordingError as error:
            assert str(path) in str(error) and "\n" not in str(error)
            outcomes["unreadable"] += 1
    if harm is not cut_early:
        assert outcomes["unreadable"] <= 4, outcomes


@pytest.mark.parametrize("harm", [flip_bits, cut, lose_page])
def test_slices_of_harmed_recordings_are_right_too(whole, harm, tmp_path):
    data, expected = whole
    rng = random.Random(f"slices {harm.__name__}")
    path = tmp_path / "harmed.h5"
    for _ in range(8):
        harmed = bytearray(data)
        harm(harmed, rng)
        path.write_bytes(harmed)
        try:
            with open_recording(path) as recording:
                part = recording.slice(0.7, 1.9)
        except RecordingError:
            continue
        original = expected[0].between(0.7, 1.9)
        places = places_in(part.slow.time_s, original.slow.time_s)
        assert np.all((part.slow.rpm == original.slow.rpm[places]) | np.isnan(part.slow.rpm))
        assert part.problems or np.array_equal(part.slow.rpm, original.slow.rpm)


def test_a_damaged_chunk_costs_only_its_own_rows(tmp_path):
    path = record(tmp_path / "run.h5", made_up(3.0), compact=False)
    with h5py.File(path, "r") as file:
        chunk = file["slow/current_a"].id.get_chunk_info(1)
    harmed = bytearray(path.read_bytes())
    harmed[chunk.byte_offset + 100] ^= 1
    path.write_bytes(harmed)
    run = read_run(path)
    assert run.problems == ("slow/current_a: rows 512 to 1023 are damaged or missing and read as gaps",)
    gaps = np.flatnonzero(np.isnan(run.slow.current_a))
    assert set(gaps) - {7} == set(range(512, 1024))
    assert not np.isnan(run.slow.rpm).any()


def test_recovery_of_a_harmed_file_keeps_what_is_whole_and_says_what_is_not(tmp_path):
    path = record(tmp_path / "run.h5", made_up(3.0))
    data = path.read_bytes()
    path.write_bytes(data[: len(data) * 6 // 10])
    broken = read_run(path)
    problems = recover(path, tmp_path / "whole.h5")
    recovered = read_run(tmp_path / "whole.h5")
    assert problems and set(problems) >= set(broken.problems)
    assert np.array_equal(recovered.slow.time_s, broken.slow.time_s)
    assert np.array_equal(recovered.slow.rpm, broken.slow.rpm, equal_nan=True)
    with open_recording(tmp_path / "whole.h5") as recording:
        assert np.all(recording.counts("az_g") == NO_COUNT)
        assert recording.problems == problems


@pytest.mark.parametrize("position", range(8, SUPERBLOCK_BYTES))
def test_the_superblock_mends(position, tmp_path, samples):
    path = record(tmp_path / "run.h5", made_up(0.1))
    harmed = bytearray(path.read_bytes())
    harmed[position] ^= 0x5A
    path.write_bytes(harmed)
    assert len(read_run(path).slow.time_s) == 50


def test_the_checksum_of_the_superblock_is_the_librarys(recording_path):
    head = recording_path.read_bytes()[:SUPERBLOCK_BYTES]
    assert head[8] == 3, "only superblock 3 has a checksum over all structure"
    assert struct.unpack("<I", head[-4:])[0] == lookup3(head[:-4])
    # published self-test of lookup3 (Jenkins, driver5), expected values from memory
    assert lookup3(b"Four score and seven years ago") == 0x17770551
    assert lookup3(b"") == 0xDEADBEEF


@pytest.mark.parametrize(
    ("content", "expected"),
    [
        (b"", "is empty"),
        (b"t_s,rpm\n0,1\n", "is not a recording (no HDF5 signature); `whirlbench import`"),
        (b"\x89HDF\r\n\x1a\n", "structure of the file is damaged"),
        (b"\x89HDF\r\n\x1a\n" + bytes(5000), "damaged"),
    ],
)
def test_what_is_no_recording_is_one_clear_line(tmp_path, content, expected):
    path = tmp_path / "strange.h5"
    path.write_bytes(content)
    with pytest.raises(RecordingError) as caught:
        read_run(path)
    assert expected in str(caught.value) and str(path) in str(caught.value) and "\n" not in str(caught.value)


def test_absent_files_and_folders_are_one_clear_line(tmp_path):
    for path in (tmp_path / "absent.h5", tmp_path):
        with pytest.raises(RecordingError, match="cannot be read"):
            read_run(path)


def test_a_foreign_hdf5_file_is_refused(tmp_path):
    with h5py.File(tmp_path / "foreign.h5", "w") as file:
        file["x"] = np.arange(3)
    with pytest.raises(RecordingError, match="is an HDF5 file, but not a whirlbench recording"):
        read_run(tmp_path / "foreign.h5")


def test_a_later_format_version_is_refused_by_name(tmp_path):
    path = record(tmp_path / "run.h5", made_up(0.1))
    with h5py.File(path, "r+") as file:
        file.attrs["format_version"] = 2
    with pytest.raises(RecordingError, match="recording format version 2, this program reads up to version 1"):
        read_run(path)
