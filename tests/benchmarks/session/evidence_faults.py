"""What is left of a supervised run after each fault, many tries each: a table for a record.

A try counts when the power was cut, both ways of opening the file give samples to within a second of the fault, the
exit status is that of the fault, one line of complaint says what it was, and what it says of the recording is so.
The tries take turns over the three phases. A run that ended before its fault (a busy computer makes the recorder
late, which stops it) is no try: it is counted apart. Run on a computer with nothing else to do:
python tests/benchmarks/session/evidence_faults.py [tries] [at once] [name of a fault]
"""

from __future__ import annotations

import math
import re
import signal
import sys
import tempfile
import time
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parents[2] / "system"))
from fault_run import FaultRun, quick_rig_text

LOST_S = 1.0
PHASES = ("armed", "turning", "coasting")
DEVICE_GONE_S = 0.4
NO_TRY = "ended before its fault"


@dataclass(frozen=True)
class Fault:
    """A fault by name, whom it strikes, the exit status and the words that are expected."""

    name: str
    target: str
    status: int
    words: str


ABORTED = "aborted: operator abort$"
FAULTS = (
    Fault("TERM", "group", 3, ABORTED),
    Fault("HUP", "group", 3, ABORTED),
    Fault("INT", "group", 3, ABORTED),
    Fault("KILL", "surface", -9, "^$"),
    Fault("KILL", "session", 1, "failed: the session's process died; the device was heard again and recorded to rest"),
    Fault("STOP", "session", 1, "failed: the session hung for 2 s and was ended; .* recorded to rest"),
    Fault("KILL", "recorder", 3, "died; another one goes on in"),
    Fault("STOP", "recorder", 3, "the recorder is .* s behind, more than 1 s$"),
    Fault("vanish and return", "cable", 3, "link lost: .* the device was heard again and recorded to rest"),
    Fault("full in mid-run", "disk", 3, "the recording failed: .*cannot be written any more"),
    Fault("full before", "disk", 2, "refused: .*cannot be written"),
    Fault("no place", "/proc/run.h5", 2, "refused: .*cannot be written"),
)


def attempt(fault: Fault, phase: str) -> tuple[str, float]:
    """(what was wrong, empty for nothing; seconds of evidence lost, NaN where nothing was to be recorded)."""
    with tempfile.TemporaryDirectory() as folder:
        output = fault.target if fault.name == "no place" else "run.h5"
        run = FaultRun(Path(folder), quick_rig_text(), phase, output=output)
        try:
            run.begin()
            return judged(run, fault) if strike(run, fault) else (f"{NO_TRY}: {run.errors.strip()}", math.nan)
        except Exception as error:
            return f"{type(error).__name__}: {error}", math.nan
        finally:
            run.end()


def strike(run: FaultRun, fault: Fault) -> bool:
    """Lets the fault happen in its phase and waits for the end; False when the run ended before."""
    if fault.status == 2:
        if fault.name == "full before":
            run.fill_disk_at_once(20_000)
        run.await_phase()
    elif not run.await_phase():
        run.finish()
        return False
    elif fault.target == "cable":
        run.family = run.processes()
        run.note_time()
        run.tell_device("vanish")
        time.sleep(DEVICE_GONE_S)
        run.tell_device("return")
    elif fault.target == "disk":
        run.fill_disk()
    else:
        run.strike(fault.target, getattr(signal, f"SIG{fault.name}"))
    run.finish()
    return True


def judged(run: FaultRun, fault: Fault) -> tuple[str, float]:
    """What does not hold of a run that is over."""
    wrong = [] if run.status == fault.status else [f"exit status {run.status}"]
    if not re.search(fault.words, run.errors.strip()) or len(run.errors.strip().splitlines()) > 1:
        wrong.append(f"said {run.errors.strip()!r}")
    if fault.status == 2:
        return "; ".join(wrong), math.nan
    found = run.recorded()
    lost_s = max(found.fault_s - found.last_s, 0.0)
    if lost_s > LOST_S:
        wrong.append(f"{lost_s:.2f} s lost")
    too_little_s = 0.1 if fault.target != "disk" else LOST_S  # of a flush that failed, some rows are there
    if fault.target != "surface" and not -0.05 <= found.end_s - run.saved_s() <= too_little_s:
        wrong.append(f"said saved to {run.saved_s()}, is {found.end_s:.2f} s")
    if fault.target != "disk" and not (found.at_rest and found.end_s > found.fault_s):
        wrong.append("not recorded to rest")
    return "; ".join(wrong), lost_s


def main() -> None:
    """Prints a row for each fault."""
    tries, at_once = (int(word) for word in sys.argv[1:3]) if len(sys.argv) > 2 else (20, 2)
    wanted = sys.argv[3] if len(sys.argv) > 3 else ""
    print(f"{'fault':<30}{'good':>8}{'most lost':>12}", flush=True)
    for fault in FAULTS:
        name = f"{fault.target} {fault.name}"
        if wanted not in name:
            continue
        phases = [PHASES[number % 3] if fault.status != 2 else "turning" for number in range(tries)]
        with ThreadPoolExecutor(at_once) as pool:
            results = list(pool.map(lambda phase, fault=fault: attempt(fault, phase), phases))
        good = sum(not wrong for wrong, _ in results)
        made = sum(not wrong.startswith(NO_TRY) for wrong, _ in results)
        known = [lost_s for _, lost_s in results if not math.isnan(lost_s)]
        most = f"{max(known):.2f} s" if known else "-"
        print(f"{name:<30}{good:>4}/{made}{most:>12}", flush=True)
        for phase, (wrong, _) in zip(phases, results, strict=True):
            if wrong:
                print(f"    {phase}: {wrong[:300]}", flush=True)


if __name__ == "__main__":
    main()
