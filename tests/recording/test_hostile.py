"""Recordings and texts made to do harm: refused in one line or told by row; nothing is followed, nothing hangs."""

import os
import random
import resource
import subprocess
import sys
import time

import h5py
import numpy as np
import pytest
from made_up_run import attributes, made_up, record

from whirlbench.errors import BenchError, RecordingError, RigError, shown
from whirlbench.recording.csv_exchange import events_text, read_csv, read_events
from whirlbench.recording.files import create, open_recording, read_run, recover
from whirlbench.rig.toml import parse_rig, read_rig
from whirlbench.samples import Event

CHUNKED = {"chunks": (64,), "maxshape": (None,)}


@pytest.fixture
def good(tmp_path):
    return record(tmp_path / "run.h5", made_up(1.0))


@pytest.fixture(scope="module")
def good_bytes(tmp_path_factory):
    return record(tmp_path_factory.mktemp("good") / "run.h5", made_up(1.0)).read_bytes()


def refused(path, expected):
    with pytest.raises(RecordingError) as caught:
        read_run(path)
    assert expected in str(caught.value) and str(path) in str(caught.value) and "\n" not in str(caught.value)


@pytest.mark.parametrize("name", ["header/rig_toml", "slow/rpm", "integrity/blocks", "vibration"])
@pytest.mark.parametrize("kind", ["external", "soft"])
def test_links_are_not_followed(good, tmp_path, name, kind):
    other = record(tmp_path / "other.h5", made_up(0.2))
    with h5py.File(good, "r+") as file:
        del file[name]
        file[name] = h5py.ExternalLink(str(other), name) if kind == "external" else h5py.SoftLink("/slow/time_s")
    refused(good, "is a link into another file" if kind == "external" else "is a link to another place")


def test_external_storage_is_not_read(good, tmp_path):
    (tmp_path / "secret.txt").write_text("somebody else's text")
    with h5py.File(good, "r+") as file:
        del file["header/rig_toml"]
        file.create_dataset("header/rig_toml", (1,), "S20", external=[(str(tmp_path / "secret.txt"), 0, 20)])
    refused(good, "keeps its data in another file")


def test_views_of_other_data_are_not_read(good, tmp_path):
    other = record(tmp_path / "other.h5", made_up(1.0))
    layout = h5py.VirtualLayout((500,), "f8")
    layout[:] = h5py.VirtualSource(str(other), "slow/rpm", (500,))
    with h5py.File(good, "r+") as file:
        del file["slow/rpm"]
        file.create_virtual_dataset("slow/rpm", layout)
    refused(good, "a virtual dataset")


def test_a_claimed_length_allocates_nothing(good):
    with h5py.File(good, "r+") as file:
        for name in ("slow/rpm", "slow/time_s", "integrity/blocks", "events/rows"):
            file[name].resize((2**31 - 1,))
    run = read_run(good)
    assert len(run.slow.time_s) == 500 and run.problems


def test_a_bomb_of_packed_chunks_is_refused(good):
    with h5py.File(good, "r+") as file:
        del file["slow/rpm"]
        bomb = file.create_dataset("slow/rpm", (0,), "f8", chunks=(8192,), maxshape=(None,), compression="gzip")
        bomb.resize((8192 * 1600,))
        for first in range(0, len(bomb), 8192 * 100):
            bomb[first : first + 8192 * 100] = 0.0
    refused(good, "no recording packs so well")


def test_chunks_too_large_and_foreign_filters_are_refused(good):
    with h5py.File(good, "r+") as file:
        del file["slow/rpm"]
        file.create_dataset("slow/rpm", (500,), "f8", chunks=(1 << 20,), maxshape=(None,))
    refused(good, "has chunks above")


def test_an_emptied_table_of_checksums_is_told(good):
    with h5py.File(good, "r+") as file:
        file["integrity/blocks"].resize((0,))
    run = read_run(good)
    assert len(run.slow.time_s) == 500
    assert any("not in the table of checksums" in line for line in run.problems)


def test_a_forged_table_of_checksums_is_told(good, tmp_path):
    with h5py.File(good, "r+") as file:
        rows = file["integrity/blocks"][...]
        rows["first"] = 2**62
        file["integrity/blocks"][...] = rows
    assert any("table of checksums is damaged" in line for line in read_run(good).problems)
    assert recover(good, tmp_path / "whole.h5")


