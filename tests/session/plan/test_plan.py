"""Plan files: what is read, what is refused, and by which words."""

import pytest

from whirlbench.errors import PlanError
from whirlbench.rig.toml import example_rig_text, parse_rig
from whirlbench.session.plan import Hold, Sweep, check_plan, parse_plan, read_plan, shipped_plan_text

RIG = parse_rig(example_rig_text())
GOVERNED = parse_rig(example_rig_text().replace("governs = false", "governs = true"))
SHORT_TABLE = parse_rig(
    example_rig_text().replace("governs = false", "governs = true").replace("[1900, 6000]", "[1900, 5500]")
)
THROTTLE_GOVERNOR = parse_rig(example_rig_text().replace('"pass_through"', '"throttle"'))
PITCH_GOVERNOR = parse_rig(example_rig_text().replace('"pass_through"', '"pitch"'))


def step(kind, keys=""):
    return f'[[step]]\nkind = "{kind}"\n{keys}\n'


def test_the_example_plan_fits_the_example_rig():
    plan = parse_plan(shipped_plan_text())
    check_plan(plan, RIG)
    assert isinstance(plan.steps[0], Hold) and plan.steps[0].pitch_deg == 8
    assert isinstance(plan.steps[4], Sweep) and plan.steps[4].pitch_deg == (8, 12)
    assert plan.steps[-1].kind == "coast-down"


@pytest.mark.parametrize(
    ("text", "words"),
    [
        ("name = 3", "name: expected a text, found a whole number"),
        ("nome = 'x'", "unknown key nome"),
        ("", r"no \[\[step\]\]"),
        ("step = 3", "step"),
        ("[[step", "not valid TOML"),
        (step("hold", "throttle_us = 1200"), "step 1 key duration_s is missing"),
        (step("coast-down") + step("hold", "throttel_us = 1200\nduration_s = 2"), "step 2 unknown key throttel_us"),
        (step("hold", "throttle_us = 'high'\nduration_s = 2"), "step 1 throttle_us: expected a number, found a text"),
        (step("hold", "throttle_us = 100\nduration_s = 2"), "step 1 throttle_us: expected a number >= 500"),
        (step("hold", "duration_s = 0"), "step 1 duration_s: expected a number > 0"),
        (step("wait", "duration_s = 1"), "step 1 kind: invalid value 'wait'; expected one of hold, step"),
        ("governor = 'on'", "governor: invalid value 'on'; expected one of off, rig"),
        (step("hold", "throttle_us = nan\nduration_s = 2"), r"key step\[0\].throttle_us is nan: .* finite"),
        ("ramp_deg_per_s = inf", "key ramp_deg_per_s is inf"),
        ("ramp_deg_per_s = 1e300", "key ramp_deg_per_s is 1e.300: expected 0, or a size"),
        ("a = " + "[" * 5000 + "]" * 5000, "nested too deeply"),
        (step("coast-down") * 1001, r"1001 tables \[\[step\]\]: a plan has at most 1000"),
        (
            step("sweep", "throttle_us = 1200\nduration_s = 1"),
            "step 1 throttle_us: expected a list, found a whole",
        ),
    ],
)
def test_malformed_plans_name_step_and_key(text, words):
    with pytest.raises(PlanError, match=rf"^my\.toml: .*{words}"):
        parse_plan(text, "my.toml")


