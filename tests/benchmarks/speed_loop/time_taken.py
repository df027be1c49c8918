"""Time that one identification takes: a 60 s record with eleven steps, all found, fitted, chosen and pooled.

    python tests/benchmarks/speed_loop/time_taken.py

Asked for: under 150 ms of CPU after imports. Advice and a forecast are timed beside it.
"""

from __future__ import annotations

import sys
import time
from collections.abc import Callable
from functools import partial
from pathlib import Path

import numpy as np

sys.path.insert(0, str(Path(__file__).resolve().parents[2] / "simulator"))

from linear_drive import LeverStep, LinearDrive, TachFaults, record_steps

from whirlbench.analysis.governor import Reading, advise, forecast
from whirlbench.analysis.speed_loop import Step, identify
from whirlbench.rig.toml import example_rig_text, parse_rig
from whirlbench.samples import Run

REPEATS = 9
DRIVES = {
    "one lag": LinearDrive(6.0, 0.08, time_constant_s=0.35),
    "pair": LinearDrive(6.0, 0.05, damping_ratio=0.5, natural_frequency_rad_s=8.0),
}


def record(drive: LinearDrive, tach: bool) -> Run:
    """60 s at about 4000 rpm, 500 telemetry samples a second, half of the steps slewed."""
    steps = [LeverStep("throttle_us", 5.0 + 5.0 * k, 50.0 * (-1.0) ** k, 0.1 * (k % 2)) for k in range(11)]
    faults = TachFaults(jitter_s=5e-6, unsteadiness_rpm_s=0.3, drift_rpm_per_s=-2.0, missed=0.01)
    return record_steps({"throttle_us": drive}, steps, 60.0, np.random.default_rng(1), faults=faults, tach=tach)


def cpu_ms(job: Callable[[], object]) -> tuple[float, float]:
    """(median, best) CPU time in ms over the repeats, after one run that imports what it needs."""
    job()
    taken = []
    for _ in range(REPEATS):
        began = time.process_time()
        job()
        taken.append(1e3 * (time.process_time() - began))
    return float(np.median(taken)), min(taken)


def main() -> None:
    print(f"{'':44s} median ms   best ms")
    rig = parse_rig(example_rig_text())
    for name, drive in DRIVES.items():
        for tach in (True, False):
            run = record(drive, tach)
            source = "tach edges" if tach else "held rpm channel"
            print("{:44s} {:9.0f} {:9.0f}".format(f"identify 60 s, {name}, {source}", *cpu_ms(partial(identify, run))))
    loop = identify(record(DRIVES["one lag"], True))
    print("{:44s} {:9.0f} {:9.0f}".format("advise, with the worst case", *cpu_ms(lambda: advise(loop, rig))))
    advice = advise(loop, rig)
    assert advice is not None
    step = Step("request", 0.0, 0.0, 4000.0, 4150.0, 4.0, 4.0)
    rng = np.random.default_rng(1)
    took = cpu_ms(lambda: forecast(advice, step, Reading(), 4000.0, 1500.0, rng))
    print("{:44s} {:9.0f} {:9.0f}".format(f"forecast of 4 s, {len(advice.models)} drives", *took))


if __name__ == "__main__":
    main()