def test_time_that_runs_backward_or_is_no_time_is_told_by_row(good):
    with h5py.File(good, "r+") as file:
        del file["integrity/blocks"]
        file["slow/time_s"][100:103] = (0.01, np.nan, np.inf)
    run = read_run(good)
    assert len(run.slow.time_s) == 497 and np.all(np.diff(run.slow.time_s) > 0)
    line = "slow/time_s: rows 100 to 102 run backward or are not finite and are left out"
    assert line in run.problems


def test_a_run_of_years_is_refused(good):
    with h5py.File(good, "r+") as file:
        del file["integrity/blocks"]
        file["slow/time_s"][499] = 1e9
    refused(good, "no run lasts longer than")


@pytest.mark.parametrize("value", [0, -1, 10**7])
def test_impossible_pulses_per_turn_are_refused(good, value):
    with h5py.File(good, "r+") as file:
        file["tach"].attrs["pulses_per_rev"] = value
    refused(good, "tach pulses per revolution is")


@pytest.mark.skipif(not hasattr(os, "mkfifo"), reason="no named pipes here")
def test_pipes_devices_and_folders_do_not_hang(tmp_path):
    pipe = tmp_path / "pipe.h5"
    os.mkfifo(pipe)
    for path, what in ((pipe, "a named pipe"), (tmp_path, "a folder"), ("/dev/zero", "a device")):
        for read, kind in ((read_run, RecordingError), (read_csv, RecordingError), (read_rig, RigError)):
            with pytest.raises(kind, match=what):
                read(path)


def test_endless_text_is_refused_quickly(tmp_path):
    began = time.process_time()
    texts = {
        "blades = 0x" + "f" * 200_000: "digits",
        "a" + ".a" * 100_000 + " = 1": "TOML",
        "x = " + "[" * 50_000 + "]" * 50_000: "nested too deeply",
        "x = 1\0": "zero byte",
        "#" * 1_200_000: "expected at most",
    }
    for text, expected in texts.items():
        with pytest.raises(RigError, match=expected) as caught:
            parse_rig(text, "bad.toml")
        assert "\n" not in str(caught.value)
    (tmp_path / "bad.toml").write_bytes(b"#" * 1_200_000)
    with pytest.raises(RigError, match="larger than"):
        read_rig(tmp_path / "bad.toml")
    assert time.process_time() - began < 10.0


def test_a_byte_order_mark_is_no_fault(tmp_path):
    (tmp_path / "rig.toml").write_bytes(b"\xef\xbb\xbf[air]\r\ntemperature_c = 18.0\r\n")
    assert read_rig(tmp_path / "rig.toml")[0].air.temperature_c == 18.0


def test_what_does_not_print_is_shown_as_escapes():
    assert shown("a\x1b[2Jb\u202ec\u200f\n") == r"a\x1b[2Jb\u202ec\u200f\n"
    assert str(BenchError("key \x1b]0;x\x07")) == r"key \x1b]0;x\x07"


@pytest.mark.parametrize(
    "text", ["=1+1", "+1", "-1", "\u22121", "@x", "\tx", "\rx", "a\rb", "'=1", "''-1", "'plain", "\uff1d1", 'a,"b"\n']
)
def test_cells_that_look_like_formulas_go_out_harmless_and_come_back_as_they_were(tmp_path, text):
    path = tmp_path / "events.csv"
    events = (Event(1.5, "note", "note", text), Event(2.0, text, text, "x"))
    path.write_bytes(events_text(events).encode())
    assert read_events(path) == events
    assert not any(cell.lstrip('"')[:1] in "=+-@\u2212\uff1d" for cell in events_text(events).split(",")[4:] if cell)


def mutants(data, count, seed):
    rng = random.Random(seed)
    for _ in range(count):
        harmed = bytearray(data)
        kind = rng.randrange(3)
        if kind == 0:
            for _ in range(rng.choice((1, 4, 40))):
                harmed[rng.randrange(len(harmed))] ^= 1 << rng.randrange(8)
        elif kind == 1:
            del harmed[rng.randrange(len(harmed)) :]
        else:
            first = rng.randrange(len(harmed))
            harmed[first : first + 64] = rng.choice((b"\xff", b"\0", b"\x7f")) * len(harmed[first : first + 64])
        yield bytes(harmed)


