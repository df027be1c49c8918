"""An abort while the session arms: nothing is armed until the operator commands it anew."""

import pytest

from whirlbench.link.framing import Unframer
from whirlbench.link.messages import Arm, Result
from whirlbench.session.engine import Command, CommandKind, Ending, Phase


@pytest.fixture
def arming(make_bench):
    """Open session, ready, commanded to arm after ``steps`` of 2 ms, then aborted; and the commands sent since."""

    def build(steps):
        bench = make_bench("", keep_open=True)
        bench.operator = lambda progress: ()
        bench.run(20, lambda bench: bench.engine.phase is Phase.READY)
        bench.step([Command(CommandKind.ARM)])
        for _ in range(steps):
            bench.step()
        bench.step([Command(CommandKind.ABORT)])
        wire, sent = Unframer(), []
        bench.to_device = lambda now_s, data: sent.extend(wire.feed(data)) or data
        return bench, sent

    return build


@pytest.mark.parametrize("steps", [0, 1, 2, 3, 4, 6, 20])
def test_no_arm_follows_an_abort(arming, steps):
    bench, sent = arming(steps)
    assert bench.engine.phase is not Phase.ARMING
    bench.run(bench.now_s + 3.0)
    # an Arm that was already on the line is overtaken by the abort behind it
    assert bench.device.machine.state.name in ("LOCKED", "TRIPPED")
    assert bench.engine.phase in (Phase.READY, Phase.COASTING, Phase.TRIPPED)
    assert not [message for message in sent if isinstance(message, Arm)]


def test_an_abort_while_locked_is_kept_until_a_reset(arming):
    bench, _ = arming(0)
    bench.run(bench.now_s + 0.5)
    assert bench.device.machine.state.name == "TRIPPED"
    assert bench.device.machine.reason.name == "OPERATOR_ABORT"
    bench.run(bench.now_s + 10.0, lambda bench: bench.engine.phase is Phase.TRIPPED)
    bench.step([Command(CommandKind.ARM)])
    assert bench.engine.phase is Phase.TRIPPED
    bench.step([Command(CommandKind.RESET)])
    bench.run(bench.now_s + 5.0, lambda bench: bench.engine.phase is Phase.READY)
    bench.step([Command(CommandKind.ARM)])
    bench.run(bench.now_s + 3.0, lambda bench: bench.engine.phase is Phase.RUNNING)
    assert bench.device.machine.state.name == "ARMED"


def test_an_arm_that_arrives_late_is_refused(arming):
    bench, _ = arming(0)
    bench.run(bench.now_s + 0.5)
    late = bench.engine.conversation.send(Arm(bench.engine.agreement.crc))
    bench.run(bench.now_s + 0.2)
    assert late.answer.result == Result.WRONG_STATE
    assert bench.device.machine.state.name == "TRIPPED"
    assert bench.device.machine.reason.name == "OPERATOR_ABORT"


def test_without_an_open_session_the_abort_ends_it(bench):
    bench.operator = lambda progress: ()
    bench.run(20, lambda bench: bench.engine.phase is Phase.READY)
    bench.step([Command(CommandKind.ARM)])
    assert bench.step([Command(CommandKind.ABORT)]).ending == Ending.ABORTED


def test_a_disarm_while_arming_does_not_trip(make_bench):
    for steps in range(12):
        bench = make_bench("", keep_open=True)
        bench.operator = lambda progress: ()
        bench.run(20, lambda bench: bench.engine.phase is Phase.READY)
        bench.run(bench.now_s + 0.4)
        bench.step([Command(CommandKind.ARM)])
        for _ in range(steps):
            bench.step()
        bench.step([Command(CommandKind.DISARM)])
        bench.run(bench.now_s + 0.5)
        assert (bench.engine.phase, bench.device.machine.state.name) == (Phase.READY, "LOCKED")
