"""Rings and the live view: nothing torn, nothing lost without saying so."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from whirlbench.samples import SLOW_CHANNELS, Event
from whirlbench.session.engine import Ending, Outcome, Progress, SlowRecord, VibrationRecord
from whirlbench.session.process import SharedView
from whirlbench.session.process.shared_rows import SharedRows


def shared_rows(capacity):
    return SharedRows(np.zeros(capacity, dtype=np.int64), np.zeros(2, dtype=np.int64))


@given(st.lists(st.integers(0, 25), max_size=20), st.integers(1, 10))
def test_a_ring_gives_every_row_once_or_counts_it(sizes, capacity):
    shared, total, seen, lost, asked = shared_rows(capacity), 0, [], 0, 0
    for size in sizes:
        shared.write(np.arange(total, total + size))
        total += size
        asked, missed, rows = shared.since(asked)
        seen += rows.tolist()
        lost += missed
    assert len(seen) + lost == total == asked == shared.count
    assert seen == sorted(set(seen))
    assert shared.tail(3).tolist() == list(range(max(0, total - min(3, capacity)), total))


def test_a_reader_that_is_overtaken_never_gets_mixed_rows():
    """The writer runs on while the reader copies: a row must not be returned as what it no longer is."""
    shared = shared_rows(8)
    shared.write(np.arange(8))
    copy, bursts = shared._copy, iter([5, 3])

    def interrupted(start, end):
        rows = copy(start, end)
        shared.write(np.arange(shared.count, shared.count + next(bursts, 0)))
        return rows

    shared._copy = interrupted
    rows = shared.since(0)
    first = rows.total - len(rows.rows)
    assert rows.rows.tolist() == list(range(first, rows.total))
    assert rows.lost == first


def test_a_reader_in_the_middle_of_a_write_gets_only_whole_rows():
    shared = shared_rows(8)
    shared.write(np.arange(8))
    put, seen = shared._put, []

    def slowly(place, rows):
        put(place, rows)
        seen.append(shared.since(0))  # written, but not yet counted: rows 0 to 2 are gone, 8 to 10 not there

    shared._put = slowly
    shared.write(np.arange(8, 11))
    assert seen[0].rows.tolist() == [3, 4, 5, 6, 7]
    assert (seen[0].total, seen[0].lost) == (8, 3)


@pytest.fixture
def view():
    made = SharedView()
    yield made
    made.close()
    made.unlink()


def slow_record(first, count):
    time_s = (first + np.arange(count)) * 0.002
    values = {channel.name: time_s * (place + 1) for place, channel in enumerate(SLOW_CHANNELS)}
    return SlowRecord(time_s, values, {})


def test_what_one_process_shows_another_reads(view):
    other = SharedView(view.name)
    counts = np.array([[100, -200], [300, -400]], dtype=np.int16)
    event = Event(0.004, "trip", "overspeed", "6300 rpm over one turn")
    view.show([slow_record(0, 5), VibrationRecord(0.001, 0.000625, 0, counts), event], g_per_count=0.01)
    run = other.tail(60)
    assert run.slow.rpm.tolist() == pytest.approx([0, 0.002, 0.004, 0.006, 0.008])
    assert run.slow.speed_request_rpm[-1] == pytest.approx(0.008 * 8)
    assert run.vibration.ax_g.tolist() == pytest.approx([1.0, 3.0])
    assert run.vibration.axes() == ("ax_g", "ay_g")
    assert run.vibration.rate_hz == pytest.approx(1600)
    assert run.events == (event,)
    envelope = other.envelope_since(0).rows[0]
    assert envelope["low_g"][:2].tolist() == pytest.approx([1.0, -4.0])
    assert envelope["high_g"][:2].tolist() == pytest.approx([3.0, -2.0])
    other.close()


def test_status_and_outcome(view):
    progress = Progress(
        "running", "turning", time_s=12.5, step=2, steps=7, step_text="hold", values={"rpm": 1234.0},
        counters={"good": 9}, waits=True, message="a remark in µs", withheld="no fresh telemetry",
    )  # fmt: skip
    view.show_progress(progress)
    seen = view.progress()
    assert (seen.phase, seen.state, seen.step, seen.waits) == ("running", "turning", 2, True)
    assert (seen.message, seen.withheld, seen.counters["good"]) == ("a remark in µs", "no fresh telemetry", 9)
    assert seen.values["rpm"] == 1234.0 and np.isnan(seen.values["thrust_n"])
    assert view.outcome() is None
    view.show_progress(progress, Outcome(Ending.TRIPPED, "overspeed"))
    assert view.outcome() == Outcome(Ending.TRIPPED, "overspeed")


def test_the_devices_limits_are_those_it_read_back_and_zero_is_none(view):
    assert view.progress().held == {}
    view.show_progress(Progress("ready", "locked", held={"OVERSPEED_TICKS": 20_000, "VIBRATION_COUNTS": 0}))
    assert view.progress().held == {"OVERSPEED_TICKS": 20_000}


def test_events_are_told_once_each_however_many_were_before(view):
    """An operator's list must not stop when the memory has come round."""
    count = 0
    for first in range(0, 2000, 400):
        view.show([Event(float(at), "note", f"{at}") for at in range(first, first + 400)], 1.0)
        count, news = view.events_since(count)
        assert [event.name for event in news] == [f"{at}" for at in range(first, first + 400)]
    assert view.events_since(count) == (count, ())


def test_a_long_remark_is_cut_between_characters_and_says_so(view):
    view.show_progress(Progress("running", "", message="µ" * 240))
    assert view.progress().message == "µ" * 240
    view.show_progress(Progress("running", "", message="µ" * 241))
    assert view.progress().message == "µ" * 238 + "..."
    view.show([Event(0.0, "note", "n" * 49, "d" * 481)], 1.0)
    assert view.events()[-1][2:] == ("n" * 45 + "...", "d" * 477 + "...")


def test_tail_keeps_to_the_seconds_asked_for(view):
    view.show([slow_record(0, 3000)], 1.0)
    assert view.tail(2.0).slow.time_s[[0, -1]].tolist() == pytest.approx([3.998, 5.998])


def test_sign_of_life(view):
    before = view.surface_count
    view.heard()
    assert view.surface_count == before + 1
