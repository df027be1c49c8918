"""Nothing is armed before its recording is on disk, and nothing turns on without one that keeps up."""

import math

import pytest

from whirlbench.errors import LinkError
from whirlbench.safety.margins import RECORDER_LAG_S, margins
from whirlbench.session.engine import Command, CommandKind, Ending, Phase, RecordingWatch

TURN_S = 0.002


def looks(watch, seconds, lag_s, on_disk=True, trouble="", begin_s=0.0):
    """Looks at a recorder in every turn; returns the last objection."""
    for turn in range(round(seconds / TURN_S) + 1):
        watch.look(begin_s + turn * TURN_S, on_disk, lag_s, trouble)
    return watch.objection()


def test_without_a_recording_nothing_is_objected_to():
    assert looks(RecordingWatch(), 1.0, math.nan, on_disk=False) == ""


def test_what_piled_up_before_the_file_was_begun_is_awaited_and_no_lateness():
    watch = RecordingWatch()
    watch.expect()
    assert looks(watch, 1.0, math.nan, on_disk=False) == "the recording is not on disk yet"
    assert looks(watch, 1.0, 5.0) == "the recording is not on disk yet"
    assert looks(watch, 1.0, 0.6) == "the recording is not on disk yet"
    assert looks(watch, 0.1, 0.4) == "" and not watch.awaited


@pytest.mark.parametrize(("lag_s", "seconds", "objects"), [(0.99, 9.0, False), (1.01, 0.19, False), (1.01, 0.3, True)])
def test_a_recorder_that_stays_late_is_objected_to(lag_s, seconds, objects):
    watch = RecordingWatch()
    watch.expect()
    looks(watch, 0.1, 0.3)
    assert looks(watch, seconds, lag_s) == (f"the recorder is {lag_s:.1f} s behind, more than 1 s" if objects else "")


def test_one_look_after_a_pause_of_the_computer_is_no_proof():
    watch = RecordingWatch()
    watch.expect()
    looks(watch, 0.1, 0.3)
    watch.look(10.0, True, 9.9)
    watch.look(19.0, True, 18.9)
    assert watch.objection() == ""


def test_the_lag_stands_among_the_margins_of_a_live_session_only(bench):
    rig = bench.engine.rig
    shown = [margin for margin in margins(rig, {"recorder_lag_s": 0.4}) if margin.label == "recorder behind"]
    assert [(one.value, one.limit, one.share) for one in shown] == [(0.4, RECORDER_LAG_S, 0.4)]
    assert not [margin for margin in margins(rig, {}) if margin.label == "recorder behind"]
    bench.engine.recording.look(0.0, True, 0.7)
    assert bench.engine.progress().values["recorder_lag_s"] == 0.7


def recorded(bench, on_disk_at_s=0.0, lag_s=lambda now_s: 0.3, trouble=lambda now_s: ""):
    """Lets the bench's engine look at a recorder in every step."""
    watch, step = bench.engine.recording, bench.step
    watch.expect()

    def with_look(*given):
        now_s = bench.now_s
        watch.look(now_s, now_s >= on_disk_at_s, lag_s(now_s), trouble(now_s))
        return step(*given)

    bench.step = with_look
    return bench


def test_a_session_is_not_ready_before_its_file_is_on_disk(long_bench):
    bench = recorded(long_bench, on_disk_at_s=5.0)
    bench.run(4.9)
    assert bench.engine.phase is Phase.AGREEING
    assert bench.engine.progress().message == "the recording is not on disk yet"
    bench.run(5.1)
    assert bench.engine.phase in (Phase.READY, Phase.ARMING, Phase.RUNNING)


def test_a_file_that_never_comes_is_refused(long_bench):
    outcome = recorded(long_bench, on_disk_at_s=math.inf).run(60)
    assert outcome.ending is Ending.REFUSED and "not on disk yet after 30 s" in outcome.reason


