"""A disk that fails: never a run without a record, and never a trip that is called a refusal."""

import pytest

from whirlbench.session.engine import Command, CommandKind, Ending, Phase


def test_before_arming_the_session_is_refused(bench):
    bench.operator = lambda progress: ()
    bench.run(20, lambda bench: bench.engine.phase is Phase.READY)
    bench.engine.lose_recording("disk full")
    assert bench.step().ending == Ending.REFUSED


def test_a_live_run_is_cut(long_bench):
    long_bench.run(30, lambda bench: bench.turning())
    long_bench.engine.lose_recording("disk full")
    outcome = long_bench.run(200)
    assert outcome.ending == Ending.TRIPPED
    assert "the recording failed: disk full" in outcome.reason


@pytest.mark.parametrize("aborted", [True, False])
def test_after_a_trip_the_ending_is_that_of_the_stand(long_bench, aborted):
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
