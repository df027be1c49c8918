"""The whole job on the compiled sketch: steps by hand, identified; gains advised and loaded; re-test as predicted."""

from __future__ import annotations

from collections.abc import Sequence

import msgspec
import numpy as np
import pytest
from mcu_stand import McuStand
from mcu_talk import Talk

from whirlbench.analysis.governor import Advice, Verdict, advise, prove
from whirlbench.analysis.governor.loop_study import plausible_loads
from whirlbench.analysis.speed_loop import SpeedLoop, identify
from whirlbench.link.messages import Pitch, Request, Slow, State, Tach, Throttle
from whirlbench.rig.description import Rig
from whirlbench.rig.toml import example_rig_text, parse_rig
from whirlbench.samples import Run, SlowSamples, TachPulses
from whirlbench.session.engine import governor_parameters

BASE_US, STEP_US, PITCH_US, PITCH_STEP_US = 1430, 40, 1450, 120
HOLD_S = 1.6


def slewing_rig() -> Rig:
    """The example stand; quick enough that a step is not all slew."""
    rig = parse_rig(example_rig_text())
    return msgspec.structs.replace(rig, throttle=msgspec.structs.replace(rig.throttle, slew_us_per_s=2000.0))


def run_up(talk: Talk) -> None:
    talk.arm()
    talk.command(Pitch(PITCH_US))
    talk.command(Throttle(BASE_US))
    talk.run(2.5)
    assert talk.state is State.TURNING


def open_loop(talk: Talk) -> None:
    """Two throttle steps up and down, one pitch step there and back."""
    for pulse in (BASE_US + STEP_US, BASE_US) * 2:
        talk.command(Throttle(pulse))
        talk.run(HOLD_S)
    for pulse in (PITCH_US + PITCH_STEP_US, PITCH_US):
        talk.command(Pitch(pulse))
        talk.run(HOLD_S)


def load(talk: Talk, rig: Rig, advice: Advice) -> None:
    """The advised gains as the session would send them, mode included; the stand must be armed, not turning."""
    own = msgspec.structs.replace(rig.governor, mode="throttle", kp_us_per_rpm=advice.kp, ki_us_per_rpm_s=advice.ki)
    for parameter in governor_parameters(msgspec.structs.replace(rig, governor=own)):
        talk.command(parameter)


def governed(talk: Talk, speed_rpm: int) -> None:
    talk.command(Request(speed_rpm))
    talk.run(2.0)
    for speed in (round(1.04 * speed_rpm), speed_rpm):
        talk.command(Request(speed))
        talk.run(2.0)
    for pulse in (PITCH_US + PITCH_STEP_US, PITCH_US):
        talk.command(Pitch(pulse))
        talk.run(2.0)


def heard_run(talk: Talk, rig: Rig) -> Run:
    """The telemetry as a run: pulses, request, pitch by the table, edges to half a microsecond."""
    slow = talk.all_of(Slow)
    time = np.array([message.time_us for message in slow]) * 1e-6
    servo = np.array([message.servo_us for message in slow], dtype=float)
    pitch = np.interp(servo, *np.array(rig.pitch.table).T)
    channels = {
        "throttle_us": np.array([message.throttle_us for message in slow], dtype=float),
        "speed_request_rpm": np.array([message.request_rpm for message in slow], dtype=float),
        "servo_us": servo,
        "pitch_deg": pitch,
    }
    edges = [
        edge + 0.5 * (message.half_us >> index & 1)
        for message in talk.all_of(Tach)
        for index, edge in enumerate(message.edges_us)
    ]
    return Run(SlowSamples(time, **channels), TachPulses(np.array(edges) * 1e-6), source="the compiled sketch")


def walked(rig: Rig) -> tuple[SpeedLoop, Advice, Run]:
    """Identification, advice and the re-test on one simulated chip."""
    with McuStand("atmega2560", rig, seed=3) as stand:
        talk = Talk(stand)
        run_up(talk)
        open_loop(talk)
        loop = identify(heard_run(talk, rig), rig)
        advice = advise(loop, rig)
        assert advice is not None
        talk.command(Throttle(round(rig.throttle.safe_us)))
        while talk.state is not State.ARMED:
            talk.run(0.5)
        talk.heard.clear()
        load(talk, rig, advice)
        talk.command(Throttle(BASE_US))
        talk.run(2.5)
        governed(talk, round(advice.speed_rpm))
        return loop, advice, heard_run(talk, rig)


def test_the_drive_is_identified_and_the_governed_chip_answers_as_predicted_and_is_steady() -> None:
    """One test: the chip is walked through the job once, whichever process it falls to."""
    rig = slewing_rig()
    loop, advice, run = walked(rig)
    assert [pooled.kind for pooled in loop.pooled] == ["throttle", "pitch"]
    assert loop.origin == "tach"
    assert advice.models[0].gain == pytest.approx(8.5, rel=0.25)
    assert advice.worst.stable
    answers_as_predicted(prove(run, advice, np.random.default_rng(1), plausible_loads(loop)["pitch"], rig))
    last = run.tach.time_s[run.tach.time_s > run.tach.time_s[-1] - 1.0]
    assert np.ptp(60.0 / np.diff(last)) < 0.02 * advice.speed_rpm
    assert (60.0 / np.diff(last)).mean() == pytest.approx(advice.speed_rpm, rel=0.005)


def answers_as_predicted(verdicts: Sequence[Verdict]) -> None:
    assert [verdict.step.kind for verdict in verdicts] == ["request", "request", "pitch", "pitch"]
    for verdict in verdicts:
        for name in ("overshoot_pct", "recovery_s"):
            if name in verdict.measured:
                assert verdict.forecast.figures[name].holds(verdict.measured[name]), verdict.line
