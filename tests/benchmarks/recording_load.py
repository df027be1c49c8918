"""How long ten minutes take to load, whole and a second of them, and what recording costs while running.

    python tests/benchmarks/recording_load.py

Ten minutes of 500 slow samples a second and 1.6 kHz on three axes, noisy counts through a calibration, recorded as a
session does it (a call for each message). Wanted: load in under 0.2 s, a one-second slice in under 20 ms. Times are of
the processor, best of seven, so that other work on the computer does not count; wall times stand in brackets.
"""

from __future__ import annotations

import tempfile
import time
from pathlib import Path

import numpy as np

from whirlbench.recording.attributes import RunAttributes
from whirlbench.recording.files import create, open_recording, read_run

MINUTES = 10
WANTED_LOAD_S, WANTED_SLICE_S = 0.2, 0.020
ROUNDS = 7


def record(path: Path, minutes: float, compact: bool) -> tuple[float, float, float]:
    """Records made-up samples; (mean and longest flush in s, seconds to close)."""
    rng = np.random.default_rng(1)
    attributes = RunAttributes(vibration_rate_hz=1600.0)
    flush_s = []
    recorder = create(path, attributes, compact=compact)
    plain_flush = recorder.flush

    def timed_flush() -> None:
        began = time.perf_counter()
        plain_flush()
        flush_s.append(time.perf_counter() - began)

    recorder.flush = timed_flush  # type: ignore[method-assign]
    for tenth in range(round(minutes * 600)):
        start_s = tenth / 10
        add_tenth(recorder, rng, start_s, tenth)
    recorder.flush = plain_flush  # type: ignore[method-assign]
    began = time.perf_counter()
    recorder.close("done", "benchmark")
    return float(np.mean(flush_s)), float(np.max(flush_s)), time.perf_counter() - began


def add_tenth(recorder, rng: np.random.Generator, start_s: float, tenth: int) -> None:  # type: ignore[no-untyped-def]
    """A tenth of a second: 50 slow samples, 10 vibration blocks of 16, 10 tach pulses."""
    counts = {
        "rpm": rng.integers(19_900, 20_100, 50),
        "current_a": rng.integers(280, 340, 50),
        "voltage_v": rng.integers(820, 860, 50),
        "thrust_n": rng.integers(-81_500, -80_900, 50),
        "pitch_deg": rng.integers(500, 520, 50),
    }
    values = {name: reading * 0.01234 for name, reading in counts.items()}
    values |= {"throttle_us": np.full(50, 1500.0), "servo_us": np.full(50, 1480.0)}
    recorder.add_slow(start_s + np.arange(50) / 500, values, counts)
    for block in range(10):
        index = tenth * 160 + block * 16
        recorder.add_vibration(index / 1600, 1 / 1600, index, rng.normal(0, 60, (16, 3)).astype(np.int16))
    recorder.add_tach(start_s + np.arange(10) / 100 + 0.001)


def best_s(action) -> tuple[float, float]:  # type: ignore[no-untyped-def]
    """Shortest of a few timings: (processor time, wall time)."""
    times = []
    for _ in range(ROUNDS):
        began, began_wall = time.process_time(), time.perf_counter()
        action()
        times.append((time.process_time() - began, time.perf_counter() - began_wall))
    return min(times)


def load_times(path: Path) -> tuple[tuple[float, float], tuple[float, float]]:
    """Seconds (processor, wall) to load everything, and to open and read one second from the middle."""

    def one_second() -> None:
        with open_recording(path) as recording:
            assert len(recording.slice(MINUTES * 30, MINUTES * 30 + 1).slow.time_s) == 500

    return best_s(lambda: read_run(path)), best_s(one_second)


if __name__ == "__main__":
    met = True
    with tempfile.TemporaryDirectory() as folder:
        for name, compact in (("as written", False), ("compacted", True)):
            path = Path(folder) / f"{compact}.h5"
            mean_s, longest_s, close_s = record(path, MINUTES, compact)
            (load_s, load_wall_s), (slice_s, slice_wall_s) = load_times(path)
            print(f"{name:10}  {path.stat().st_size / 1e6:5.1f} MB", end="")
            print(f"   load {load_s * 1e3:4.0f} ms ({load_wall_s * 1e3:.0f})", end="")
            print(f"   one second {slice_s * 1e3:4.1f} ms ({slice_wall_s * 1e3:.0f})", end="")
            print(f"   flush ({mean_s * 1e3:.1f} ms, longest {longest_s * 1e3:.0f})   close ({close_s:.2f} s)")
            met = met and (not compact or (load_s < WANTED_LOAD_S and slice_s < WANTED_SLICE_S))
    raise SystemExit(not met)
