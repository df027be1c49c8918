"""The day at the stand by the commands alone: calibrate, travel, trial of the trips, spins, trip, reset, log, retire.

As a program it does the whole day on the simulated stand, or on the compiled sketch of a simulated board behind a
serial port, where somebody at the terminal answers the questions and does at the stand what they ask for:

    python tests/system/day/stand_day.py FOLDER
    python tests/system/day/stand_day.py FOLDER --sketch atmega2560

``--unattended`` leaves out travel and trial, which take minutes at a board that runs in real time. With ``--in-step``
host and recorder live in the chip's own time: for a computer that simulates the chip more slowly than it would run.
"""

from __future__ import annotations

import argparse
import contextlib
import io
import os
import re
import struct
import sys
import time
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parents[2] / "rig"))
from patient_rig import patient_rig_text

from whirlbench.cli.main import BAD_INPUT, DONE, TRIPPED, run
from whirlbench.results.stand import PUT_BACK, SEEN_CUT, WORDS, armed_now
from whirlbench.session.still.trips_on_trial import PROVOCATIONS

FIRMWARE = Path(__file__).parents[2] / "firmware"
CHIP_CLOCK, CLOCK = Path(__file__).parent / "chip_clock", "STAND_DAY_CLOCK"
SIMULATED, LET_GO = "simulated", "let go"
WITHIN = ("--start-us", "1040", "--within-us", "900", "1100")  # one end lies in there; a whole travel takes minutes
AT_ONCE = {armed_now(one.ask): one.hand for one in PROVOCATIONS if one.ask}  # what a verb says: the deed it wants
AT_ONCE |= {"Now move a card to and fro": "card", "Stop: take the card away": LET_GO}
ANSWERS = {  # end of a question: what is typed
    WORDS: WORDS,
    "nobody near the propeller?": "y",
    "Enter when ready": "",
    PUT_BACK: "",
    SEEN_CUT: "yes",
}
COUNTS = [(value, 84000 + 8000 * value) for value in (0, 20, 40, 60, 80, 60, 40, 20, 0)]  # masses up and down
HOLD = '[[step]]\nkind = "hold"\nthrottle_us = {us}\npitch_deg = 8\nduration_s = {s}\n'
STAGED = (
    HOLD.format(us=1160, s=1)
    + '[[step]]\nkind = "inspect"\nnote = "roots: white marks, cracks, looseness"\n'
    + HOLD.format(us=1190, s=1)
    + '[[step]]\nkind = "coast-down"\n'
)
TRIPPING = "[limits]\noverspeed_rpm = 450\n" + HOLD.format(us=1250, s=5)  # narrower than the rig's: it must trip


@dataclass(frozen=True)
class Step:
    """One command of the day: what it must end with and what it must say."""

    name: str
    words: tuple[str, ...]
    status: int = DONE
    says: str = ""


def steps(folder: Path, port: str, hands: bool) -> Iterator[Step]:
    """The day from its beginning. ``hands``: with the steps that need somebody at the stand."""
    rig, log = str(folder / "rig.toml"), ("--log", str(folder / "sets.sqlite"))
    stand = ("--rig", rig, "--port", port)
    seed = ("--random-seed", "4") if port == SIMULATED else ()
    quick = (*seed, "--speed", "1000") if port == SIMULATED else ()
    asked = (*seed, "--yes") if port == SIMULATED else ()  # else somebody answers
    kept = (*log, *(("--simulated",) if port == SIMULATED else ()))

    def spin(plan: str, name: str, *more: str) -> tuple[str, ...]:
        words = ("spin", *stand, *quick, *log, "--plan", str(folder / plan), "-o", str(folder / name), "--yes")
        return (*words, "--operator", "A. Tester", *more)

    yield Step("check", ("check", rig, "--plan-out", str(folder / "proof.toml")), says="fit for")
    points = ("--points", str(folder / "thrust.csv"), "--rig-out", rig, "--date", "2026-05-01")
    yield Step("calibrate", ("calibrate", "thrust_n", "--rig", rig, *points), says="counts")
    if hands:
        ends = ("--rig-out", str(folder / "ends.toml"))  # not the rig's own: the half that was searched bars all plans
        yield Step("travel", ("travel", *stand, *asked, *WITHIN, *ends), says="held under the governor")
        trial = ("trial", *stand, *asked, *log, "--operator", "A. Tester", "-o", str(folder / "trial.h5"))
        yield Step("trial of the trips", trial, says="the motor stood still")
    dry = ("spin", "--rig", rig, "--plan", str(folder / "proof.toml"), "--dry-run")
    yield Step("dry run of the proof", dry, says="none would exceed a limit as expected")
    yield Step("staged spin", spin("staged.toml", "first.h5", "--note", "first of the day"), says="check-list")
    yield Step("trip", spin("tripping.toml", "tripped.h5"), TRIPPED, "tripped: overspeed")
    yield Step("refused after a trip", spin("staged.toml", "never.h5"), BAD_INPUT, "inspection due")
    found = ("log", *kept, "add", "--rig", rig, "--inspection", "roots and pins sound", "--by", "A. Tester")
    yield Step("inspection", found, says="inspection of moulded")
    if port != SIMULATED:  # a simulated stand is a new one each time; a device keeps its trip until it is reset
        yield Step("refused while tripped", spin("staged.toml", "locked.h5"), BAD_INPUT, "reset")
    yield Step("reset and second run", spin("staged.toml", "second.h5", "--reset"), says="run of moulded")
    yield Step("log", ("log", *kept), says="moulded")
    yield Step("retire", ("log", *kept, "retire", "moulded", "--why", "white marks at a hole"), says="retired")
    yield Step("refused for good", spin("staged.toml", "never.h5"), BAD_INPUT, "retired")


