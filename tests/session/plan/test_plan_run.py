"""A plan on its way: set-points against time, without an engine."""

import math
import re

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from whirlbench.rig.toml import example_rig_text, parse_rig
from whirlbench.session.plan import Controls, PlanRun, SetPoints, Situation, Wish, parse_plan
from whirlbench.session.plan.plan_run import LEFT_OUT, SPOKEN, describe
from whirlbench.session.plan.profiles import Profile, SumOfSines, tone_frequencies_hz
from whirlbench.session.plan.steps import AnyStep

TURNING = Situation(at_rest=False, locked=False, armed=True)
AT_REST = Situation(at_rest=True, locked=False, armed=True)
LOCKED = Situation(at_rest=True, locked=True, armed=False)


def run_of(text, governs=False):
    rig = parse_rig(example_rig_text().replace("governs = false", f"governs = {str(governs).lower()}"))
    return PlanRun(parse_plan(text), Controls(rig, "pass_through"), SetPoints(1000.0, 1400.0))


def trace(run, until_s, step_s=0.02, stand=TURNING):
    """Set-points at every turn, as (time, throttle, servo, request)."""
    rows = []
    for turn in range(round(until_s / step_s) + 1):
        run.advance(turn * step_s, stand)
        points = run.set_points
        rows.append((turn * step_s, points.throttle_us, points.servo_us, points.request_rpm or 0.0))
    return np.array(rows)


def test_a_hold_ramps_from_where_the_motor_starts():
    run = run_of('ramp_us_per_s = 100\n[[step]]\nkind = "hold"\nthrottle_us = 1200\nduration_s = 1')
    rows = trace(run, 3.0)
    assert rows[0, 1] == 1100  # throttle.min_us: below it nothing turns
    assert np.diff(rows[:, 1]).max() == pytest.approx(2.0)
    assert rows[rows[:, 0] >= 1.01][0, 1] == 1200
    assert run.advance(3.1, TURNING) is Wish.END
    assert [note.name for note in run.notes] == ["step 1 start", "step 1 end"]
    assert run.notes[0].detail == "hold throttle 1200 us, 1 s"


def test_every_key_of_a_step_is_told_in_words_with_its_unit():
    keys = {name for kind in AnyStep.__args__ for name in kind.__struct_fields__}
    assert keys == SPOKEN.keys() | LEFT_OUT
    sweep = parse_plan('[[step]]\nkind = "sweep"\nthrottle_pct = [10, 40]\npitch_deg = [8, 12]\nduration_s = 5').steps[
        0
    ]
    assert describe(sweep) == "5 s, throttle 10 to 40 %, pitch 8 to 12 deg"
    assert not re.search(r"[a-z]_", "".join(SPOKEN.values()))


def test_duration_counts_from_the_end_of_the_ramp():
    run = run_of('[[step]]\nkind = "hold"\nthrottle_us = 1200\nduration_s = 1\nramp_us_per_s = 50')
    assert [run.advance(at_s, TURNING) for at_s in (0.0, 1.99, 2.0, 2.99)] == [Wish.NONE] * 4
    assert run.advance(3.01, TURNING) is Wish.END


def test_a_step_jumps_and_what_it_does_not_name_stays():
    hold = '[[step]]\nkind = "hold"\nthrottle_us = 1200\nduration_s = 1\n'
    rows = trace(run_of(hold + hold.replace("hold", "step").replace("1200", "1300")), 2.5)
    jump = np.flatnonzero(np.diff(rows[:, 1]) > 50)
    assert len(jump) == 1
    assert (rows[:, 2] == 1400).all()


def test_percent_counts_within_the_taught_range():
    rows = trace(run_of('[[step]]\nkind = "step"\nthrottle_pct = 50\nduration_s = 1'), 0.1)
    assert rows[-1, 1] == 1500


def test_pitch_ramps_in_degrees_and_sweeps_evenly():
    text = 'ramp_deg_per_s = 6\n[[step]]\nkind = "sweep"\npitch_deg = [2, 14]\nduration_s = 4'
    rows = trace(run_of(text), 6.0)  # from 8 down to 2 degrees in 1 s, then 12 degrees in 4 s
    assert rows[rows[:, 0] <= 1.0][-1, 2] == pytest.approx(1200)
    assert rows[rows[:, 0] <= 3.0][-1, 2] == pytest.approx(1400, abs=2)
    assert rows[-1, 2] == pytest.approx(1600)


def test_a_request_ramps_in_rpm_and_a_throttle_step_drops_it():
    text = """[[step]]\nkind = "hold"\nrequest_rpm = 3000\nramp_rpm_per_s = 3000\nduration_s = 1
[[step]]\nkind = "hold"\nthrottle_us = 1200\nduration_s = 1"""
    rows = trace(run_of(text, governs=True), 2.5)
    assert rows[25, 3] == pytest.approx(1500)
    assert rows[75, 3] == 3000
    assert rows[-1, 3] == 0
    dropped = np.flatnonzero(np.diff(rows[:, 3]) < -1000)[0] + 1
    assert rows[dropped, 1] == pytest.approx(1366.7, abs=0.1)  # the pulse of 3000 rpm: nothing jumps


