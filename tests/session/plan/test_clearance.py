"""The gate: each objection by itself, at its very bound; and the override that has to be meant."""

from __future__ import annotations

from dataclasses import replace

import pytest

from whirlbench.log import Standing, State
from whirlbench.log.entries import totals
from whirlbench.rig.description import with_limits
from whirlbench.rig.toml import parse_rig
from whirlbench.session.plan import parse_plan
from whirlbench.session.plan.clearance import (
    Clearance,
    Override,
    greatest_permitted_rpm,
    greatest_request,
    objections,
    refusal,
)

RIG_TEXT = """
[propeller]
blades = 4
diameter_m = 0.56
blade_set = "moulded"
[limits]
overspeed_rpm = 6000
[pitch]
table = [[1000, -4.0], [2000, 26.0]]
[governor]
mode = "throttle"
[blade_sets.moulded]
material = "moulded_nylon"
"""
RIG = parse_rig(RIG_TEXT)


def plan(*steps):
    return parse_plan("".join(f"[[step]]\n{step}\n" for step in steps))


def standing(state=State.IN_SERVICE, name="moulded"):
    return Standing(name, state, ("said",) if state not in (State.IN_SERVICE, State.NEW) else (), totals(()))


CLEAR = Clearance("moulded", 6000.0, standing())
HOLD = 'kind = "hold"\nrequest_rpm = 5000\nduration_s = 5'


def test_a_judged_set_in_service_is_cleared_at_its_very_bound():
    assert objections(CLEAR, RIG, plan(HOLD)) == ()
    assert refusal(CLEAR, RIG, plan(HOLD)) == ""


def test_no_clearance_clears_nothing():
    assert "not cleared" in refusal(None, RIG)


@pytest.mark.parametrize(
    ("clearance", "rig", "words"),
    [
        (replace(CLEAR, permitted_rpm=5999.0), RIG, "limits.overspeed_rpm 6000 is above the permitted 5999 rpm"),
        (replace(CLEAR, permitted_rpm=None, not_judged="no material"), RIG, "not judged: no material"),
        (replace(CLEAR, standing=standing(State.RETIRED)), RIG, "retired"),
        (replace(CLEAR, standing=standing(State.INSPECTION_DUE)), RIG, "inspection due"),
        (replace(CLEAR, blade_set="printed"), RIG, "the clearance is for the set printed"),
        (replace(CLEAR, blade_set=""), RIG, "does not say which blade set"),
        (replace(CLEAR, standing=standing(name="printed")), RIG, "the log was asked about printed"),
        (CLEAR, with_limits(RIG, overspeed_rpm=None), "no limits.overspeed_rpm"),
    ],
)
def test_each_objection_refuses_and_names_its_number(clearance, rig, words):
    assert words in refusal(clearance, rig)


@pytest.mark.parametrize(
    ("steps", "number", "most"),
    [
        ((HOLD,), 1, 5000.0),
        ((HOLD, HOLD.replace("5000", "5900")), 2, 5900.0),
        (('kind = "sweep"\nrequest_rpm = [5800, 4000]\nduration_s = 9',), 1, 5800.0),
        ((HOLD, 'kind = "multisine"\namplitude_rpm = 700\nduration_s = 30'), 2, 5700.0),
        (('kind = "coast-down"',), 0, 0.0),
    ],
)
def test_the_greatest_request_of_a_plan_is_found(steps, number, most):
    found = greatest_request(plan(*steps), RIG)

    assert found[1] == most
    assert found[0] == number


def test_a_pulse_that_a_governing_speed_controller_takes_for_a_request_counts():
    text = """
[speed_controller]
governs = true
request_table = [[1100, 1500], [1900, 6000]]
"""
    governs = parse_rig(RIG_TEXT.replace('[governor]\nmode = "throttle"\n', "") + text)
    hold = 'kind = "hold"\nthrottle_us = {}\nduration_s = 5'
    steps = (hold.format(1500), 'kind = "multisine"\namplitude_us = 80\nduration_s = 30', hold.format(1000))

    assert greatest_request(plan(*steps), governs) == (2, pytest.approx(4200.0))
    assert greatest_request(plan(*steps), RIG) == (0, 0.0)


def test_a_plan_above_the_permitted_speed_is_refused_by_its_step():
    slow = with_limits(RIG, overspeed_rpm=5500.0)
    against = objections(replace(CLEAR, permitted_rpm=5500.0), slow, plan(HOLD, HOLD.replace("5000", "5600")))

    assert against == ("step 2 of the plan asks for 5600 rpm, the set is permitted 5500 rpm",)


@pytest.mark.parametrize(
    ("typed", "reason", "counts"),
    [
        ("moulded", "proof spin of the retention, guard doubled", True),
        ("Moulded", "proof spin", False),
        ("", "proof spin", False),
        ("moulded", "  ", False),
        ("moulded", "x" * 401, False),
    ],
)
def test_an_override_counts_only_with_the_very_name_and_a_reason(typed, reason, counts):
    overridden = replace(CLEAR, permitted_rpm=5000.0, override=Override(typed, reason))

    assert (refusal(overridden, RIG) == "") is counts
    assert objections(overridden, RIG) != ()


@pytest.mark.parametrize(
    ("clearance", "rpm"),
    [
        (None, 0.0),
        (CLEAR, 6000.0),
        (replace(CLEAR, permitted_rpm=None), 0.0),
        (replace(CLEAR, override=Override("moulded", "proof")), float("inf")),
        (replace(CLEAR, override=Override("printed", "proof")), 6000.0),
    ],
)
def test_nothing_may_be_asked_of_a_set_that_nobody_judged(clearance, rpm):
    assert greatest_permitted_rpm(clearance) == rpm


def test_the_sentence_tells_set_speed_and_standing():
    assert CLEAR.sentence == "blade set moulded: permitted 6000 rpm (5 % figure); log: in service"
    assert "not judged" in replace(CLEAR, permitted_rpm=None, not_judged="no material").sentence


BARE = Clearance("", 3000.0, standing(name=""), bare_shaft=True)


def test_a_bare_shaft_is_one_without_a_set_in_the_rig():
    """The propeller is said to be off: a rig that has one fitted contradicts that, whatever the limits."""
    assert "the shaft was said to be bare, the rig has moulded fitted" in refusal(
        BARE, with_limits(RIG, overspeed_rpm=100)
    )
    bare = parse_rig(RIG_TEXT.replace('blade_set = "moulded"', ""))
    assert refusal(BARE, with_limits(bare, overspeed_rpm=3000.0)) == ""
    assert refusal(BARE, with_limits(bare, overspeed_rpm=3001.0)).startswith("limits.overspeed_rpm 3001 is above")
    assert "permitted 0 rpm" in refusal(replace(BARE, permitted_rpm=None), with_limits(bare, overspeed_rpm=1.0))
