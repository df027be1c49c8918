"""Ten minutes of 1.6 kHz on two axes: CPU of `whirlbench onset`, and `ruptures` PELT on the very same features.

    python tests/benchmarks/onset_speed.py [RUNS]

Each run is a random schedule of holds with a root crack that begins near the end. PELT (l2 cost, the library's usual
penalty 2 log n times the number of columns and the noise, min_size 2, jump 1) is given the standardised features of the
steady frames, each operating point's own level taken out first, as its model of piecewise constant levels has no notion
of operating points; its answer is the change nearest to the truth among all it gives, which flatters it.

Aims: under 2 s of CPU for the whole verb, and at least 20 times as fast as PELT at an equal or better error. PELT's own
time is held against that of judging the same features, not against reading the file and making them.
"""

from __future__ import annotations

import subprocess
import sys
import tempfile
import time
from pathlib import Path

import numpy as np

from whirlbench.analysis.onset import find_failure
from whirlbench.analysis.onset.detection import judge_features
from whirlbench.analysis.onset.features import VIBRATION, run_features
from whirlbench.analysis.onset.healthy_scatter import scatter
from whirlbench.analysis.onset.operating_points import operating_points
from whirlbench.analysis.onset.whitening import standardised
from whirlbench.recording import files
from whirlbench.recording.attributes import RunAttributes
from whirlbench.rig.toml import example_rig_text, parse_rig
from whirlbench.samples import SLOW_CHANNELS, Run
from whirlbench.simulator.runs import Schedule, SetPoint, simulate_run
from whirlbench.simulator.stand import PlantSettings, RootCrack

RIG = parse_rig(example_rig_text())
AXES = ("ay_g", "az_g")
DURATION_S = 600.0


def long_run(seed: int) -> tuple[Run, float]:
    """Ten minutes of holds, and when the crack begins."""
    rng = np.random.default_rng(seed)
    points, at_s = [], 1.0
    while at_s < DURATION_S - 80.0:
        throttle, pitch = float(rng.uniform(1350, 1600)), float(rng.uniform(6, 12))
        points.append(SetPoint(at_s, throttle_us=throttle, pitch_deg=pitch, ramp_s=2.0))
        at_s += float(rng.uniform(20.0, 45.0))
    begin_s = float(rng.uniform(max(points[-1].at_s + 15.0, DURATION_S - 70.0), DURATION_S - 25.0))
    fault = RootCrack(start_s=begin_s, growth_s=20.0, blade_leaves=False)
    schedule = Schedule(tuple(points), DURATION_S)
    return simulate_run(PlantSettings.from_rig(RIG), schedule, rng, (fault,), slow_rate_hz=500.0, axes=AXES), begin_s


def write(run: Run, path: Path) -> None:
    """The run as a recording."""
    with files.create(path, RunAttributes.of_rig(RIG, example_rig_text(), origin="simulated stand")) as recorder:
        recorder.add_slow(run.slow.time_s, {item.name: run.slow.channel(item.name) for item in SLOW_CHANNELS})
        recorder.add_tach(run.tach.time_s)
        recorder.add_vibration_g(run.vibration.time_s, {axis: getattr(run.vibration, axis) for axis in AXES})


def verb_cpu_s(path: Path) -> float:
    """CPU seconds of a whole `whirlbench onset --json` in a process of its own, start-up included."""
    before = _children_cpu_s()
    program = "from whirlbench.cli.main import main; main()"
    command = [sys.executable, "-c", program, "onset", str(path), "--json"]
    subprocess.run(command, check=True, capture_output=True)
    return _children_cpu_s() - before


def _children_cpu_s() -> float:
    import resource

    used = resource.getrusage(resource.RUSAGE_CHILDREN)
    return used.ru_utime + used.ru_stime


def pelt(features, begin_s: float) -> tuple[float, float]:  # type: ignore[no-untyped-def]
    """(CPU seconds, error in s of its best change) of PELT on the features of steady frames."""
    import ruptures

    points = operating_points(features)
    values = standardised(features, points, scatter(features, points), None)
    kept = [column for signal in features.signals if signal.kind == VIBRATION for column in signal.columns]
    steady = points.of_frame >= 0
    data = np.nan_to_num(values[steady][:, kept])
    times = features.time_s[steady]
    for point in range(len(points.rpm)):
        own = points.of_frame[steady] == point
        data[own] -= np.median(data[own], axis=0)
    started = time.process_time()
    changes = ruptures.Pelt(model="l2", min_size=2, jump=1).fit(data).predict(pen=2 * np.log(len(data)) * data.shape[1])
    cpu_s = time.process_time() - started
    found = times[[change for change in changes if change < len(times)]]
    return cpu_s, float(np.min(np.abs(found - begin_s))) if len(found) else np.nan


def main(runs: int) -> None:
    print("run   verb CPU   onset from features CPU   error    PELT CPU  error of its best   ratio")
    for seed in range(runs):
        run, begin_s = long_run(seed)
        with tempfile.TemporaryDirectory() as folder:
            path = Path(folder) / "long.h5"
            write(run, path)
            whole_s = verb_cpu_s(path)
        features, failure = run_features(run, RIG), find_failure(run)
        started = time.process_time()
        onset = judge_features(features, failure).onset
        own_s = time.process_time() - started
        error = abs(onset.at_s - begin_s) if onset else np.nan
        pelt_s, pelt_error = pelt(features, begin_s)
        print(
            f"{seed:3d} {whole_s:8.2f} s {own_s:20.2f} s {error:9.2f} s {pelt_s:8.2f} s {pelt_error:14.2f} s "
            f"{pelt_s / own_s:9.0f} x"
        )


if __name__ == "__main__":
    main(int(sys.argv[1]) if len(sys.argv) > 1 else 3)
