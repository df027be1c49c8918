"""What is left of a supervised run after a fault: power cut, a file that any tool opens, and a true word about it.

One try each; `tests/benchmarks/session/evidence_faults.py` makes twenty of every fault, in every phase.
"""

import re
import signal
import time

import pytest
from fault_run import FaultRun, quick_rig_text

LOST_S = 1.0  # of evidence that a fault may cost


@pytest.fixture
def faulty(tmp_path):
    """Starts a run in a phase; whatever is left of it is killed at the end."""
    runs = []

    def starter(phase="turning", **options):
        run = FaultRun(tmp_path, quick_rig_text(), phase, **options)
        runs.append(run)
        run.begin()
        return run

    yield starter
    for run in runs:
        run.end()


def check(run, status, words, to_rest=True):
    """Exit status, one line of complaint, both openings of the file, how far it reaches, what was said of that."""
    assert run.status == status, run.printed + run.errors
    assert re.search(words, run.errors), run.errors
    assert len(run.errors.strip().splitlines()) == 1, run.errors
    found = run.recorded()
    assert found.last_s > found.fault_s - LOST_S, found
    too_little_s = 0.1 if to_rest else LOST_S  # of a flush that failed, some rows are there all the same
    assert -0.05 < found.end_s - run.saved_s() < too_little_s, (run.saved_s(), found)
    if to_rest:
        assert found.at_rest and found.end_s > found.fault_s, found


@pytest.mark.parametrize(
    ("target", "name", "phase", "status", "words"),
    [
        ("group", "TERM", "turning", 3, "aborted: operator abort$"),
        ("group", "HUP", "armed", 3, "aborted: operator abort$"),
        ("group", "INT", "coasting", 3, "aborted: operator abort$"),
        (
            "session",
            "KILL",
            "turning",
            1,
            "the session's process died; the device was heard again and recorded to rest",
        ),
        ("session", "STOP", "turning", 1, "failed: the session hung for 2 s and was ended; .* of it are missing"),
        ("recorder", "STOP", "turning", 3, "tripped: host rule; the recorder is .* s behind, more than 1 s$"),
        ("recorder", "KILL", "turning", 3, "tripped: host rule; .* died; another one goes on in .*run-continued.h5$"),
    ],
)
def test_a_signal_in_mid_run(faulty, target, name, phase, status, words):
    run = faulty(phase)
    assert run.await_phase()
    run.strike(target, getattr(signal, f"SIG{name}"))
    run.finish()
    check(run, status, words)


def test_a_cable_gone_and_back(faulty):
    run = faulty()
    assert run.await_phase()
    run.family = run.processes()
    run.note_time()
    run.tell_device("vanish")
    time.sleep(0.4)
    run.tell_device("return")
    run.finish()
    check(
        run,
        3,
        "link lost: .*port vanished.*the device was heard again and recorded to rest, .* s of it are missing$",
    )


def test_a_disk_that_fills_in_mid_run(faulty):
    run = faulty()
    assert run.await_phase()
    run.fill_disk()
    run.finish()
    check(run, 3, r"tripped: host rule; the recording failed: .*cannot be written any more \(file too large\)$", False)


def test_a_disk_that_is_full_before_the_file_is_begun(faulty):
    run = faulty()
    run.fill_disk_at_once(20_000)
    assert not run.await_phase()
    run.finish()
    assert run.status == 2 and len(run.errors.strip().splitlines()) == 1, run.errors
    assert re.search("refused: .*cannot be written", run.errors), run.errors


@pytest.mark.parametrize("place", ["/sys/run.h5", "/proc/run.h5"])
def test_a_place_where_nothing_can_be_written(faulty, place):
    run = faulty(output=place)
    assert not run.await_phase()
    run.finish()
    assert run.status == 2
    assert re.search(rf"refused: {place}: cannot be written \(.+\)$", run.errors), run.errors
