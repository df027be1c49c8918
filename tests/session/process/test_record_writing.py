"""Records go to the recording in few blocks, and none is lost or comes in another order within its stream."""

from __future__ import annotations

from typing import Any

import numpy as np

from whirlbench.samples import Event
from whirlbench.session.engine import CountersRecord, SlowRecord, TachRecord, VibrationRecord
from whirlbench.session.process.record_writing import write


class Taken:
    """A writer that keeps what it is given, in order."""

    def __init__(self) -> None:
        self.calls: list[tuple[str, tuple[Any, ...]]] = []

    def __getattr__(self, name: str) -> Any:
        return lambda *given: self.calls.append((name, given))


def slow(time_s: float, **values: float) -> SlowRecord:
    counts = {"rpm": np.array([int(time_s * 1000)])}
    return SlowRecord(np.array([time_s]), {name: np.array([value]) for name, value in values.items()}, counts)


def test_slow_samples_become_one_block_and_an_event_comes_after_them() -> None:
    taken = Taken()
    trip = Event(0.2, "trip", "OVERSPEED", "")
    write(taken, [slow(0.1, rpm=1.0), TachRecord(np.array([0.11])), trip, slow(0.2, rpm=2.0), slow(0.3, rpm=3.0)])
    names = [name for name, _ in taken.calls]
    assert names == ["add_slow", "add_tach", "add_event"]
    time_s, values, counts = taken.calls[0][1]
    assert time_s.tolist() == [0.1, 0.2, 0.3] and values["rpm"].tolist() == [1.0, 2.0, 3.0]
    assert counts["rpm"].tolist() == [100, 200, 300]


def test_samples_of_other_channels_are_not_joined() -> None:
    taken = Taken()
    write(taken, [slow(0.1, rpm=1.0), slow(0.2, rpm=2.0, thrust_n=4.0), slow(0.3, rpm=3.0, thrust_n=5.0)])
    assert [given[0].tolist() for _, given in taken.calls] == [[0.1], [0.2, 0.3]]
    assert set(taken.calls[0][1][1]) == {"rpm"} and taken.calls[1][1][1]["thrust_n"].tolist() == [4.0, 5.0]


def test_all_other_records_keep_their_order() -> None:
    taken = Taken()
    block = VibrationRecord(0.0, 1e-3, 0, np.zeros((2, 3), np.int16))
    write(taken, [block, CountersRecord(0.1, {"lost": 1}), Event(0.2, "note", "note", "a"), block])
    assert [name for name, _ in taken.calls] == ["add_vibration", "add_counters", "add_event", "add_vibration"]
