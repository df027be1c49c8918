"""The bench governor inside the compiled sketch, closed over the plant: it holds what was asked for, and lets go."""

from __future__ import annotations

import numpy as np
import pytest
from mcu_stand import McuStand
from mcu_talk import Talk

from whirlbench.link.messages import Abort, Reason, Request, Slow, State
from whirlbench.rig.description import Governor
from whirlbench.rig.toml import example_rig_text, parse_rig
from whirlbench.session.engine import governor_parameters

GOVERNOR = 'mode = "throttle"\nkp_us_per_rpm = 0.06\nki_us_per_rpm_s = 0.3'


@pytest.mark.parametrize("board", ["atmega2560", "atmega328p"])
def test_the_chip_holds_the_requested_speed_and_a_trip_ends_it(board: str) -> None:
    rig = parse_rig(example_rig_text().replace('[governor]\nmode = "pass_through"', f"[governor]\n{GOVERNOR}"))
    assert rig.governor != Governor()
    with McuStand(board, rig, seed=5, slice_s=0.004) as stand:
        talk = Talk(stand, turn_s=0.01)
        talk.arm()
        for command in governor_parameters(rig):
            talk.command(command)
        talk.command(Request(3000))
        talk.run(5.0)
        settled = [slow for slow in talk.all_of(Slow)[-500:] if slow.period_ticks]
        speeds_rpm = np.array([120e6 / slow.period_ticks for slow in settled])
        assert speeds_rpm.mean() == pytest.approx(3000, rel=0.01)
        assert np.ptp(speeds_rpm) < 0.05 * 3000
        assert len({slow.throttle_us for slow in settled}) > 1  # it works for it
        talk.command(Abort(Reason.OPERATOR_ABORT))
        talk.run(0.1)
        assert talk.state is State.TRIPPED
        assert stand.mcu.width_us(0) == pytest.approx(1000, abs=0.25)
