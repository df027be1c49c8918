"""Anything at any time: random commands, a surface that comes and goes, a line that loses and damages bytes.

Whatever happens, the engine never fails, and never says what it must not say.
"""

import numpy as np

from whirlbench.link.framing import Unframer
from whirlbench.link.messages import Abort, Arm, Heartbeat, Pitch, Reset, Throttle
from whirlbench.session.engine import Command, CommandKind
from whirlbench.session.plan import check_plan, parse_plan

SURFACE_S = 0.3
PLAN = """
[[step]]
kind = "hold"
throttle_us = 1160
pitch_deg = 8
duration_s = 0.4
[[step]]
kind = "inspect"
[[step]]
kind = "step"
throttle_us = 1150
duration_s = 0.1
[[step]]
kind = "multisine"
amplitude_us = 30
low_hz = 1
high_hz = 4
duration_s = 1.5
[[step]]
kind = "sweep"
pitch_deg = [2, 10]
duration_s = 1
"""
VALUES = {CommandKind.THROTTLE: (900, 2000), CommandKind.SERVO: (900, 2100), CommandKind.PITCH: (-10, 30),
          CommandKind.REQUEST: (0, 7000), CommandKind.GOVERNOR: (-5, 5)}  # fmt: skip


def random_commands(rng):
    """Now and then one command of any kind; arming and starting often enough that something runs."""
    if rng.random() < 0.04:
        return [
            Command(CommandKind.ARM),
            Command(CommandKind.START),
            Command(CommandKind.CONTINUE),
            Command(CommandKind.RESET),
        ]
    if rng.random() < 0.002:
        return [Command(CommandKind.ABORT)]
    if rng.random() > 0.01:
        return []
    kind = rng.choice([kind for kind in CommandKind if kind is not CommandKind.FINISH])
    low, high = VALUES.get(kind, (0, 0))
    return [Command(CommandKind(kind), float(rng.uniform(low, high)), "kp_us_per_rpm")]


class ArmingWord:
    """Whether a command to arm is in force: an abort takes it back, a new command or a continued plan gives it."""

    valid = False

    def given(self, commands, engine):
        """The same ``commands``, noted."""
        kinds = [command.kind for command in commands]
        if CommandKind.ABORT in kinds:
            self.valid = False
        if CommandKind.ARM in kinds or (CommandKind.CONTINUE in kinds and engine.plan_run is not None):
            self.valid = True
        return commands


def damaged(rng, data, rate):
    """``data`` with some bytes lost and some altered."""
    kept = np.frombuffer(data, np.uint8)[rng.random(len(data)) > rate]
    altered = rng.random(len(kept)) < rate
    kept[altered] = rng.integers(256, size=altered.sum())
    return kept.tobytes()


def chaos(bench, rng, seconds):
    """Runs ``bench`` through ``seconds`` of chaos, checking every message; gives the kinds that were sent."""
    rate = rng.choice([0.0, 0.0, 1e-4, 2e-3])
    surface = {"silent_since_s": None, "age_s": 0.0}

    def surface_age_s(now_s):
        if rng.random() < 0.002:
            surface["silent_since_s"] = now_s if surface["silent_since_s"] is None else None
        since_s = surface["silent_since_s"]
        surface["age_s"] = 0.0 if since_s is None else now_s - since_s
        return surface["age_s"]

    word = ArmingWord()
    bench.operator = lambda progress: word.given(random_commands(rng), bench.engine)
    bench.surface_age_s = surface_age_s
    bench.to_host = lambda now_s, data: damaged(rng, data, rate)
    spoken, kinds = Unframer(), set()
    while bench.now_s < seconds and bench.step() is None:
        for message in spoken.feed(bench._pending):
            kinds.add(type(message))
            check(message, bench.engine, surface["age_s"])
            assert not isinstance(message, Arm) or word.valid, "armed after an abort without a new command"
    return kinds


def test_the_engine_survives_and_keeps_its_word(make_bench):
    kinds = set()
    for seed in range(6):
        rng = np.random.default_rng(seed)
        kinds |= chaos(make_bench(PLAN, seed=seed, keep_open=True), rng, seconds=6.0)
    assert {Abort, Arm, Heartbeat, Pitch, Reset, Throttle} <= kinds, "the campaign was too tame"


def check(message, engine, age_s):
    """What no message may be, whatever came before."""
    if isinstance(message, Heartbeat):
        assert age_s <= SURFACE_S
    if isinstance(message, Arm):
        assert tuple(engine.conversation.limits.values) == engine.agreement.values
        assert message.limits_crc == engine.agreement.crc
    if isinstance(message, Throttle):
        assert 1000 <= message.pulse_us <= 1900
        assert message.pulse_us == 1000 or engine.watch.live
    if isinstance(message, Pitch):
        assert 1000 <= message.pulse_us <= 2000


def test_the_plan_of_this_campaign_fits_the_rig(make_bench):
    check_plan(parse_plan(PLAN), make_bench().engine.rig)
