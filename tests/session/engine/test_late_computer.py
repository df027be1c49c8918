"""Who was late is told beside the device's reason; and a computer that is too late is not armed with."""

import math

import pytest

from whirlbench.recording.layout import EVENT_ROW
from whirlbench.session.engine import Command, CommandKind, Ending, Part, Phase
from whirlbench.session.engine.heartbeat import SELF_TEST_S, ChainWatch

LIMIT_S, PERIOD_S = 0.1, 0.025


def chain_of(gaps_s, *delays, withheld_by=None):
    """A chain whose heartbeats left ``gaps_s`` apart; the last one did not leave, with ``delays`` in its gap."""
    chain, now_s = ChainWatch(LIMIT_S, PERIOD_S), 0.0
    chain.turn(now_s, None)
    chain.sent(now_s)
    for gap_s in gaps_s[:-1]:
        now_s += gap_s
        chain.turn(now_s, None)
        chain.sent(now_s)
    for part, late_s in delays:
        chain.delayed(part, late_s)
    chain.turn(now_s + gaps_s[-1], withheld_by)
    return chain


def test_the_latest_part_is_told_first():
    chain = chain_of([0.025, 0.15], (Part.SESSION, 0.02), (Part.COMPUTER, 0.1))
    told = chain.verdict()
    assert told.startswith(f"late: {Part.COMPUTER} by 100 ms, {Part.SESSION} by 20 ms")
    assert told.endswith("heartbeats left up to 150 ms apart")
    assert Part.LINE not in told


def test_heartbeats_that_left_in_time_clear_the_host():
    told = chain_of([0.025, 0.025, 0.025]).verdict()
    assert told == f"late: {Part.LINE} by 75 ms; heartbeats left up to 25 ms apart"


def test_what_withheld_them_has_what_the_loop_does_not_explain():
    told = chain_of([0.025, 0.15], (Part.PORT, 0.03), withheld_by=Part.SURFACE).verdict()
    assert told.startswith(f"late: {Part.SURFACE} by 120 ms, {Part.PORT} by 30 ms")


def test_what_is_told_of_many_fits_the_files_field():
    parts = (Part.COMPUTER, Part.SESSION, Part.PORT)
    chain = chain_of([0.025, 12.0], *((part, 1.5 - 0.1 * place) for place, part in enumerate(parts)),
                     withheld_by=Part.TELEMETRY)  # fmt: skip
    told = chain.verdict()
    assert len(told.encode()) <= EVENT_ROW["detail"].itemsize
    assert told.startswith(f"late: {Part.TELEMETRY} by 7800 ms, {Part.COMPUTER} by 1500 ms, others by 2700 ms; ")
    assert told.endswith("heartbeats left up to 12000 ms apart")


def test_a_computer_that_slept_does_not_call_the_device_silent(long_bench):
    """Whoever was not there has not listened; what the device did meanwhile is told by its telemetry."""
    bench = long_bench
    bench.run(30, lambda bench: bench.turning())
    bench.now_s += 6.0
    deaf = [True]
    bench.to_host = lambda now_s, data: b"" if deaf[0] else data
    assert bench.step() is None
    deaf[0] = False
    outcome = bench.run(bench.now_s + 90)
    assert outcome.ending is Ending.TRIPPED and outcome.reason.startswith("heartbeat lost; ")


def test_an_old_delay_is_not_blamed():
    chain = chain_of([0.3], (Part.COMPUTER, 0.3))
    now_s = 0.3
    chain.sent(now_s)
    for _ in range(60):  # 1.5 s in time
        now_s += PERIOD_S
        chain.turn(now_s, None)
        chain.sent(now_s)
    assert Part.COMPUTER not in chain.verdict()


def test_a_delay_just_before_the_news_of_the_trip_is_still_blamed():
    chain = chain_of([0.3], (Part.COMPUTER, 0.3))
    now_s = 0.3
    chain.sent(now_s)
    for _ in range(20):  # half a second in time
        now_s += PERIOD_S
        chain.turn(now_s, None)
        chain.sent(now_s)
    assert f"{Part.COMPUTER} by 300 ms" in chain.verdict()


def test_without_any_heartbeat_nobody_is_blamed():
    assert ChainWatch(LIMIT_S, PERIOD_S).verdict() == "no heartbeat had left"


def self_test_of(late_s, at_turn=500, turns=1001):
    """The self-test of a loop that turns every 2 ms, once later than that."""
    chain = ChainWatch(LIMIT_S, PERIOD_S)
    chain.measured = True
    chain.begin_test(0.0)
    for turn in range(1, turns + 1):
        if turn == at_turn:
            chain.delayed(Part.COMPUTER, late_s / 2)
            chain.delayed(Part.SESSION, late_s / 2)
        chain.turn(turn * 0.002, None)
    return chain.self_test(turns * 0.002)


@pytest.mark.parametrize(("late_s", "passed", "close"), [
    (0.001, True, False), (0.037, True, False), (0.038, True, True), (0.074, True, True), (0.0751, False, False),
    (math.inf, False, False),
])  # fmt: skip
def test_what_the_limit_bears_passes(late_s, passed, close):
    test = self_test_of(late_s)
    assert (test.passed, test.close) == (passed, close)
    assert test.borne_s == pytest.approx(0.075)
    assert ("end what keeps it busy" in test.text()) == (not passed or close)


def test_the_self_test_takes_its_time_and_forgets_what_is_older():
    assert self_test_of(0.001, turns=round(SELF_TEST_S / 0.002) - 1) is None
    assert self_test_of(0.5, at_turn=10, turns=1400).passed


