"""The faults of a supervised run by name, each with what has to be left of the run: for the short tests and the long.

What counts: the power was cut in time, both ways of opening the file give samples to within a second of the fault, the
exit status is that of the fault, one line of complaint says what it was, and what it says of the recording is so.
"""

from __future__ import annotations

import math
import os
import re
import signal
import time
from dataclasses import dataclass
from pathlib import Path

from fault_run import FaultRun, quick_rig_text
from patient_rig import HEARTBEAT_MS

LOST_S = 1.0  # of evidence that a fault may cost
DEVICE_GONE_S = 0.4
SUSPENDED_S = 3.0
NO_TRY = "ended before its fault"
AT_ONCE_S = HEARTBEAT_MS / 1e3 + 0.2  # and what a busy computer adds
BY_THE_HOST_S = 3.0  # late for a second, and surely so; then the abort


@dataclass(frozen=True)
class Fault:
    """A fault by name, whom it strikes, what is expected: exit status, the file's ending, words, and how soon it cuts.

    Status 2: nothing is ever armed.
    """

    name: str
    target: str
    status: int
    ending: str
    words: str
    cut_s: float = AT_ONCE_S

    @property
    def title(self) -> str:
        """Whom it strikes, and how."""
        return f"{self.target} {self.name}"


ABORTED = "aborted: operator abort$"
RECORDED = "the device was heard again and recorded to rest"
SUSPENDED = r"the computer \(it did not run the session\)"
FAULTS = (
    Fault("TERM", "group", 3, "aborted", ABORTED),
    Fault("HUP", "group", 3, "aborted", ABORTED),
    Fault("INT", "group", 3, "aborted", ABORTED),
    Fault("STOP", "group", 3, "tripped", rf"heartbeat lost; late: {SUSPENDED} by (2[89]|3\d)\d\d ms"),
    Fault("KILL", "surface", -9, "tripped", "^$"),
    Fault("KILL", "session", 1, "failed", f"failed: the session's process died; {RECORDED}"),
    Fault(
        "STOP", "session", 1, "failed", f"the session hung for 2 s and was ended; .*{RECORDED}, .* of it are missing"
    ),
    Fault("KILL", "recorder", 3, "tripped", "died; another one goes on in .*run-continued.h5$", BY_THE_HOST_S),
    Fault("STOP", "recorder", 3, "tripped", "host rule; the recorder is .* s behind, more than 1 s$", BY_THE_HOST_S),
    Fault("vanish and return", "cable", 3, "link lost", f"port vanished.*{RECORDED}, .* s of it are missing$"),
    Fault("full in mid-run", "disk", 3, "", r"recording failed: .*any more \(file too large\)$", BY_THE_HOST_S),
    Fault("full before", "disk", 2, "", "refused: .*cannot be written"),
    Fault("no place", "/proc/run.h5", 2, "", r"refused: /proc/run.h5: cannot be written \(.+\)$"),
    Fault("no place", "/sys/run.h5", 2, "", r"refused: /sys/run.h5: cannot be written \(.+\)$"),
)


def attempt(fault: Fault, phase: str, folder: Path) -> tuple[str, float]:
    """(what was wrong, empty for nothing; seconds of evidence lost, NaN where nothing was to be recorded)."""
    output = fault.target if fault.name == "no place" else "run.h5"
    run = FaultRun(folder, quick_rig_text(), phase, output=output)
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
        run.lose_cable(DEVICE_GONE_S)
    elif fault.target == "disk":
        run.fill_disk()
    else:
        run.strike(fault.target, getattr(signal, f"SIG{fault.name}"))
    if fault.title == "group STOP":  # a computer that sleeps, and wakes up
        time.sleep(SUSPENDED_S)
        os.killpg(run.spin.pid, signal.SIGCONT)
    run.finish()
    return True


def judged(run: FaultRun, fault: Fault) -> tuple[str, float]:
    """What does not hold of a run that is over, and the seconds of evidence that were lost."""
    told = run.errors.strip()
    wrong = [] if run.status == fault.status else [f"exit status {run.status}"]
    if not re.search(fault.words, told) or len(told.splitlines()) > 1:
        wrong.append(f"said {told!r}")
    if fault.status == 2:
        wrong += ["was armed all the same"] if run.ever_armed() else []
        return "; ".join(wrong), math.nan
    found = run.recorded()
    if wrong and found.tripped_before:
        return f"{NO_TRY}: {told}", math.nan
    cut_s = run.cut_s()
    if not cut_s <= fault.cut_s:
        wrong.append(f"cut after {cut_s:.2f} s")
    if found.ending != fault.ending:
        wrong.append(f"ending {found.ending!r} in the file")
    lost_s = max(found.fault_s - found.last_s, 0.0)
    if lost_s > LOST_S:
        wrong.append(f"{lost_s:.2f} s lost")
    too_little_s = 0.1 if fault.target != "disk" else LOST_S  # of a flush that failed, some rows are there
    if fault.target != "surface" and not -0.05 <= found.end_s - run.saved_s() <= too_little_s:
        wrong.append(f"said saved to {run.saved_s()}, is {found.end_s:.2f} s")
    if fault.target != "disk" and not (found.at_rest and found.end_s > found.fault_s):
        wrong.append("not recorded to rest")
    return "; ".join(wrong), lost_s
