"""From messages to records: run time, wrap of the counter, restarts, repeated frames, calibration."""

import struct

import numpy as np
import pytest

from whirlbench.link.conversation import Restarted
from whirlbench.link.messages import Counters, Slow, Tach, Vibration
from whirlbench.rig.toml import example_rig_text, parse_rig
from whirlbench.session.engine import CountersRecord, SlowRecord, TachRecord, VibrationRecord
from whirlbench.session.engine.telemetry import Telemetry

WRAP_US = 1 << 32


@pytest.fixture
def telemetry():
    return Telemetry(parse_rig(example_rig_text()))


def slow(time_us, period_ticks=24_000):
    return Slow(time_us % WRAP_US, period_ticks, 612, 800, 180, 84_000 + 80_000, 1300, 1400, 0, 2, 0, 5000, 3, 1)


def record_of(heard, kind):
    (record,) = [item for item in heard.records if isinstance(item, kind)]
    return record


def test_run_time_begins_with_the_first_sample_and_goes_on_over_the_wrap(telemetry):
    began_us = WRAP_US - 3000
    times_s = []
    for turn in range(5):
        heard = telemetry.take([slow(began_us + 2000 * turn)], 0.002 * turn)
        times_s += record_of(heard, SlowRecord).time_s.tolist()
    assert times_s == pytest.approx([0, 0.002, 0.004, 0.006, 0.008])


def test_slow_counts_become_values_and_are_kept_beside_them(telemetry):
    record = record_of(telemetry.take([slow(0), slow(2000)], 0.0), SlowRecord)
    assert record.values["rpm"] == pytest.approx([5000, 5000])
    assert record.values["current_a"] == pytest.approx([32.55] * 2)
    assert record.values["thrust_n"] == pytest.approx([10.0] * 2)
    assert record.counts["current_a"].tolist() == [612, 612]
    assert telemetry.latest["rpm"] == pytest.approx(5000)


def test_repeated_and_older_samples_are_dropped_and_counted(telemetry):
    telemetry.take([slow(10_000)], 0.0)
    heard = telemetry.take([slow(10_000), slow(8_000), slow(12_000)], 0.0)
    assert record_of(heard, SlowRecord).time_s == pytest.approx([0.002])
    assert telemetry.stale == 2


def test_edges_keep_their_half_microseconds(telemetry):
    telemetry.take([slow(1000)], 0.0)
    record = record_of(telemetry.take([Tach(0, 0b10, (11_000, 21_000))], 0.0), TachRecord)
    assert record.time_s == pytest.approx([0.010, 0.0200005], abs=1e-9)


def test_a_restart_continues_run_time_by_the_hosts_pause(telemetry):
    telemetry.take([slow(5_000_000)], 100.0)
    heard = telemetry.take([Restarted(None), slow(1_000)], 102.5)
    assert heard.restarts == 1
    assert record_of(heard, SlowRecord).time_s == pytest.approx([2.5], abs=1e-6)


def test_vibration_blocks(telemetry):
    telemetry.take([slow(0)], 0.0)
    counts = struct.pack("<6h", 1, 2, 3, 4, 5, 6)
    heard = telemetry.take([Vibration(10_000, 625_000, 320, 3, counts)], 0.0)
    record = record_of(heard, VibrationRecord)
    assert (record.first_time_s, record.period_s, record.first_index) == pytest.approx((0.01, 0.000625, 320))
    assert record.counts.tolist() == [[1, 2, 3], [4, 5, 6]]
    (block,) = heard.batch.vibration
    assert block.acceleration_g == pytest.approx(np.array([[1, 2, 3], [4, 5, 6]]) * 0.0039)
    assert block.counts(0.0039).tolist() == record.counts.tolist()  # what the rules judge


def test_device_counters_are_recorded(telemetry):
    heard = telemetry.take([Counters(1_000_000, 7, 1, 2, 3, 4, 5, 6, 80, 900, 5000)], 0.0)
    assert record_of(heard, CountersRecord).values["telemetry_dropped"] == 7


def test_nothing_heard_is_no_record(telemetry):
    heard = telemetry.take([], 0.0)
    assert heard.records == [] and not len(heard.batch.time_s)
