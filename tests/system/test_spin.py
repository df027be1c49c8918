"""The verb `spin` from outside: what it prints, what it refuses, how it ends."""

import os
import pty
import re
import select
import signal
import subprocess
import sys
import time

import pytest

from whirlbench.recording.files import open_recording, read_run

SHORT_PLAN = """
[[step]]
kind = "hold"
throttle_us = 1160
pitch_deg = 8
duration_s = 0.3
[[step]]
kind = "coast-down"
"""


def command(folder, *more):
    """The command line of a run on the simulated stand, by the module: its processes import ``__main__`` again."""
    parts = [sys.executable, "-m", "whirlbench", "spin", "--rig", folder / "rig.toml", "--plan", folder / "plan.toml"]
    parts += ["--port", "simulated", "--random-seed", 1, *more]
    parts += [] if "-o" in more else ["-o", folder / "run.h5"]
    return [str(part) for part in parts]


def spin(folder, *more):
    return subprocess.run(command(folder, *more), capture_output=True, text=True, timeout=100, stdin=subprocess.DEVNULL)


def test_a_short_run(files):
    (files / "plan.toml").write_text(SHORT_PLAN)
    done = spin(files, "--yes")
    assert done.returncode == 0, done.stderr
    assert "taken as confirmed] Nobody is in the plane of rotation" in done.stdout
    assert "step 1 start (hold " in done.stdout
    with open_recording(files / "run.h5") as recording:
        assert recording.attributes.random_seed == 1
        assert recording.attributes.plan_text == SHORT_PLAN
        assert recording.attributes.firmware["board"] == "simulated_stand"
        assert recording.ending.exit_status == "done"
        assert recording.attributes.clearance.startswith("blade set moulded: permitted 6148 rpm")
        answers = [event for event in recording.events() if event.name == "check-list"]
    assert len(answers) == done.stdout.count("taken as confirmed") and "run of moulded" in done.stdout


def test_ctrl_c_cuts_the_power_and_records_the_coast_down(files):
    process = subprocess.Popen(command(files, "--yes"), stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True)
    while "turning" not in process.stdout.readline():
        assert process.poll() is None
    time.sleep(1.0)
    process.send_signal(signal.SIGINT)
    _, errors = process.communicate(timeout=60)
    assert process.returncode == 3
    assert "aborted: operator abort" in errors
    run = read_run(files / "run.h5")
    (abort,) = [event for event in run.events if event.kind == "abort"]
    after = run.slow.between(abort.time_s, 1e9)
    assert after.rpm[0] > 100 and after.rpm[-1] == 0


def test_a_trip_ends_with_status_3(files):
    rig = (files / "rig.toml").read_text()
    (files / "rig.toml").write_text(re.sub(r"thrust_n = \d+\.\d+", "thrust_n = 0.4", rig, count=1))
    done = spin(files, "--yes")
    assert done.returncode == 3
    assert "tripped: host rule; thrust " in done.stderr
    again = spin(files, "--yes", "-o", files / "again.h5")  # the log has the trip: somebody must look first
    assert again.returncode == 2 and not (files / "again.h5").exists()
    assert "inspection due: the run of" in again.stderr and "tripped (host rule)" in again.stderr


def test_without_a_terminal_the_check_list_needs_yes(files):
    done = spin(files)
    assert done.returncode == 2
    assert done.stderr.strip().splitlines()[-1].startswith("whirlbench: the check-list needs someone at a terminal")
    assert not (files / "run.h5").exists()


def test_an_existing_recording_is_never_overwritten(files):
    (files / "run.h5").write_text("precious")
    done = spin(files, "--yes")
    assert done.returncode == 2
    assert "run.h5: already exists" in done.stderr
    assert (files / "run.h5").read_text() == "precious"


