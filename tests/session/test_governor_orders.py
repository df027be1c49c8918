"""Parameters of the governor ordered in mid-session: sent as they are meant, recorded when the device holds them."""

import math

import pytest

from whirlbench.errors import RigError
from whirlbench.link.limit_table import LimitId
from whirlbench.link.messages import GovernorId
from whirlbench.rig.toml import parse_rig
from whirlbench.session.engine.commands import Order, OrderKind
from whirlbench.session.engine.governor_parameters import governor_parameter
from whirlbench.session.engine.limit_table import limit_table
from whirlbench.session.engine.phases import Phase

SLEW = "throttle_slew_us_per_s"


@pytest.fixture
def ready(make_bench):
    """An open session, agreed, nobody else at the desk."""
    bench = make_bench("", keep_open=True)
    bench.operator = lambda progress: ()
    bench.run(20, lambda bench: bench.engine.phase is Phase.READY)
    return bench


@pytest.mark.parametrize(
    ("key", "value"),
    [(SLEW, value) for value in (math.nan, math.inf, -5.0, 0.0, 1e6)]
    + [("kp_us_per_rpm", value) for value in (math.nan, -math.inf, 1e6)],
)
def test_what_the_device_cannot_take_is_a_message(ready, key, value):
    ready.step([Order(OrderKind.GOVERNOR, value, key)])
    assert ready.engine.message.startswith(f"governor: governor.{key} is ")
    assert ready.events("note")[-1].name == "governor refused"


def test_a_parameter_is_noted_when_the_device_has_it(ready):
    ready.step([Order(OrderKind.GOVERNOR, 120.0, SLEW)])
    assert not ready.events("note")
    ready.run(ready.now_s + 0.1)
    assert [(event.name, event.detail) for event in ready.events("note")] == [(f"governor {SLEW}", "120")]
    assert ready.device.machine.governor.parameters[GovernorId.THROTTLE_SLEW_US_PER_S] == 120


def test_a_small_slew_is_not_rounded_to_none(rig_text):
    assert governor_parameter(SLEW, 0.4).value == 1
    assert "\nslew_us_per_s = 500" in rig_text
    slow = parse_rig(rig_text.replace("\nslew_us_per_s = 500", "\nslew_us_per_s = 0.4", 1))
    assert limit_table(slow)[LimitId.THROTTLE_SLEW_US_PER_S] == 1


def test_an_unknown_parameter_names_those_that_are_known():
    with pytest.raises(RigError, match="known: kp_us_per_rpm"):
        governor_parameter("temper", 1.0)
