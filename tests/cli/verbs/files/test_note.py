"""The verb `note`: kept in the recording at its moment, beside everything else, which stays as it was."""

from __future__ import annotations

import shutil
from pathlib import Path

import numpy as np
import pytest

from whirlbench.cli.main import BAD_INPUT, DONE, run
from whirlbench.cli.verbs.files.note import LONGEST_NOTE
from whirlbench.log import run_use
from whirlbench.recording.files import create, open_recording, read_run
from whirlbench.rig.toml import parse_rig

CRACK = Path(__file__).resolve().parents[4] / "recordings" / "root_crack.h5"


@pytest.fixture
def recording(tmp_path):
    return Path(shutil.copy(CRACK, tmp_path / "run.h5"))


def notes(path):
    with open_recording(path) as opened:
        return opened.notes(), opened.problems


def test_a_note_stands_at_its_moment_and_nothing_else_changes(recording):
    before = read_run(recording)
    assert run(["note", str(recording), "smell of resin", "--at", "3.5", "--by", "A. Tester"]) == DONE
    ((time_s, text), *rest), problems = notes(recording)
    after = read_run(recording)

    assert (time_s, rest, problems) == (3.5, [], ())
    assert text.startswith("A. Tester: smell of resin (noted 20")
    assert [event for event in after.events if event.kind != "note"] == list(before.events)
    np.testing.assert_array_equal(after.slow.rpm, before.slow.rpm)
    np.testing.assert_array_equal(after.vibration.ax_g, before.vibration.ax_g)
    assert list(recording.parent.iterdir()) == [recording]


def test_long_and_several_notes_are_kept_whole_and_the_run_stays_the_same_run_for_the_log(recording):
    long = "crack seen at blade two, " * 60
    for text in (long, "second"):
        assert run(["note", str(recording), text]) == DONE
    found, problems = notes(recording)

    assert found[0][1].startswith(long.strip()[:1400]) and found[1][1].startswith("second") and problems == ()
    uses = []
    for path in (recording, CRACK):
        with open_recording(path) as opened:
            uses.append(run_use(opened, parse_rig(opened.attributes.rig_text), None))
    assert uses[0].sha256 == uses[1].sha256


@pytest.mark.parametrize(
    ("options", "words"),
    [
        (("", "--at", "3"), "a note has 1 to 2000 characters"),
        (("x" * (LONGEST_NOTE + 1),), "a note has 1 to 2000 characters"),
        (("late", "--at", "1e5"), "is not within the run"),
        (("never", "--at", "nan"), "not a number"),
    ],
)
def test_a_note_that_has_no_place_is_refused_and_the_recording_kept(recording, capsys, options, words):
    before = recording.read_bytes()

    assert run(["note", str(recording), *options]) == BAD_INPUT
    assert words in capsys.readouterr().err
    assert recording.read_bytes() == before


def test_a_recording_that_is_being_written_takes_its_notes_from_its_own_session(tmp_path, capsys):
    path = tmp_path / "run.h5"
    with open_recording(CRACK) as crack, create(path, crack.attributes) as writer:
        writer.add_slow(np.arange(10) / 100.0, {"rpm": np.zeros(10)})
        writer.flush()
        assert run(["note", str(path), "now"]) == BAD_INPUT
    assert "was never closed" in capsys.readouterr().err
    assert notes(path)[0] == ()
