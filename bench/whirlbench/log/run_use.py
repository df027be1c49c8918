"""What a recorded run took out of its blade set: time, starts, revolutions, peak speed, cycles of load."""

from __future__ import annotations

import hashlib
from collections import Counter
from math import floor
from typing import TYPE_CHECKING

import msgspec
import numpy as np

from whirlbench.log.entries import CYCLE_BIN, LoadCycles, RunUse
from whirlbench.rig.description import Rig
from whirlbench.rig.rules import FASTEST_REST_RPM
from whirlbench.samples import Run

if TYPE_CHECKING:
    from whirlbench.recording.reader import Recording  # with the format's library, which a session does without

SIMULATED_ORIGIN = "simulated"  # how the origin of a recording from the simulated stand begins


def run_use(recording: Recording, rig: Rig, permitted_rpm: float | None) -> RunUse:
    """The use of the fitted set in ``recording``, judged against ``permitted_rpm`` (None: nobody judged it).

    Gaps: a span without a known speed counts as turning when both its ends turn. Centrifugal load goes with the square
    of the speed; its cycles are counted by the rainflow rule of ASTM E1049-85, 5.4.4.
    """
    run = recording.run()
    time_s, rpm = _known_speed(run)
    turning = rpm > FASTEST_REST_RPM
    return RunUse(
        recording=recording.path.name,
        sha256=run_digest(recording, run),
        simulated=recording.attributes.origin.startswith(SIMULATED_ORIGIN),
        turning_s=_turning_s(time_s, turning),
        starts=_starts(turning),
        revolutions=_revolutions(run, time_s, rpm),
        peak_rpm=float(rpm.max()) if len(rpm) else None,
        permitted_rpm=permitted_rpm,
        cycles=load_cycles(rpm, permitted_rpm) if permitted_rpm else (),
        trips=tuple(event.name for event in run.events if event.kind == "trip"),
        cautions=tuple(event.name for event in run.events if event.kind == "caution"),
        complete=recording.ending.complete,
        set_digest=set_digest(rig, rig.propeller.blade_set or ""),
        calibration_digest=_digest(rig.calibration),
        peak_stderr_rpm=_stderr_rpm(rig, rpm),
    )


def _stderr_rpm(rig: Rig, rpm: np.ndarray) -> float | None:
    share = rig.tach.stderr_pct
    return None if share is None or not len(rpm) else float(rpm.max()) * share / 100.0


def run_digest(recording: Recording, run: Run) -> str:
    """SHA-256 of when the run was and of its speed and pulses: two entries of one run cannot both count.

    Not of the file: a note that is added, or a compaction, makes another file of the same run.
    """
    digest = hashlib.sha256(recording.attributes.created.encode())
    for column in (run.slow.time_s, run.slow.channel("rpm"), run.tach.time_s):
        digest.update(np.ascontiguousarray(column, dtype=float).tobytes())
    return digest.hexdigest()


def set_digest(rig: Rig, name: str) -> str:
    """Twelve digits that change when anything in the description of the set ``name`` changes; empty without one."""
    described = rig.blade_sets.get(name)
    return _digest(described) if described is not None else ""


def _digest(part: object) -> str:
    return hashlib.sha256(msgspec.json.encode(part, order="sorted")).hexdigest()[:12]


def _known_speed(run: Run) -> tuple[np.ndarray, np.ndarray]:
    known = np.isfinite(run.slow.channel("rpm"))
    return run.slow.time_s[known], run.slow.channel("rpm")[known]


def _turning_s(time_s: np.ndarray, turning: np.ndarray) -> float:
    """Sum of the steps whose both ends turn."""
    return float(np.diff(time_s)[turning[:-1] & turning[1:]].sum()) if len(time_s) > 1 else 0.0


def _starts(turning: np.ndarray) -> int:
    """Changes from rest to turning; a record that begins while turning counts one."""
    return int(np.count_nonzero(turning[1:] & ~turning[:-1])) + int(bool(len(turning)) and bool(turning[0]))


def _revolutions(run: Run, time_s: np.ndarray, rpm: np.ndarray) -> float:
    """The greater of what the tach counted and what the speed adds up to: either can have gaps, neither adds turns."""
    counted = len(run.tach.time_s) / run.tach.pulses_per_rev
    summed = float(np.sum(np.diff(time_s) * (rpm[1:] + rpm[:-1]) / 120.0)) if len(time_s) > 1 else 0.0
    return max(counted, summed)


def load_cycles(rpm: np.ndarray, permitted_rpm: float) -> tuple[LoadCycles, ...]:
    """Cycles of centrifugal load in the speed ``rpm`` ``(n,)``, classed by range as a share of the permitted load.

    A run begins and ends at rest, whatever part of it was recorded: a zero stands before and after. Ranges below half
    a class are ripple of the measurement and are left out.
    """
    import rainflow

    share = np.concatenate(([0.0], (rpm / permitted_rpm) ** 2, [0.0]))
    classes: Counter[int] = Counter()
    for extent, _, count, _, _ in rainflow.extract_cycles(share):
        if extent >= CYCLE_BIN / 2:
            classes[floor(round(extent / CYCLE_BIN, 9))] += count
    return tuple(LoadCycles(round(number * CYCLE_BIN, 9), float(count)) for number, count in sorted(classes.items()))
