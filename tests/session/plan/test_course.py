"""The course of a plan beforehand is what the plan gives when it is run."""

from __future__ import annotations

from itertools import pairwise

import numpy as np
import pytest

from whirlbench.errors import PlanError
from whirlbench.rig.toml import example_rig_text, parse_rig
from whirlbench.session.plan import course, parse_plan, shipped_plan_text

RIG = parse_rig(example_rig_text())
GOVERNED = parse_rig(example_rig_text().replace('"pass_through"', '"throttle"'))
STOP = '[[step]]\nkind = "inspect"\nnote = "roots"\n'


def hold(keys: str) -> str:
    return f'[[step]]\nkind = "hold"\nduration_s = 5\n{keys}\n'


def test_every_step_stands_in_it_with_its_ramp() -> None:
    steps = course(parse_plan(shipped_plan_text()), RIG)
    assert [step.number for step in steps] == list(range(1, 8))
    assert [step.kind for step in steps] == ["hold", "hold", "step", "step", "sweep", "hold", "coast-down"]
    assert steps[1].to_s - steps[1].from_s == pytest.approx(1.5 + 3.0, abs=0.11)  # 150 us at 100 us/s, and the hold
    assert (steps[1].throttle_us[0], steps[1].throttle_us[-1]) == (pytest.approx(1200, abs=11), 1350)
    assert (steps[4].pitch_deg.min(), steps[4].pitch_deg.max()) == (pytest.approx(8.0), pytest.approx(12.0, abs=0.2))
    assert all(before.to_s == after.from_s for before, after in pairwise(steps))


def test_stops_close_the_throttle_and_are_no_time() -> None:
    text = (
        hold("throttle_us = 1300\npitch_deg = 8") + STOP + hold("throttle_us = 1200") + '[[step]]\nkind = "coast-down"'
    )
    steps = course(parse_plan(text), RIG)
    assert [step.stops for step in steps] == [False, True, False, True]
    assert steps[1].note == "roots" and set(steps[1].throttle_us) == {1000.0}
    assert steps[2].throttle_us[-1] == 1200


def test_a_governor_is_asked_for_a_speed_and_a_throttle_for_none() -> None:
    (step,) = course(parse_plan(hold("request_rpm = 3000\npitch_deg = 8")), GOVERNED)
    assert step.request_rpm[-1] == 3000 and np.nanmax(np.diff(step.request_rpm)) <= 51  # 500 rpm/s, a tenth of a second
    (step,) = course(parse_plan(hold("throttle_us = 1200")), RIG)
    assert np.isnan(step.request_rpm).all()


def test_what_does_not_fit_is_refused_as_by_spin() -> None:
    with pytest.raises(PlanError, match="governor moves the throttle"):
        course(parse_plan(hold("throttle_us = 1200")), GOVERNED)