@pytest.mark.parametrize("kind", ["late", "trouble"])
def test_a_run_is_stopped_and_its_coast_down_still_recorded(long_bench, kind):
    def after(value, calm):
        return lambda now_s: value if now_s > 20.0 else calm

    given = {"lag_s": after(1.5, 0.3)} if kind == "late" else {"trouble": after("only 3.0 MB are free", "")}
    bench = recorded(long_bench, **given)
    bench.run(19.9)
    assert bench.turning()
    outcome = bench.run(200)
    assert outcome.ending is Ending.TRIPPED
    assert ("1.5 s behind" if kind == "late" else "3.0 MB are free") in outcome.reason
    assert bench.channel("rpm")[-1] == 0.0


def test_trouble_refuses_arming(bench):
    bench = recorded(bench, trouble=lambda now_s: "only 3.0 MB are free" if now_s >= 0.0 else "")
    outcome = bench.run(30)
    assert outcome.ending is Ending.REFUSED and "not armed: only 3.0 MB are free" in outcome.reason


def test_a_link_lost_after_an_abort_is_no_trip(long_bench):
    bench = long_bench
    bench.run(30, lambda bench: bench.turning())
    bench.step([Command(CommandKind.ABORT)])
    bench.run(60, lambda bench: bench.engine.phase is Phase.COASTING)
    actions = bench.engine.lose_link(bench.now_s, str(LinkError("the port vanished")))
    assert actions.outcome.ending is Ending.ABORTED
    assert actions.outcome.reason == "operator abort; the port vanished"
    assert bench.engine.link_lost_turning


def test_a_link_lost_while_locked_at_rest_leaves_no_coast_down(bench):
    bench.operator = lambda progress: ()
    bench.run(20, lambda bench: bench.engine.phase is Phase.READY)
    bench.run(bench.now_s + 1.0)
    bench.engine.lose_link(bench.now_s, "the port vanished")
    assert not bench.engine.link_lost_turning


@pytest.mark.parametrize("at_once", [True, False])
def test_an_abort_while_locked_is_no_run_that_went_well(make_bench, at_once):
    """Finished in the turn of the abort, which nobody can have answered yet, or once the device has tripped."""
    bench = make_bench("", keep_open=True)
    bench.operator = lambda progress: ()
    bench.run(20, lambda bench: bench.engine.phase is Phase.READY)
    bench.step([Command(CommandKind.ABORT), *([Command(CommandKind.FINISH)] if at_once else [])])
    bench.step([Command(CommandKind.FINISH)])
    outcome = bench.run(20)
    assert outcome.ending is Ending.ABORTED and outcome.exit_status == 3
    assert outcome.reason == ("aborted while locked" if at_once else "operator abort")


def test_a_disk_that_fails_before_arming_refuses_the_session(bench):
    bench.operator = lambda progress: ()
    bench.run(20, lambda bench: bench.engine.phase is Phase.READY)
    bench.engine.lose_recording("disk full")
    assert bench.step().ending == Ending.REFUSED


def test_a_disk_that_fails_cuts_a_live_run(long_bench):
    long_bench.run(30, lambda bench: bench.turning())
    long_bench.engine.lose_recording("disk full")
    outcome = long_bench.run(200)
    assert outcome.ending == Ending.TRIPPED
    assert "the recording failed: disk full" in outcome.reason


@pytest.mark.parametrize("aborted", [True, False])
def test_a_disk_that_fails_after_a_trip_leaves_the_ending_to_the_stand(long_bench, aborted):
    bench = long_bench
    bench.run(30, lambda bench: bench.turning())
    if aborted:
        bench.step([Command(CommandKind.ABORT)])
    else:
        bench.surface_age_s = lambda now_s: 9.0
    bench.run(60, lambda bench: bench.engine.phase is Phase.COASTING)
    bench.engine.lose_recording("disk full")
    outcome = bench.step()
    assert outcome.ending == (Ending.ABORTED if aborted else Ending.TRIPPED)
    assert outcome.exit_status == 3
    assert "disk full" in outcome.reason
