"""The command itself: help, one line for every bad input, exit status."""

from __future__ import annotations

import subprocess
import sys
from pathlib import Path
from types import SimpleNamespace

import pytest

from whirlbench.cli import working as working_module
from whirlbench.cli.main import BAD_INPUT, DONE, INTERNAL_ERROR, VERBS, run
from whirlbench.cli.output import one_line
from whirlbench.cli.working import working
from whirlbench.rig.toml import example_rig_text


def refused(capsys, *arguments: object) -> str:
    """The one line on stderr of a command line that is bad input."""
    assert run([str(argument) for argument in arguments]) == BAD_INPUT
    told = capsys.readouterr()
    assert told.out == "" and told.err.count("\n") == 1
    assert told.err.startswith("whirlbench: ") and "Traceback" not in told.err
    return told.err


@pytest.mark.parametrize("verb", VERBS)
def test_every_verb_explains_itself(capsys, verb: str) -> None:
    assert run([verb, "--help"]) == DONE
    assert f"Usage: whirlbench {verb}" in capsys.readouterr().out


def test_what_may_be_given_several_times_is(tmp_path, capsys) -> None:
    told = refused(capsys, "trips", tmp_path / "a.h5", "--rig", tmp_path / "b", "--healthy", "c", "--healthy", "d")
    assert "times" not in told


def test_no_verb_gives_the_overview_with_its_caution(capsys) -> None:
    assert run([]) == DONE
    told = capsys.readouterr().out
    assert "Stay out of the plane of rotation" in told and all(verb in told for verb in VERBS)


@pytest.mark.parametrize(
    ("arguments", "complaint"),
    [
        (["spin_up"], "No such command 'spin_up' (`whirlbench --help` tells more)"),
        (["check", "rig.toml", "--vary", "a=1:2", "--vary", "b=1:2"], "--vary is given 2 times: it is taken once"),
        (["report", "a.h5", "-o", "b.html", "--output", "c.html"], "-o is given 2 times"),
        (["import"], "Missing argument 'SLOW.csv' (`whirlbench import --help` tells more)"),
        (["trips", "run.h5"], "Missing option '--rig'"),
        (["export", "run.h5", "--colour"], "No such option '--colour'"),
        (["check", "rig.toml", "--speed-rpm", "nan"], "'--speed-rpm': 'nan' is not a number"),
        (["check", "rig.toml", "--speed-rpm", "inf"], "'--speed-rpm': inf is not in the range"),
        (["check", "rig.toml", "--report", "nowhere/page.html"], "nowhere/page.html: cannot be written"),
        (["check", "small.toml"], "small.toml: rig key propeller.diameter_m is missing"),
        (["check", "hostile.toml"], r"hostile.toml: unknown key limits.over\nspeed\x1b[31m; the nearest known"),
        (["spin", "--rig", "small.toml", "--plan", "plan.toml", "--port", "simulated"], "small.toml: "),
        (["limits", "run.h5", "--rig", "rig.toml", "--at-rpm", "nan"], "found 'nan', expected speeds above 0"),
        (["balance", "a.h5", "b.h5", "--trial-mass-g", "nan"], "'--trial-mass-g': 'nan' is not a number"),
        (["window", "--port", "simulated", "-o", "nowhere/run.h5"], "there is no folder nowhere"),
        (["window", "--port", "simulated", "-o", "rig.toml"], "rig.toml: already exists"),
        (["window", "run.h5"], "run.h5: cannot be read (No such file or directory)"),
    ],
)
def test_bad_input_is_one_line_that_names_it(tmp_path, monkeypatch, capsys, arguments, complaint) -> None:
    monkeypatch.chdir(tmp_path)
    Path("rig.toml").write_text(example_rig_text())
    Path("small.toml").write_text("[limits]\ncurrent_a = 50\noverspeed_rpm = 6000\n")
    Path("hostile.toml").write_text('[limits]\n"over\\nspeed\\u001b[31m" = 1\n')
    Path("plan.toml").write_text('[[step]]\nkind = "coast-down"\n')
    if arguments[0] == "window":
        monkeypatch.setattr("whirlbench.window.app.require_qt", lambda: None)
        monkeypatch.setattr("whirlbench.window.app.run_window", lambda prepare: prepare(SimpleNamespace()))
    assert complaint in refused(capsys, *arguments)


