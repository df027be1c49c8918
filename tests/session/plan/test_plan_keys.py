"""The page of plan keys is current and true; repeats are written out; a plan's limits only narrow the rig's."""

from __future__ import annotations

from pathlib import Path
from typing import get_args

import pytest

from whirlbench.errors import BenchError, PlanError
from whirlbench.rig.declaration import keys_of
from whirlbench.rig.toml import example_rig_text, parse_rig
from whirlbench.session.engine import Engine
from whirlbench.session.plan import narrowed, parse_plan
from whirlbench.session.plan.keys_page import COMMAND, page_text
from whirlbench.session.plan.steps import AnyStep, Plan, Repeat

PAGE = Path(__file__).resolve().parents[3] / "bench" / "docs" / "plan_keys.md"
UNITS = ("_us", "_rpm", "_deg", "_hz", "_pct", "_s")
RIG = parse_rig(example_rig_text())
END = '[[step]]\nkind = "coast-down"\n'
KINDS = (*get_args(AnyStep), Repeat)


def test_the_page_is_current() -> None:
    assert PAGE.read_text(encoding="utf-8") == page_text(), f"run: {COMMAND}"


@pytest.mark.parametrize("section", [Plan, *KINDS])
def test_every_key_says_what_it_is(section) -> None:
    for row in keys_of(section):
        if row.name not in ("step", "limits"):
            assert row.meaning.endswith(".") and row.example is not None, row.name
            assert row.unit or not row.name.endswith(UNITS), row.name


@pytest.mark.parametrize("kind", get_args(AnyStep))
def test_the_examples_of_the_page_are_read(kind) -> None:
    """Each key alone beside the needed ones, as the page shows it."""
    rows = list(keys_of(kind))
    needed = "".join(f"{row.name} = {row.example}\n" for row in rows if row.required)
    for row in rows:
        own = "" if row.required else f"{row.name} = {row.example}\n"
        (step,) = parse_plan(f'[[step]]\nkind = "{kind.kind}"\n{needed}{own}').steps
        assert getattr(step, row.name) not in (None, ""), row.name
    for row in keys_of(Plan):
        if row.example is not None:
            assert getattr(parse_plan(f"{row.name} = {row.example}\n{END}"), row.name) != row.default


REPEATED = """
[[step]]
kind = "repeat"
times = 3
[[step.step]]
kind = "hold"
name = "up"
throttle_us = 1200
duration_s = 1
[[step.step]]
kind = "coast-down"
"""


def test_a_repeat_is_its_steps_written_out() -> None:
    plan = parse_plan(REPEATED + END)
    assert [step.kind for step in plan.steps] == [*(["hold", "coast-down"] * 3), "coast-down"]
    assert [step.name for step in plan.steps[::2]] == ["up (1 of 3)", "up (2 of 3)", "up (3 of 3)", ""]


@pytest.mark.parametrize(
    ("text", "words"),
    [
        (REPEATED.replace("times = 3", "times = 501"), "1002 tables [[step]]: a plan has at most 1000"),
        (REPEATED.replace("times = 3", "times = 1"), "step 1 times: expected a whole number >= 2"),
        (REPEATED.replace("times = 3", ""), "step 1 key times is missing"),
        ('[[step]]\nkind = "repeat"\ntimes = 2\n', "step 1 key step is missing"),
        ('[[step]]\nkind = "repeat"\ntimes = 2\nstep = []\n', "step 1 step: expected a list of length >= 1"),
        (REPEATED.replace('"coast-down"', '"repeat"'), "step 1 step 2 kind: invalid value 'repeat'"),
        (REPEATED.replace("duration_s", "duraton_s"), "step 1 step 1 unknown key duraton_s; the nearest known is dur"),
        (END + "note = 'x'\n", "step 1 unknown key note; only kind = inspect may have it"),
        (END + "tones = 3\n", "step 1 unknown key tones; only kind = multisine may have it"),
        ("rmp_us_per_s = 3\n" + END, "unknown key rmp_us_per_s; the nearest known is ramp_us_per_s"),
        ("current_a = 3\n" + END, "unknown key current_a; it belongs into [limits]"),
        ("[limits]\ncurent_a = 3\n" + END, "unknown key limits.curent_a; the nearest known is current_a"),
        ("[limits]\ncurrent_a = -3\n" + END, "limits.current_a: expected a number > 0"),
    ],
)
def test_what_is_wrong_is_named_with_what_was_meant(text: str, words: str) -> None:
    with pytest.raises(PlanError) as caught:
        parse_plan(text)
    assert str(caught.value).startswith("plan: ") and words in str(caught.value)


@pytest.mark.parametrize(
    ("text", "words"),
    [
        ("[limits]\noverspeed = 1", "unknown key limits.overspeed; the nearest known is overspeed_rpm"),
        ("overspeed_rpm = 1", "unknown key overspeed_rpm; it belongs into [limits]"),
        ("[modes.flight]\nmin_pitch = 1", "unknown key modes.flight.min_pitch; the nearest known is min_pitch_deg"),
        ("[propeler]\nblades = 4", "unknown key propeler; the nearest known is propeller"),
        ("colour = 1", "unknown key colour; remove it or correct its spelling"),
    ],
)
def test_a_rig_is_read_with_the_same_care(text: str, words: str) -> None:
    with pytest.raises(BenchError) as caught:
        parse_rig(text)
    assert words in str(caught.value)


def limited(text: str) -> Plan:
    return parse_plan(f"[limits]\n{text}\n{END}")


def test_a_plan_narrows_the_limits_of_its_run_on_device_and_host() -> None:
    plan = limited("overspeed_rpm = 4000\nminimum_voltage_v = 34\nthrust_n = 50")
    rig = narrowed(RIG, plan)
    assert (rig.limits.overspeed_rpm, rig.limits.minimum_voltage_v, rig.limits.thrust_n) == (4000, 34, 50)
    assert rig.limits.current_a == RIG.limits.current_a
    engine, usual = Engine(RIG, plan), Engine(RIG, parse_plan(END))
    assert engine.rig.limits == rig.limits
    assert engine._limits != usual._limits  # what goes to the device


@pytest.mark.parametrize(
    ("text", "words"),
    [
        ("overspeed_rpm = 9000", "limits.overspeed_rpm 9000 is wider than the rig's"),
        ("minimum_voltage_v = 20", "limits.minimum_voltage_v 20 is wider than the rig's 32"),
        ("heartbeat_ms = 50", "limits.heartbeat_ms is the rig's alone; a plan narrows overspeed_rpm"),
        ("confirm_ms = 500", "limits.confirm_ms is the rig's alone"),
    ],
)
def test_a_plan_never_widens_a_limit(text: str, words: str) -> None:
    for take in (lambda plan: narrowed(RIG, plan), lambda plan: Engine(RIG, plan)):
        with pytest.raises(PlanError) as caught:
            take(limited(text))
        assert words in str(caught.value)


def test_a_limit_that_the_rig_does_not_set_may_be_set() -> None:
    assert narrowed(parse_rig(""), limited("current_a = 30")).limits.current_a == 30