@pytest.mark.parametrize(
    ("text", "rig", "words"),
    [
        (step("hold", "throttle_us = 1950\nduration_s = 1"), RIG, "throttle pulse 1950 us is outside the rig's"),
        (step("step", "servo_us = 2300\nduration_s = 1"), RIG, "servo pulse 2300 us is outside the rig's pitch.table"),
        (step("sweep", "pitch_deg = [2, 40]\nduration_s = 1"), RIG, "servo pulse 2467 us is outside"),
        (step("hold", "request_rpm = 3000\nduration_s = 1"), RIG, "request_rpm needs a governor"),
        (step("hold", "request_rpm = 6300\nduration_s = 1"), GOVERNED, "not below limits.overspeed_rpm 6000"),
        (step("hold", "request_rpm = 5600\nduration_s = 1"), SHORT_TABLE, "outside the speed controller's request_ta"),
        (step("multisine", "amplitude_us = 451\nduration_s = 20"), RIG, "half of what the rig admits, 900 us"),
        (step("multisine", "amplitude_deg = 40\nduration_s = 20"), RIG, "amplitude_deg 40 is more than half"),
        (step("multisine", "amplitude_rpm = 1e9\nduration_s = 20"), GOVERNED, "amplitude_rpm 1e+09 is more than half"),
        (step("hold", "throttle_us = 1200\nduration_s = 1"), THROTTLE_GOVERNOR, "governor moves the throttle"),
        (step("hold", "pitch_deg = 8\nduration_s = 1"), PITCH_GOVERNOR, "governor moves the pitch"),
        (step("hold", "throttle_us = 1200\nthrottle_pct = 10\nduration_s = 1"), RIG, "throttle_pct and another key"),
        (step("hold", "throttle_us = 1200\nduration_s = 1\nramp_us_per_s = 900"), RIG, "above the rig's throttle.slew"),
        (step("multisine", "duration_s = 10"), RIG, "exactly one of amplitude_us"),
        (step("multisine", "amplitude_us = 20\nduration_s = 5"), RIG, "does not hold one period"),
        (step("multisine", "amplitude_us = 20\nlow_hz = 3\nduration_s = 5"), RIG, "low_hz 3 is not below high_hz 2"),
        (step("hold", "pitch_deg = 8\nduration_s = 1"), parse_rig(""), "rig key pitch.table is missing"),
    ],
)  # fmt: skip
def test_plans_that_do_not_fit_the_rig(text, rig, words):
    with pytest.raises(PlanError, match=r"^plan: step 2 \(.*\): .*") as caught:
        check_plan(parse_plan(step("coast-down") + text), rig)
    assert words in str(caught.value)


SWING = step("multisine", "amplitude_us = 30\nduration_s = 20")


@pytest.mark.parametrize(
    ("text", "rig", "words"),
    [
        (SWING, RIG, "about 1000 the multisine goes to 970"),
        (
            step("hold", "throttle_us = 1880\nduration_s = 1") + SWING,
            RIG,
            "about 1880 the multisine goes to 1910",
        ),
        (
            step("hold", "pitch_deg = 20\nduration_s = 1") + step("multisine", "amplitude_deg = 9\nduration_s = 20"),
            RIG,
            "outside the rig's pitch.table",
        ),
        (step("multisine", "amplitude_rpm = 200\nduration_s = 20"), THROTTLE_GOVERNOR, "about a request of 0 rpm"),
        (
            step("hold", "request_rpm = 5900\nduration_s = 1")
            + step("multisine", "amplitude_rpm = 200\nduration_s = 20"),
            THROTTLE_GOVERNOR,
            "not below limits.overspeed_rpm",
        ),
        (
            step("hold", "throttle_us = 1300\nduration_s = 1") + step("inspect") + SWING,
            RIG,
            "about 1000",
        ),
    ],
)
def test_a_multisine_stays_within_the_rig_about_its_middle(text, rig, words):
    with pytest.raises(PlanError) as caught:
        check_plan(parse_plan(text), rig)
    assert words in str(caught.value)
    assert "(multisine)" in str(caught.value)


def test_a_multisine_that_fits_or_whose_middle_is_not_known_is_taken():
    check_plan(
        parse_plan(step("hold", "throttle_us = 1300\nduration_s = 1") + SWING),
        RIG,
    )
    check_plan(parse_plan(step("multisine", "amplitude_deg = 2\nduration_s = 20")), RIG)


def test_governor_off_gives_the_levers_back():
    text = 'governor = "off"\n' + step("hold", "throttle_us = 1200\nduration_s = 1")
    check_plan(parse_plan(text), THROTTLE_GOVERNOR)


def test_a_pitch_governor_keeps_its_request_while_the_plan_moves_the_throttle():
    """Otherwise a multisine about the request would be about nothing, and a step of the throttle no load at all."""
    held = step("hold", "request_rpm = 3000\nthrottle_us = 1400\nduration_s = 1")
    swing = step("multisine", "amplitude_rpm = 100\nduration_s = 20")
    check_plan(parse_plan(held + step("step", "throttle_us = 1420\nduration_s = 1") + swing), PITCH_GOVERNOR)


def test_a_ramp_quicker_than_the_device_is_refused():
    with pytest.raises(PlanError, match="ramp_us_per_s 900 is above"):
        check_plan(parse_plan("ramp_us_per_s = 900\n" + step("coast-down")), RIG)


def test_a_missing_file_is_named(tmp_path):
    with pytest.raises(PlanError, match=r"no_such\.toml: cannot be read"):
        read_plan(tmp_path / "no_such.toml")
