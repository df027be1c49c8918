"""After a lost link: the port is tried again, nothing leaves but the cut and the question who is there."""

import time
from functools import partial

from whirlbench.errors import LinkError
from whirlbench.link.framing import Unframer
from whirlbench.link.messages import Abort, Identify
from whirlbench.rig.toml import parse_rig
from whirlbench.safety.state_table import Stand
from whirlbench.session.engine import SlowRecord, StandWatch, Telemetry
from whirlbench.session.process import SessionSpec
from whirlbench.session.process.coast_down import CoastDown
from whirlbench.simulator.device.simulated_port import SimulatedPort, open_simulated


class Line(SimulatedPort):
    """A stand at the end of a line: it does not end with the session, and what is written is kept."""

    ends_with_session = False
    written = b""

    def write(self, data):
        Line.written += data
        super().write(data)


def coast_down(rig_text, open_port, kept, told, reconnect_s=20.0):
    rig = parse_rig(rig_text)
    watch = StandWatch.of(rig)
    watch.state = Stand.TURNING
    spec = SessionSpec(rig_text, open_port, reconnect_s=reconnect_s)
    telemetry = Telemetry(rig)
    telemetry.resume((0, 5_000_000, 0))
    return CoastDown(spec, telemetry, watch, kept.extend, told.append).record()


def test_only_the_cut_and_the_question_who_is_there_leave(rig_text):
    kept, Line.written = [], b""
    said = coast_down(rig_text, partial(Line, rig_text, 1), kept, [])
    sent = {type(message) for message in Unframer().feed(Line.written)}
    assert sent == {Abort, Identify}
    assert said.startswith("the device was heard again and recorded to rest")
    times_s = [time_s for record in kept if isinstance(record, SlowRecord) for time_s in record.time_s]
    assert min(times_s) > 5.0  # a clock that began anew goes on behind the run's last second
    assert [one.name for one in kept if getattr(one, "kind", "") == "trip"] == ["restart"]


def test_a_port_that_stays_away_is_given_up_in_time(rig_text):
    def absent():
        raise LinkError("absent")

    told, began_s = [], time.monotonic()
    said = coast_down(rig_text, absent, [], told, reconnect_s=0.3)
    assert said == "nothing came back within 0.3 s, the coast-down is not recorded"
    assert time.monotonic() - began_s < 2.0
    assert told and told[0].startswith("trying the port again for")


def test_a_simulated_stand_that_opens_anew_is_not_taken_for_the_one_that_was_lost(rig_text):
    kept = []
    assert coast_down(rig_text, partial(open_simulated, rig_text, 1), kept, []) == "the simulated stand ended with it"
    assert kept == []
