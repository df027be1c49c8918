"""The day at the stand by the commands alone: calibrate, prove the trips, dry run, spin, trip, reset, log, retire.

As a program it does the whole day on the simulated stand, in real time where a hand is needed (a few minutes):

    python tests/system/stand_day.py FOLDER

``--port PORT`` does the same on a device, the compiled sketch on a simulated board for one; then the steps that need a
hand at the stand (trial of the trips, travel of the servo) are left out, and so they are with ``--unattended``.
"""

from __future__ import annotations

import argparse
import contextlib
import io
import re
import sys
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

from whirlbench.cli.main import BAD_INPUT, DONE, TRIPPED, run
from whirlbench.rig.toml import example_rig_text

SIMULATED = "simulated"
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
    """The day in order. ``hands``: with the steps that need somebody, or the simulated stand's own hands."""
    rig, log = str(folder / "rig.toml"), ("--log", str(folder / "sets.sqlite"))
    stand = ("--rig", rig, "--port", port)
    seed = ("--random-seed", "4") if port == SIMULATED else ()
    quick = (*seed, "--speed", "1000") if port == SIMULATED else ()
    kept = (*log, *(("--simulated",) if port == SIMULATED else ()))

    def spin(plan: str, name: str, *more: str) -> tuple[str, ...]:
        words = ("spin", *stand, *quick, *log, "--plan", str(folder / plan), "-o", str(folder / name), "--yes")
        return (*words, "--operator", "A. Tester", *more)

    yield Step("check", ("check", rig, "--plan-out", str(folder / "proof.toml")), says="fit for")
    points = ("--points", str(folder / "thrust.csv"), "--rig-out", rig, "--date", "2026-05-01")
    yield Step("calibrate", ("calibrate", "thrust_n", "--rig", rig, *points), says="counts")
    if hands:
        yield Step("travel", ("travel", *stand, *seed, "--rig-out", rig, "--yes"), says="held under the governor")
        trial = ("trial", *stand, *seed, *log, "--operator", "A. Tester", "-o", str(folder / "trial.h5"), "--yes")
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
    rig = example_rig_text().replace("rest_ms = 1000", "rest_ms = 300")
    rig = rig.replace("heartbeat_ms = 100", "heartbeat_ms = 1000\nsurface_ms = 1500")
    files = {"rig.toml": rig, "staged.toml": STAGED, "tripping.toml": TRIPPING}
    files["thrust.csv"] = "value,counts\n" + "".join(f"{value},{counts}\n" for value, counts in COUNTS)
    for name, text in files.items():
        (folder / name).write_text(text, encoding="utf-8")


def walk(folder: Path, port: str, hands: bool) -> list[str]:
    """Does the day in ``folder``; returns what did not go as it must, empty when all did."""
    prepare(folder)
    failures = []
    for step in steps(folder, port, hands):
        said = io.StringIO()
        with contextlib.redirect_stdout(said), contextlib.redirect_stderr(said):
            status = run(list(step.words))
        text = re.sub(r"\s+", " ", said.getvalue())
        well = status == step.status and step.says in text
        print(f"{'ok  ' if well else 'FAIL'} {step.name}: exit status {status}", flush=True)
        if not well:
            failures.append(f"{step.name}: {status}, expected {step.status} and {step.says!r}; said: {text[-1500:]}")
    return failures


def main() -> int:
    """The program."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("folder", type=Path)
    parser.add_argument("--port", default=SIMULATED)
    parser.add_argument("--unattended", action="store_true")
    given = parser.parse_args()
    failures = walk(given.folder, given.port, given.port == SIMULATED and not given.unattended)
    print("\n".join(failures))
    return 1 if failures else 0


if __name__ == "__main__":
    sys.exit(main())
