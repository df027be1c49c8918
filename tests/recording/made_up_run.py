"""A made-up run of a few seconds, and ways to record it."""

from dataclasses import dataclass

import numpy as np

from whirlbench.recording.attributes import RunAttributes
from whirlbench.recording.files import create
from whirlbench.rig.toml import example_rig_text, parse_rig
from whirlbench.samples import Event

SLOW_HZ, VIBRATION_HZ = 500, 1600


@dataclass
class Samples:
    """Arrays of the made-up run, as they are handed to the recorder."""

    slow_s: np.ndarray
    values: dict
    counts: dict
    tach_s: np.ndarray
    vibration_counts: np.ndarray


def made_up(duration_s: float, seed: int = 4) -> Samples:
    rng = np.random.default_rng(seed)
    slow_s = np.arange(round(duration_s * SLOW_HZ)) / SLOW_HZ
    counts = {
        "rpm": rng.integers(19_000, 21_000, len(slow_s)),
        "current_a": rng.integers(250, 350, len(slow_s)),
        "voltage_v": rng.integers(800, 900, len(slow_s)),
        "thrust_n": rng.integers(-90_000, -80_000, len(slow_s)),
        "pitch_deg": np.full(len(slow_s), 0xFFFF),
    }
    values = {
        "rpm": 120e6 / counts["rpm"],
        "current_a": (counts["current_a"] - 100) * 0.147,
        "voltage_v": counts["voltage_v"] * 0.0521,
        "thrust_n": counts["thrust_n"] * -0.000831,
        "throttle_us": 1000.0 + slow_s * 10,
        "servo_us": np.full(len(slow_s), 1480.0),
        "speed_request_rpm": np.zeros(len(slow_s)),
    }
    values["current_a"][7] = np.nan
    vibration = rng.normal(0, 60, (round(duration_s * VIBRATION_HZ), 3)).astype(np.int16)
    return Samples(slow_s, values, counts, np.arange(0.01, duration_s, 0.01), vibration)


def attributes(**changes) -> RunAttributes:
    text = example_rig_text()
    known = {
        "plan_text": 'name = "short"\n',
        "firmware": {"board": "ATMEGA2560", "build_id": 77},
        "created": "2026-05-01T10:00:00Z",
        "origin": "made up",
        "random_seed": 4,
    }
    return RunAttributes.of_rig(parse_rig(text), text, **{**known, **changes})


def feed(recorder, samples: Samples, until_s: float = np.inf) -> None:
    """Hands the samples over as a session does, twenty milliseconds at a time."""
    for first in range(0, len(samples.slow_s), 10):
        part = slice(first, first + 10)
        if samples.slow_s[part][-1] >= until_s:
            return
        recorder.add_slow(
            samples.slow_s[part],
            {name: column[part] for name, column in samples.values.items()},
            {name: column[part] for name, column in samples.counts.items()},
        )
        begin_s = samples.slow_s[first]
        edges = np.searchsorted(samples.tach_s, (begin_s - 0.001, begin_s + 0.019))
        recorder.add_tach(samples.tach_s[slice(*edges)])
        index = first // 10 * 32
        for block in (index, index + 16):
            rows = samples.vibration_counts[block : block + 16]
            recorder.add_vibration(block / VIBRATION_HZ, 1 / VIBRATION_HZ, block, rows)
        if first % 500 == 0:
            recorder.add_counters(begin_s, {"good": first, "lost": 1})


def record(path, samples: Samples, compact: bool = True, **changes):
    """Records all of ``samples`` with a few events and closes cleanly."""
    with create(path, attributes(**changes), compact=compact) as recorder:
        recorder.add_event(Event(0.0, "state", "armed"))
        recorder.add_note(0.5, "blade tracking looked right ä" + 500 * "ß" + " end")
        feed(recorder, samples)
        recorder.add_event(Event(float(samples.slow_s[-1]), "trip", "overspeed", "6210 rpm over 6000"))
        recorder.close("trip", "overspeed")
    return path