@pytest.mark.parametrize(("mode", "request_rpm"), [("pitch", 3000.0), ("pass_through", 0.0)])
def test_beside_a_pitch_governor_a_throttle_step_is_a_load_and_drops_no_request(mode, request_rpm):
    text = """[[step]]\nkind = "step"\nrequest_rpm = 3000\nthrottle_us = 1400\nduration_s = 1
[[step]]\nkind = "step"\nthrottle_us = 1420\nduration_s = 1"""
    run = PlanRun(parse_plan(text), Controls(parse_rig(example_rig_text()), mode), SetPoints(1000.0, 1400.0))
    rows = trace(run, 1.5)
    assert (rows[25, 3], rows[-1, 3], rows[-1, 1]) == (3000.0, request_rpm, 1420.0)


def test_request_pulses_follow_the_speed_controllers_table():
    controls = run_of('[[step]]\nkind = "coast-down"', governs=True).controls
    assert controls.request_pulse_us(1500) == pytest.approx(1100)
    assert controls.request_pulse_us(3750) == pytest.approx(1500)
    assert controls.request_pulse_us(800) == 1000  # below its slowest: the safe pulse, not an extrapolation


def test_coast_down_closes_the_throttle_and_waits_for_rest():
    run = run_of('[[step]]\nkind = "step"\nthrottle_us = 1300\nduration_s = 1\n[[step]]\nkind = "coast-down"')
    trace(run, 1.2)
    assert run.set_points.throttle_us == 1000
    assert run.advance(50.0, TURNING) is Wish.NONE
    assert run.advance(50.1, AT_REST) is Wish.END


def test_inspection_locks_asks_and_arms():
    run = run_of('[[step]]\nkind = "inspect"\n[[step]]\nkind = "hold"\nthrottle_us = 1200\nduration_s = 1')
    assert run.advance(0.0, TURNING) is Wish.NONE
    assert run.advance(1.0, AT_REST) is Wish.LOCK
    assert run.advance(1.1, LOCKED) is Wish.WORD
    assert run.advance(900.0, LOCKED) is Wish.WORD
    run.told()
    assert run.advance(900.1, LOCKED) is Wish.ARM
    assert run.advance(900.2, AT_REST) is Wish.NONE
    assert run.number == 2


def test_a_word_said_before_the_inspection_does_not_count():
    run = run_of('[[step]]\nkind = "coast-down"\n[[step]]\nkind = "inspect"')
    run.advance(0.0, TURNING)
    run.told()
    assert run.advance(1.0, AT_REST) is Wish.LOCK
    assert run.advance(1.1, LOCKED) is Wish.WORD


def test_a_word_said_while_still_turning_in_an_inspection_does_not_count():
    run = run_of('[[step]]\nkind = "inspect"')
    run.advance(0.0, TURNING)
    run.told()
    run.advance(1.0, AT_REST)
    assert run.advance(1.1, LOCKED) is Wish.WORD


def test_multisine_stays_within_its_amplitude_and_returns():
    text = """[[step]]\nkind = "step"\nthrottle_us = 1300\nduration_s = 1
[[step]]\nkind = "multisine"\namplitude_us = 40\nlow_hz = 0.2\nhigh_hz = 2\ntones = 8\nduration_s = 10"""
    rows = trace(run_of(text), 12.0)
    moved = rows[(rows[:, 0] > 1.1) & (rows[:, 0] < 10.9), 1]
    assert np.abs(moved - 1300).max() == pytest.approx(40, abs=0.5)
    assert moved.min() < 1280 and moved.max() > 1320
    assert rows[-1, 1] == 1300


def test_tones_are_whole_periods_and_never_repeated():
    frequencies_hz = tone_frequencies_hz(0.1, 2.0, 12, 20.0)
    cycles = np.array(frequencies_hz) * 20
    assert np.allclose(cycles, np.rint(cycles))
    assert len(set(frequencies_hz)) == len(frequencies_hz) <= 12
    assert frequencies_hz[0] == pytest.approx(0.1) and frequencies_hz[-1] == pytest.approx(2.0)


def test_sum_of_sines_has_a_lower_crest_than_cosines_in_step():
    frequencies_hz = [k / 10 for k in range(1, 21)]
    sines = SumOfSines(frequencies_hz, 10.0)
    values = np.array([sines.value(at_s) for at_s in np.arange(2.0, 10.0, 0.002)])
    crest = np.abs(values).max() / values.std()
    assert crest < 2.0 < math.sqrt(2 * 20)  # cosines in step peak at sqrt(2 n)


@given(st.floats(-1e3, 1e3), st.floats(-1e3, 1e3), st.floats(0.1, 1e3), st.floats(0, 1e4))
def test_a_course_never_leaves_its_ends(start, end, rate_per_s, at_s):
    value = Profile.ramp(start, end, rate_per_s).value(at_s)
    assert min(start, end) - 1e-9 <= value <= max(start, end) + 1e-9