def test_a_file_that_cannot_be_written_is_bad_input_wherever_it_turns_up(monkeypatch, capsys) -> None:
    def fail(*_: object, **__: object) -> None:
        raise PermissionError(13, "Permission denied", "results/page.html")

    monkeypatch.setattr("whirlbench.link.port.list_ports", fail)
    assert "results/page.html: cannot be read or written (Permission denied)" in refused(capsys, "ports")


def test_a_fault_of_ours_is_told_as_one(monkeypatch, capsys) -> None:
    monkeypatch.setattr("whirlbench.link.port.list_ports", lambda: 1 / 0)
    assert run(["ports"]) == INTERNAL_ERROR
    told = capsys.readouterr().err
    assert "ZeroDivisionError" in told and told.endswith("please report it with the command line\n")


def test_the_module_is_the_command(tmp_path) -> None:
    """By ``python -m``; a run that spins is started so in ``tests/system/test_spin.py``."""
    arguments = ["spin", "--rig", "absent.toml", "--plan", "plan.toml", "--port", "simulated", "--yes"]
    command = [sys.executable, "-m", "whirlbench", *arguments]
    done = subprocess.run(command, cwd=tmp_path, capture_output=True, text=True, timeout=60, check=False)
    assert (done.returncode, done.stdout, done.stderr.count("\n")) == (BAD_INPUT, "", 1)
    assert done.stderr.startswith("whirlbench: absent.toml: ")


def test_a_line_is_one_printable_line() -> None:
    assert one_line("two\n lines\t here") == "two lines here"
    assert one_line("bell\x07 and \x1b[31mred") == r"bell\x07 and \x1b[31mred"
    assert len(one_line("x" * 100_000)) < 520


def test_a_pipe_gets_a_line_for_each_slow_stage_and_none_for_quick_work(capsys: pytest.CaptureFixture[str]) -> None:
    times = iter([100.0, 100.0, 101.9, 102.1, 103.0, 104.2])
    with working(False, lambda: next(times)) as told:
        for title in ("reading", "head", "course", "charts", "drawing the page"):
            told(title)
    found = capsys.readouterr()
    assert found.err.splitlines() == ["2 s: course ...", "4 s: drawing the page ..."] and not found.out


def test_beside_json_nothing_is_told(capsys: pytest.CaptureFixture[str]) -> None:
    times = iter([0.0, 10.0, 20.0])
    with working(True, lambda: next(times)) as told:
        told("reading")
    assert capsys.readouterr() == ("", "")


def test_a_hurried_run_says_in_a_pipe_which_step_it_is_at(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    """Its events come with the recording only, at the end; minutes of silence would look like a program that hangs."""
    monkeypatch.setattr(working_module, "LINE_EVERY_S", 0.0)
    monkeypatch.chdir(tmp_path)
    hold = '[[step]]\nkind = "hold"\nthrottle_us = 1150\npitch_deg = 8\nduration_s = 0.2\n'
    Path("plan.toml").write_text(hold + hold.replace("1150", "1160"))
    Path("rig.toml").write_text(example_rig_text())
    words = "spin --rig rig.toml --plan plan.toml --port simulated --speed 1000 --yes --log sets.sqlite -o run.h5"
    assert run([*words.split(), "--operator", "A. Tester"]) == DONE
    lines = [line for line in capsys.readouterr().err.splitlines() if "of the run" in line]
    assert [line.split("step")[1] for line in lines[:2]] == [" 1 of 2 ...", " 2 of 2 ..."]