def forge(path, rng):
    """Something that only a writer of HDF5 can do, with sound structure checksums."""
    with h5py.File(path, "r+") as file:
        name = rng.choice(["slow/time_s", "slow/rpm", "tach/time_s", "vibration/ax_g", "integrity/blocks"])
        act = rng.randrange(5)
        if act == 0:
            file[name].resize((rng.choice((0, 1, 10**6, 2**40)),))
        elif act == 1:
            del file[name]
            file[name] = rng.choice(([1, 2], b"text", h5py.Empty("f8"), np.zeros((3, 3))))
        elif act == 2:
            file["vibration"].attrs["rate_hz"] = rng.choice((np.nan, -1.0, 1e300, 0.0))
        elif act == 3:
            file.attrs[rng.choice(("format_version", "counted", "random_seed"))] = rng.choice(("x", -1, [1, 2]))
        else:
            del file["integrity/blocks"]
            file["slow/time_s"][rng.randrange(400)] = rng.choice((np.nan, np.inf, -1e9, 1e9))


def reads_truly(path):
    """Reads all there is; a RecordingError must be one line, an answer must have times that rise."""
    try:
        with open_recording(path) as recording:
            run = recording.run()
            recording.counters()
    except RecordingError as error:
        assert "\n" not in str(error) and str(path) in str(error)
        return
    for stream in (run.slow, run.tach, run.vibration):
        assert np.all(np.diff(stream.time_s) > 0)


@pytest.mark.parametrize("seed", range(2))
def test_mutants_give_one_line_or_a_true_answer(good_bytes, tmp_path, seed):
    path = tmp_path / "mutant.h5"
    rng = random.Random(seed)
    for harmed in mutants(good_bytes, 20, seed):
        path.write_bytes(harmed)
        reads_truly(path)
    for _ in range(20):
        path.write_bytes(good_bytes)
        forge(path, rng)
        reads_truly(path)
    assert resource.getrusage(resource.RUSAGE_SELF).ru_maxrss < 2_000_000


def test_the_verbs_never_show_a_traceback(good, tmp_path):
    with h5py.File(good, "r+") as file:
        del file["slow/rpm"]
        file["slow/rpm"] = h5py.ExternalLink("/nowhere", "x")
    for words in (("export", "--csv", str(tmp_path / "out")), ("recover", "-o", str(tmp_path / "new.h5"))):
        done = subprocess.run(
            [sys.executable, "-m", "whirlbench", words[0], str(good), *words[1:]], capture_output=True, text=True
        )
        assert done.returncode == 2 and "Traceback" not in done.stderr and done.stderr.count("\n") == 1


def test_a_filter_that_no_recording_uses_is_refused(good):
    with h5py.File(good, "r+") as file:
        del file["slow/rpm"]
        file.create_dataset("slow/rpm", data=np.ones(500), chunks=(64,), maxshape=(None,), compression="lzf")
    refused(good, "packed by a filter that no recording uses")


def test_a_packed_chunk_larger_than_its_rows_is_refused(good):
    with h5py.File(good, "r+") as file:
        del file["slow/rpm"]
        rows = file.create_dataset("slow/rpm", (500,), "f8", chunks=(512,), maxshape=(None,), compression="gzip")
        rows.id.write_direct_chunk((0,), bytes(100_000))
    refused(good, "has a chunk of 100000 bytes for 4096")


@pytest.mark.parametrize("value", [np.inf, -1e300])
def test_sizes_beyond_sense_are_gaps_and_told(good, value):
    with h5py.File(good, "r+") as file:
        del file["integrity/blocks"]
        file["slow/rpm"][50] = value
    run = read_run(good)
    assert np.isnan(run.slow.rpm[50]) and np.isfinite(run.slow.rpm[51])
    assert "slow/rpm: rows 50 to 50 are no numbers a stand can show and read as gaps" in run.problems


@pytest.mark.parametrize("first", [1, 2**62])
def test_a_table_whose_blocks_do_not_follow_each_other_is_told(good, first):
    with h5py.File(good, "r+") as file:
        rows = file["integrity/blocks"][...]
        rows["first"][rows["column"] == 1] = first
        file["integrity/blocks"][...] = rows
    assert any("part of the table of checksums is damaged" in line for line in read_run(good).problems)


def test_a_recorder_keeps_one_chunk_of_each_column(tmp_path):
    with create(tmp_path / "run.h5", attributes()) as recorder:
        assert recorder._file.id.get_access_plist().get_cache()[2] <= 65536
    with open_recording(tmp_path / "run.h5") as recording:
        assert recording._structure._file.id.get_access_plist().get_cache()[2] <= 65536