@pytest.mark.parametrize(
    ("plan", "words"),
    [
        ('[[step]]\nkind = "hold"\nthrottle_us = 1160', "plan.toml: step 1 key duration_s is missing"),
        ('[[step]]\nkind = "hold"\nservo_us = 2400\nduration_s = 1', "plan.toml: step 1 (hold): servo pulse 2400 us"),
    ],
)
def test_a_bad_plan_is_one_line_that_names_file_step_and_key(files, plan, words):
    (files / "plan.toml").write_text(plan)
    done = spin(files, "--yes")
    assert done.returncode == 2
    assert words in done.stderr
    assert len(done.stderr.strip().splitlines()) == 1


def test_on_a_terminal_the_check_list_is_asked_and_no_means_no(files):
    terminal, inner = pty.openpty()
    process = subprocess.Popen(command(files), stdin=inner, stdout=inner, stderr=inner, text=True)
    os.close(inner)
    output = answer(terminal, process, ["A. Tester\n", "y\n", "y\n", "y\n", "y\n", "n\n"])
    os.close(terminal)
    assert process.wait(20) == 2
    assert "Isolator within reach of my hand" in output
    assert "nothing was armed" in output
    assert not (files / "run.h5").exists()


def answer(terminal, process, lines):
    """Gives one line after each question; returns everything that was printed."""
    output, waiting = "", list(lines)
    deadline_s = time.monotonic() + 90  # the end of the program comes first
    while time.monotonic() < deadline_s:
        if select.select([terminal], [], [], 0.1)[0]:
            try:
                output += os.read(terminal, 4096).decode()
            except OSError:  # the other end is closed
                break
        questions = output.count("[y/N]") + output.count("recording and the log:")
        if waiting and questions > len(lines) - len(waiting):
            os.write(terminal, waiting.pop(0).encode())
    return output


def test_on_a_terminal_readings_are_drawn_notes_are_typed_and_ctrl_c_still_cuts(files):
    terminal, inner = pty.openpty()
    environment = {**os.environ, "TERM": "xterm-256color", "COLUMNS": "120", "LINES": "40"}
    process = subprocess.Popen(
        command(files, "--yes"), env=environment,
        preexec_fn=lambda: os.login_tty(inner),
    )  # fmt: skip
    os.close(inner)
    output = typed(terminal, {"stand turning": "nhum at idle\r", "hum at idle (seen at": "nsecond\x03"})
    os.close(terminal)
    assert process.wait(20) == 3
    assert re.search(r"stand .*turning", output)
    assert re.search(r"overspeed .*%.*/ 6000 rpm", output)
    assert "n: a note on this moment (Ctrl-C cuts the power)" in output
    run = read_run(files / "run.h5")
    assert [event.kind for event in run.events if event.kind in ("abort", "trip")] == ["abort"]
    (note,) = [event.detail for event in run.events if event.kind == "note" and "hum at idle" in event.detail]
    assert re.search(r"hum at idle \(seen at \d+\.\d s\)", note)


def typed(terminal, keys):
    """Types each of ``keys`` once its words were printed, in order; returns everything that was printed."""
    output, waiting = "", list(keys.items())
    deadline_s = time.monotonic() + 90
    while time.monotonic() < deadline_s:
        if select.select([terminal], [], [], 0.1)[0]:
            try:
                output += os.read(terminal, 4096).decode("utf-8", "replace")
            except OSError:
                break
        if waiting and waiting[0][0] in output:
            os.write(terminal, waiting.pop(0)[1].encode())
    return output


def test_a_request_to_end_cuts_the_power_and_leaves_no_complaint_about_memory(files):
    process = subprocess.Popen(command(files, "--yes"), stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True)
    while "turning" not in process.stdout.readline():
        assert process.poll() is None
    process.send_signal(signal.SIGTERM)
    _, errors = process.communicate(timeout=60)
    assert process.returncode == 3
    assert errors.strip().splitlines() == ["whirlbench: aborted: operator abort"]  # no warning of leaked memory
    run = read_run(files / "run.h5")
    assert [event.kind for event in run.events if event.kind == "abort"] and run.slow.rpm[-1] == 0
