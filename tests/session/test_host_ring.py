"""The host's ring stays awake: a trip that was overtaken by a disarm mutes nothing later."""

import pytest

from bench.safety.host_rules import Trip
from bench.session.orders import Order, OrderKind
from bench.session.phases import Phase

FIRED = Trip("thrust_n", 1.0, 999.0, 1.0)


@pytest.fixture
def running(make_bench):
    """An open session, armed, nobody else at the desk."""
    bench = make_bench("", keep_open=True)
    bench.operator = lambda progress: ()
    bench.run(20, lambda bench: bench.engine.phase is Phase.READY)
    bench.step([Order(OrderKind.ARM)])
    bench.run(20, lambda bench: bench.engine.phase is Phase.RUNNING)
    return bench


def test_a_rule_fires_again_in_the_next_run(running):
    judge, fired = running.engine.ring.judge, []

    def once(batch, live):
        if live and not fired:
            fired.append(FIRED)
            return FIRED
        return judge(batch, live)

    running.step([Order(OrderKind.DISARM)])
    running.engine.ring.judge = once  # in the step before the device shows itself locked
    running.run(running.now_s + 0.6)
    assert fired and running.device.machine.state.name in ("LOCKED", "TRIPPED")
    running.engine.ring.judge = judge
    assert running.engine.phase is Phase.READY
    running.step([Order(OrderKind.ARM)])
    running.run(running.now_s + 3, lambda bench: bench.engine.phase is Phase.RUNNING)
    running.engine.ring.judge = lambda batch, live: FIRED if live else None
    running.run(running.now_s + 0.2)
    assert running.device.machine.state.name == "TRIPPED"
    assert running.device.machine.reason.name == "HOST_RULE"


def test_a_rule_that_goes_on_firing_aborts_again_when_no_cut_is_under_way(running):
    running.engine.ring.judge = lambda batch, live: FIRED if live else None
    running.engine._host_trip = FIRED  # as after a cut that came to nothing
    running.run(running.now_s + 0.2)
    assert running.device.machine.reason.name == "HOST_RULE"
    assert len(running.events("limit")) < 5