def prepare(folder: Path) -> None:
    """Rig, plans and known points; limits of silence that a busy computer keeps in real time."""
    rig = patient_rig_text().replace("rest_ms = 1000", "rest_ms = 300")
    files = {"rig.toml": rig, "staged.toml": STAGED, "tripping.toml": TRIPPING}
    files["thrust.csv"] = "value,counts\n" + "".join(f"{value},{counts}\n" for value, counts in COUNTS)
    for name, text in files.items():
        (folder / name).write_text(text, encoding="utf-8")


class Somebody(io.StringIO):
    """Sits at the terminal: hears what the verbs say, answers what they ask, and does at the stand what they ask for.

    ``act`` is told each deed: what ``Hands.act`` takes, or "let go".
    """

    def __init__(self, act: Callable[[str], None]) -> None:
        super().__init__()
        self._act, self._heard = act, 0

    def write(self, text: str) -> int:
        """What is said to everybody; what has to be done at once is done."""
        written = super().write(text)
        for words, deed in AT_ONCE.items():
            if words in text:
                self._act(deed)
        return written

    def readline(self, size: int | None = -1, /) -> str:
        """The answer to the last question; a question that nobody knows ends the input."""
        said = re.sub(r"\s+", " ", self.getvalue()[self._heard :])
        self._heard = len(self.getvalue())
        question = max(ANSWERS, key=said.rfind)
        if question not in said:
            return ""
        if question == PUT_BACK:
            self._act(LET_GO)
        return f"{ANSWERS[question]}\n"


def walk(folder: Path, port: str, hands: bool, act: Callable[[str], None] = lambda deed: None) -> list[str]:
    """Does the day in ``folder``; returns what did not go as it must, empty when all did."""
    prepare(folder)
    failures = []
    for step in steps(folder, port, hands):
        said, terminal, began_s = Somebody(act), sys.stdin, time.monotonic()
        sys.stdin = said
        try:
            with contextlib.redirect_stdout(said), contextlib.redirect_stderr(said):
                status = run(list(step.words))
        finally:
            sys.stdin = terminal
        text = re.sub(r"\s+", " ", said.getvalue())
        well = status == step.status and step.says in text
        took_s = time.monotonic() - began_s
        print(f"{'ok  ' if well else 'FAIL'} {step.name}: exit status {status}, {took_s:.0f} s", flush=True)
        if not well:
            failures.append(f"{step.name}: {status}, expected {step.status} and {step.says!r}; said: {text[-1500:]}")
            print(failures[-1], flush=True)
    return failures


def walk_on_sketch(folder: Path, board: str, hands: bool) -> list[str]:
    """The day on the compiled sketch of ``board``, at a stand that is made as the rig says."""
    sys.path.insert(0, str(FIRMWARE))
    from mcu_process import McuProcess

    prepare(folder)
    clock = os.environ.pop(CLOCK, "")  # the chip itself lives in the computer's time
    with McuProcess(board, "--rig", str(folder / "rig.toml"), *(("--clock", clock) if clock else ())) as stand:
        os.environ |= {CLOCK: clock} if clock else {}
        return walk(folder, stand.path, hands, stand.act)


def kept_in_step(folder: Path) -> None:
    """This program anew, with all its processes in the time that the chip tells in a file of ``folder``."""
    clock = folder / "chip_clock"
    clock.write_bytes(struct.pack("d", 1000.0))  # where the chip begins
    path = os.pathsep.join(filter(None, (str(CHIP_CLOCK), os.environ.get("PYTHONPATH"))))
    os.execve(sys.executable, [sys.executable, *sys.argv], os.environ | {"PYTHONPATH": path, CLOCK: str(clock)})


def main() -> int:
    """The program."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("folder", type=Path)
    parser.add_argument("--sketch", metavar="BOARD", help="atmega2560 or atmega328p; absent: the simulated stand")
    parser.add_argument("--unattended", action="store_true", help="without travel and trial")
    parser.add_argument("--in-step", action="store_true", help="with --sketch: in the chip's time, however slow")
    given = parser.parse_args()
    if given.in_step and CLOCK not in os.environ:
        kept_in_step(given.folder)
    hands = not given.unattended
    on_sketch = given.sketch is not None
    failures = walk_on_sketch(given.folder, given.sketch, hands) if on_sketch else walk(given.folder, SIMULATED, hands)
    print(f"{len(failures)} steps did not go as they must" if failures else "the whole day went as it must")
    return 1 if failures else 0


if __name__ == "__main__":
    sys.exit(main())