def test_a_test_that_saw_no_turn_has_not_passed():
    chain = ChainWatch(LIMIT_S, PERIOD_S)
    chain.measured = True
    chain.begin_test(0.0)
    assert not chain.self_test(5.0).passed


def stall(bench, part, late_s):
    """The computer or the session stands still in the middle of a run."""
    assert bench.run(20.0, stop=lambda bench: bench.turning()) is None
    if part is not None:
        bench.engine.keeper.chain.delayed(part, late_s)
    bench.now_s += late_s
    return bench.run(40.0)


@pytest.mark.parametrize("part", [Part.COMPUTER, Part.SESSION])
def test_a_late_host_is_told_in_event_outcome_and_message(long_bench, part):
    outcome = stall(long_bench, part, 0.2)
    assert outcome.ending is Ending.TRIPPED
    trip = next(event for event in long_bench.events("trip"))
    late = next(event for event in long_bench.events("link") if event.name == "heartbeat late")
    assert trip.name == "heartbeat lost" and trip.detail.startswith("host silent for")
    assert late.time_s == trip.time_s and late.detail.startswith(f"late: {part} by 200 ms")
    assert outcome.reason == f"heartbeat lost; {late.detail}"
    assert long_bench.engine.progress().message == late.detail


def test_a_silent_surface_is_told(long_bench):
    bench = long_bench
    assert bench.run(20.0, stop=lambda bench: bench.turning()) is None
    silent_from_s = bench.now_s
    bench.surface_age_s = lambda now_s: now_s - silent_from_s
    assert f"late: {Part.SURFACE} by" in bench.run(40.0).reason


def test_heartbeats_lost_on_the_line_are_told(long_bench):
    bench = long_bench
    assert bench.run(20.0, stop=lambda bench: bench.turning()) is None
    cut_from_s = bench.now_s
    bench.to_device = lambda now_s, data: b"" if now_s > cut_from_s else data
    assert f"late: {Part.LINE} by 7" in bench.run(cut_from_s + 3.5).reason


def test_another_trip_blames_nobody(long_bench):
    bench = long_bench
    assert bench.run(20.0, stop=lambda bench: bench.turning()) is None
    bench.step([Command(CommandKind.ABORT)])
    assert "late" not in bench.run(40.0).reason


def armed_with(bench, late_s):
    """A session whose loop measures itself and is late once while it gets ready."""
    chain = bench.engine.keeper.chain
    chain.measured = True
    bench.run(20.0, stop=lambda bench: bench.engine.phase is Phase.ARMING)
    chain.delayed(Part.COMPUTER, late_s)
    return bench.run(20.0, stop=lambda bench: bench.engine.phase is Phase.RUNNING)


def test_a_computer_that_is_too_late_is_not_armed_with(long_bench):
    outcome = armed_with(long_bench, 0.09)
    assert outcome.ending is Ending.REFUSED
    assert "the computer was late by up to 90.0 ms within 2 s" in outcome.reason
    assert not [event for event in long_bench.events("state") if event.name == "armed"]


@pytest.mark.parametrize(("late_s", "message"), [(0.001, ""), (0.06, "the computer was late by up to 60.0 ms")])
def test_one_that_is_nearly_too_late_is_told_while_armed(long_bench, late_s, message):
    assert armed_with(long_bench, late_s) is None
    bench = long_bench
    assert bench.engine.phase is Phase.RUNNING
    assert bench.engine.message.startswith(message) and bool(bench.engine.message) == bool(message)
    told = [event for event in bench.events("link") if event.name == "self-test"]
    assert len(told) == 1 and "within 2 s" in told[0].detail
    agreed_s = next(event.time_s for event in bench.events("limit") if event.name == "agreed")
    armed_s = next(event.time_s for event in bench.events("state") if event.name == "armed")
    assert armed_s - agreed_s >= SELF_TEST_S


def test_each_arming_is_tested_anew_and_a_refused_one_sends_nothing(make_bench):
    bench = make_bench("", keep_open=True)
    chain = bench.engine.keeper.chain
    assert armed_with(bench, 0.001) is None and bench.engine.phase is Phase.RUNNING
    bench.operator = lambda progress: ()
    bench.step([Command(CommandKind.DISARM)])
    bench.run(bench.now_s + 10.0, stop=lambda bench: bench.engine.phase is Phase.READY)
    chain.delayed(Part.COMPUTER, 0.09)
    bench.step()
    before = len(bench.events("state"))
    bench.step([Command(CommandKind.ARM)])
    bench.run(bench.now_s + 0.5)
    assert bench.engine.phase is Phase.READY and "late by up to 90.0 ms" in bench.engine.message
    assert len(bench.events("state")) == before  # not even armed for a moment
    bench.run(bench.now_s + SELF_TEST_S)
    bench.step([Command(CommandKind.ARM)])
    bench.run(bench.now_s + 1.0)
    assert bench.engine.phase is Phase.RUNNING


def test_patience_with_the_device_begins_after_the_self_test(long_bench):
    bench = long_bench
    bench.engine.keeper.chain.measured = True
    bench.run(20.0, stop=lambda bench: bench.engine.phase is Phase.ARMING)
    heard_from_s = bench.now_s + SELF_TEST_S + 1.0
    bench.surface_age_s = lambda now_s: 0.0 if now_s > heard_from_s else 1.0
    assert bench.run(20.0, stop=lambda bench: bench.engine.phase is Phase.RUNNING) is None
    assert bench.engine.phase is Phase.RUNNING
