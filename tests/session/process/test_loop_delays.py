"""What the loop measures of itself: its sleep, its own work, and the port."""

import multiprocessing
import pickle
import time

import numpy as np
import pytest

from whirlbench.errors import RecordingError
from whirlbench.rig.toml import example_rig_text, parse_rig
from whirlbench.session.engine import Actions, Engine, Part, SlowRecord
from whirlbench.session.process import SharedView
from whirlbench.session.process.loop import WAIT_S, SessionLoop
from whirlbench.session.process.record_writing import pack, unpack
from whirlbench.session.process.turn_trace import Stage, TurnTrace


class Clock:
    """A clock that only moves when it is told to; ``cpu_s`` is the time on the core."""

    def __init__(self):
        self.now_s = self.cpu_s = 100.0

    def pass_by(self, seconds, working=False):
        self.now_s += seconds
        self.cpu_s += seconds if working else 0.0

    def monotonic(self):
        return self.now_s

    def thread_time(self):
        return self.cpu_s

    def sleep(self, seconds):
        self.pass_by(seconds)

    perf_counter_ns = staticmethod(time.perf_counter_ns)


class Stand:
    """Port, recorder and engine of a loop, each as slow as a test wants it."""

    wanted = False  # the recorder's word: no file to wait for

    def __init__(self, clock):
        self.clock, self.write_s, self.work_s, self.away_s, self.sleep_s = clock, 0.0, 0.0, 0.0, WAIT_S

    def read(self):
        self.clock.pass_by(self.work_s, working=True)
        self.clock.pass_by(self.away_s)
        return b""

    def write(self, data):
        self.clock.pass_by(self.write_s)

    def close(self):
        pass

    def wait(self, timeout_s):
        assert timeout_s == WAIT_S
        self.clock.pass_by(self.sleep_s)
        return False

    def keep(self, records):
        raise RecordingError("not in this test")


@pytest.fixture
def make_loop(monkeypatch):
    """Builds a loop on a clock of its own; what it tells of delays is collected."""
    view, clock = SharedView(), Clock()
    receiving, sending = multiprocessing.Pipe(duplex=False)
    monkeypatch.setattr("whirlbench.session.process.loop.time", clock)
    engine = Engine(parse_rig(example_rig_text()), keep_open=True)
    told = []
    monkeypatch.setattr(engine.keeper.chain, "delayed", lambda part, late_s: told.append((part, late_s)))
    monkeypatch.setattr(engine, "step", lambda *_: Actions(b"answer"))
    stand = Stand(clock)
    yield SessionLoop(engine, stand, stand, view, receiving), stand, told
    for end in (receiving, sending, view):
        end.close()
    view.unlink()


def delays(told):
    """What is above zero, by part, in ms."""
    return {part: pytest.approx(late_s * 1e3) for part, late_s in told if late_s > 1e-9}


def test_a_loop_in_time_tells_nothing(make_loop):
    loop, stand, told = make_loop
    for _ in range(3):
        stand.work_s = WAIT_S / 2
        loop.turn()
        loop.sleep()
    assert delays(told) == {}
    assert loop._engine.keeper.chain.measured


def test_a_sleep_that_lasts_too_long_is_the_computers(make_loop):
    loop, stand, told = make_loop
    stand.sleep_s = WAIT_S + 0.08
    loop.turn()
    loop.sleep()
    loop.turn()
    assert delays(told) == {Part.COMPUTER: 80}


def test_a_long_turn_is_shared_out(make_loop):
    loop, stand, told = make_loop
    stand.work_s, stand.away_s, stand.write_s = 0.03, 0.05, 0.07
    loop.turn()
    assert delays(told) == {Part.SESSION: 30, Part.COMPUTER: 50, Part.PORT: 70}


def test_records_travel_packed_and_come_out_as_they_were():
    record = SlowRecord(
        np.array([1.0, 2.0]),
        {"rpm": np.array([3.0, 4.0]), "thrust_n": np.array([np.nan, 5.0])},
        {"rpm": np.array([7, 8]), "thrust_n": np.array([9, 2**31])},
    )
    (found, again) = unpack([pack([record]), pack([record])])
    for one in (found, again):
        np.testing.assert_array_equal(one.time_s, record.time_s)
        for kind in ("values", "counts"):
            before, after = getattr(record, kind), getattr(one, kind)
            assert list(after) == list(before)
            for name in before:
                np.testing.assert_array_equal(after[name], before[name])
                assert after[name].dtype == before[name].dtype
    assert len(pickle.dumps(record)) < 700


def test_a_trace_keeps_the_latest_whole_turns():
    trace = TurnTrace(turns=3)
    trace.mark(Stage.READ)  # before the first turn: nowhere to go
    assert all(len(found) == 0 for found in trace.durations_ms().values())
    for _ in range(5):
        for stage in Stage:
            trace.mark(stage)
    found = trace.durations_ms()
    assert list(found) == [stage.name.lower() for stage in Stage if stage is not Stage.SLEEP]
    assert all(len(one) == 3 and (one >= 0).all() for one in found.values())
