"""`onset` on runs of formulas that neither the simulator nor the analysis knows: dated, explained, or refused by name.

The long form, over a hundred runs and ten hours of healthy running, is tests/benchmarks/onset/foreign_growths.py.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from onset_runs import SHAPES, Happening, Stand, foreign_run

from whirlbench.analysis.onset import OnsetReport, find_onset
from whirlbench.errors import AnalysisError

QUICK = Stand(vibration_hz=400.0, slow_hz=20.0, duration_s=60.0, rpm=3000.0, orders=((1, 0.35), (2, 0.12)))
SLOW = replace(QUICK, vibration_hz=0.0, tach=False)


def judged(stand: Stand, happening: Happening | None = None, seed: int = 1) -> OnsetReport:
    return find_onset(foreign_run(stand, np.random.default_rng(seed), happening))


def test_six_growths_are_dated_and_told_as_the_rotors() -> None:
    covered = []
    for number, shape in enumerate(SHAPES):
        happening = Happening(33.3 + number, shape, vector_g=0.3j, second_g=0.1, horizon_s=15.0)
        report = judged(QUICK, happening, seed=number)
        onset = report.onset
        assert onset is not None and report.cause is not None, shape
        assert report.cause.kind == "rotor" and {"1P"} <= set(onset.moved)
        assert onset.from_s <= onset.at_s <= onset.to_s <= onset.caution_s
        covered.append(onset.from_s <= happening.from_s <= onset.to_s)
    assert sum(covered) >= 5


def test_a_throttle_that_follows_the_speed_is_no_moving_command() -> None:
    follows = replace(QUICK, commands="follows")
    healthy = judged(follows)
    assert healthy.onset is None and healthy.judged_s > 55.0
    assert any("throttle or request moves a little all the time" in line for line in healthy.refused)
    found = judged(follows, Happening(40.0, vector_g=0.3))
    assert found.onset is not None and found.onset.from_s <= 40.0 <= found.onset.to_s


@pytest.mark.parametrize("slow_hz", [1.0, 1000.0])
def test_frames_follow_the_rate_of_the_log(slow_hz: float) -> None:
    stand = replace(SLOW, slow_hz=slow_hz, duration_s=120.0 if slow_hz == 1.0 else 65.0)
    report = judged(stand, Happening(45.0, "step", thrust=-0.15, current=-0.1))
    assert report.judged_s > 0.85 * stand.duration_s
    assert report.onset is not None and report.onset.from_s <= 45.0 <= report.onset.to_s


def test_a_slow_log_beside_quick_vibration_is_judged_and_named() -> None:
    report = judged(replace(QUICK, slow_hz=1.0), Happening(40.0, vector_g=0.3, thrust=-0.2, current=-0.2))
    assert any("a sample every 1 s" in line for line in report.refused)
    assert report.onset is not None and report.onset.from_s <= 40.0 <= report.onset.to_s
    assert {"1P", "thrust"} <= {one.signal for one in report.smallest_seen}


def ramps(time_s: np.ndarray) -> np.ndarray:
    """Up and down between 2400 and 4200 rpm, 20 s each way, never held."""
    return 2400.0 + 1800.0 * np.abs((time_s / 20.0 + 1.0) % 2.0 - 1.0)


def test_a_run_of_ramps_alone_is_judged_where_it_passes_a_speed_again() -> None:
    stand = replace(SLOW, duration_s=160.0, profile=ramps)
    healthy = judged(stand)
    assert healthy.onset is None and healthy.judged_s > 100.0
    assert any("hardly a hold: ramps were judged" in line for line in healthy.refused)
    found = judged(stand, Happening(90.0, thrust=-0.3, current=-0.3))
    assert found.onset is not None and 75.0 < found.onset.at_s < 105.0


@pytest.mark.parametrize(
    ("happening", "cause", "stand"),
    [
        (Happening(40.0, horizon_s=4.0, thrust=0.22, current=0.18), "load", QUICK),  # wind
        (Happening(40.0, "step", current=0.15), "drive", SLOW),
        (Happening(40.0, "step", thrust=0.15), "sensor", SLOW),
        (Happening(40.0, "step", axis_gain=0.3), "sensor", QUICK),
    ],
    ids=["wind", "current alone", "thrust alone", "one axis"],
)
def test_causes_are_told_apart(happening: Happening, cause: str, stand: Stand) -> None:
    report = judged(stand, happening)
    assert report.onset is not None and report.cause is not None
    assert report.cause.kind == cause


def test_none_states_what_would_have_been_seen_and_such_a_step_is() -> None:
    quiet = judged(SLOW)
    assert quiet.onset is None
    (thrust,) = [one for one in quiet.smallest_seen if one.signal == "thrust"]
    assert thrust.unit == "N"
    share = thrust.size / (4.2 * (SLOW.rpm / 1000.0) ** 2)
    seen = [judged(SLOW, Happening(35.0, "step", thrust=1.2 * share), seed).onset is not None for seed in range(2, 5)]
    hidden = [judged(SLOW, Happening(35.0, "step", thrust=0.3 * share), seed).onset is None for seed in range(2, 5)]
    assert sum(seen) >= 2 and sum(hidden) >= 2


def test_slow_drift_at_idle_is_no_onset() -> None:
    stand = replace(SLOW, duration_s=110.0, profile=lambda t: np.interp(t, [0, 60, 63, 110], [1200, 1200, 4200, 4200]))
    assert judged(stand, Happening(15.0, thrust=0.1, current=0.1, horizon_s=40.0)).onset is None


def test_a_truncated_run_has_no_onset_after_its_caution() -> None:
    whole = foreign_run(QUICK, np.random.default_rng(3), Happening(40.0, vector_g=0.3))
    for end_s in (43.0, 47.0):
        onset = find_onset(whole.between(0.0, end_s)).onset
        assert onset is None or onset.at_s <= onset.to_s <= onset.caution_s <= end_s


def test_a_stated_baseline_is_healthy_and_nothing_begins_in_it() -> None:
    run = foreign_run(SLOW, np.random.default_rng(1), Happening(20.0, "step", thrust=-0.2, current=-0.2))
    found = find_onset(run).onset
    assert found is not None and found.to_s < 25.0
    assert find_onset(run, baseline_s=(22.0, 40.0)).onset is None
    later = foreign_run(SLOW, np.random.default_rng(1), Happening(50.0, "step", thrust=-0.2, current=-0.2))
    onset = find_onset(later, baseline_s=(5.0, 45.0)).onset
    assert onset is not None and onset.at_s >= 45.0 and onset.from_s <= 50.0 <= onset.to_s
    with pytest.raises(AnalysisError, match=r"baseline from 200 to 300 s holds 0.0 s of steady running"):
        find_onset(run, baseline_s=(200.0, 300.0))


def test_earlier_runs_that_do_not_serve_are_refused() -> None:
    run, healthy = (foreign_run(SLOW, np.random.default_rng(seed)) for seed in (1, 2))
    drifting = foreign_run(SLOW, np.random.default_rng(3), Happening(30.0, "step", thrust=-0.2, current=-0.2))
    stopped = replace(healthy, slow=replace(healthy.slow, rpm=np.where(healthy.slow.time_s > 30, 0.0, 3000.0)))
    four = "[propeller]\nblades = 4\ndiameter_m = 0.56\n"
    cases = {
        "is the run that is judged": (run,),
        "was given twice": (healthy, healthy),
        "failed itself": (stopped,),
        "left its own healthy behaviour": (drifting,),
        "another propeller: blades 3 there, 4 here": (replace(healthy, rig_text=four.replace("= 4", "= 3")),),
    }
    for told, earlier in cases.items():
        with pytest.raises(AnalysisError, match=told):
            find_onset(replace(run, rig_text=four), earlier=earlier)
