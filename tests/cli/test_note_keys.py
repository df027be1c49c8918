"""Notes from the keyboard during a run: one key, one line, never a wait; the terminal is left as it was.

And what the terminal shows beside them: every reading with its error, every prolonged one marked.
"""

from __future__ import annotations

import io
import os
import pty
import termios
import time

import pytest
from rich.console import Console

from whirlbench.cli.note_keys import LONGEST_NOTE, Keyboard, NoteLine
from whirlbench.cli.spin_screen import _readings
from whirlbench.rig.description import Calibration, Pitch, Rig, Tach, Vibration


def test_a_note_tells_when_its_key_was_pressed_and_not_when_it_was_ended():
    line = NoteLine()

    assert line.feed("xn", 3.0) == () and line.text == ""
    assert line.feed("hum at n", 5.0) == ()
    assert "hum at n_" in line.shown
    assert line.feed("\r", 9.0) == ("hum at n (seen at 3.0 s)",)
    assert line.text is None and "n: a note" in line.shown and "Ctrl-C" in line.shown


@pytest.mark.parametrize("keys", ["n\r", "n  \n", "nhum\x1b\r", "hum\r", "nh\x7f\r"])
def test_what_is_empty_or_dropped_is_no_note(keys):
    assert NoteLine().feed(keys, 1.0) == ()


def test_keys_that_print_nothing_are_left_out_and_a_line_ends_somewhere():
    line = NoteLine()

    assert line.feed("na\x00\x07b\x7fc\r", 1.0) == ("ac (seen at 1.0 s)",)
    (long,) = line.feed("n" + "w" * 5000 + "\r", 1.0)
    assert long.count("w") == LONGEST_NOTE


@pytest.fixture
def terminal(monkeypatch):
    outer, inner = pty.openpty()
    monkeypatch.setattr(os, "tcgetpgrp", lambda fd: os.getpgrp())  # the foreground, without a session of its own
    with os.fdopen(inner, "r", encoding="utf-8") as stream:
        yield outer, stream
    os.close(outer)


def test_keys_come_as_pressed_never_waited_for_and_whole(terminal):
    outer, stream = terminal
    before = termios.tcgetattr(stream)
    with Keyboard(stream) as keyboard:
        begun = time.monotonic()
        assert keyboard.pressed() == ""
        assert time.monotonic() - begun < 1.0
        os.write(outer, "nö".encode()[:2])  # half a character
        assert keyboard.pressed() == "n"
        os.write(outer, "ö".encode()[1:])
        assert keyboard.pressed() == "ö"
        assert termios.tcgetattr(stream)[3] & termios.ISIG  # Ctrl-C stays a signal
        assert not termios.tcgetattr(stream)[3] & (termios.ECHO | termios.ICANON)
        with keyboard.given_back():
            assert termios.tcgetattr(stream) == before
        assert not termios.tcgetattr(stream)[3] & termios.ICANON
    assert termios.tcgetattr(stream) == before


def test_from_the_background_nothing_is_read_or_set(terminal, monkeypatch):
    outer, stream = terminal
    before = termios.tcgetattr(stream)
    monkeypatch.setattr(os, "tcgetpgrp", lambda fd: os.getpgrp() + 1)
    with Keyboard(stream) as keyboard:
        os.write(outer, b"n\n")
        assert keyboard.pressed() == ""
        assert termios.tcgetattr(stream) == before


def test_a_terminal_that_is_gone_is_silence(terminal, monkeypatch):
    outer, stream = terminal

    def gone(*_):
        raise OSError(5, "Input/output error")

    with Keyboard(stream) as keyboard:
        os.write(outer, b"n")
        monkeypatch.setattr(os, "read", gone)
        assert keyboard.pressed() == "" and keyboard.pressed() == ""


def test_who_was_put_into_the_background_reads_no_more(terminal, monkeypatch):
    outer, stream = terminal
    with Keyboard(stream) as keyboard:
        os.write(outer, b"n")
        monkeypatch.setattr(os, "tcgetpgrp", lambda fd: os.getpgrp() + 1)
        assert keyboard.pressed() == ""


# --- readings beside them ---------------------------------------------------------------------------------------------

CELL = Calibration(unit="N", units_per_count=0.1, stderr_zero=0.5, span=(0.0, 40.0))
RIG = Rig(
    calibration={"thrust_n": CELL, "current_a": Calibration(unit="A", units_per_count=0.1)},
    tach=Tach(stderr_pct=0.1), vibration=Vibration(stderr_pct=2.0),
    pitch=Pitch(table=((1000.0, -4.0), (2000.0, 26.0)), stderr_deg=0.2),
)  # fmt: skip


def shown(**values: float) -> str:
    console = Console(file=io.StringIO(), width=200)
    console.print(_readings(values, RIG))
    return " ".join(console.file.getvalue().split())  # type: ignore[attr-defined]


def test_every_reading_is_shown_with_its_error() -> None:
    line = shown(rpm=5000.0, current_a=20.0, thrust_n=30.0, pitch_deg=8.0, vibration_g_rms=1.0)
    assert line == "5000 ± 5 rpm 20.0 A 30.0 ± 0.5 N 8.0 ± 0.2 deg 1.00 ± 0.02 g rms"


def test_a_reading_beyond_its_calibration_is_marked() -> None:
    assert shown(thrust_n=50.0, pitch_deg=30.0) == "50.0 ± 0.5 N prolonged 30.0 ± 0.2 deg prolonged"
