"""The stand view in every state it can be in, on a session that stands still: for tests of the screen and pictures."""

from __future__ import annotations

import math
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field, replace
from pathlib import Path

import numpy as np
from cleared_set import fitted
from held_session import HeldSession

from whirlbench.rig.device_slots import slot_values
from whirlbench.rig.toml import example_rig_text, parse_rig
from whirlbench.samples import SLOW_CHANNELS, Event
from whirlbench.session.engine import Ending, Outcome, Progress, SlowRecord, VibrationRecord
from whirlbench.window.main_window import MainWindow
from whirlbench.window.stand_state.hearing import Hearing

RIG = parse_rig(example_rig_text())
G_PER_COUNT = RIG.vibration.g_per_count
AT_REST = {
    "rpm": 0.0, "current_a": 0.1, "voltage_v": 39.8, "thrust_n": 0.2, "servo_us": 1200.0, "pitch_deg": 2.0,
    "throttle_us": 1000.0, "speed_request_rpm": math.nan, "vibration_g_rms": 0.03, "recorder_lag_s": 0.1,
}  # fmt: skip
AT_SPEED = {
    **AT_REST, "rpm": 4455.0, "current_a": 68.4, "voltage_v": 36.6, "thrust_n": 71.3, "servo_us": 1460.0,
    "pitch_deg": 9.8, "throttle_us": 1560.0, "vibration_g_rms": 1.31,
}  # fmt: skip
NEAR = {**AT_SPEED, "rpm": 5790.0, "current_a": 104.0, "vibration_g_rms": 3.7}
TRIPPED = (
    Event(41.2, "state", "armed", ""),
    Event(58.117, "trip", "heartbeat lost", "host silent for 104 ms"),
    Event(58.117, "link", "heartbeat late", "late: the computer (it did not run the session) by 96 ms"),
    Event(58.12, "state", "tripped", ""),
)
LOST_TACH = (Event(41.2, "state", "armed", ""), Event(58.117, "trip", "lost tach", "no edge for 412 ms"))
HOST_TRIP = (
    Event(41.2, "state", "armed", ""),
    Event(58.1, "limit", "lost_tach_ms", "lost_tach_ms 412, limit 400"),
    Event(58.1, "abort", "operator abort", "thrust_n 141.2, limit 135"),
)
NO_DEVICE = Progress("connecting", "", message="trying the port")


@dataclass(frozen=True)
class Scene:
    """What the session shows: phase, state, values, the rest of a Progress, events; how it ended, and what is amiss."""

    phase: str
    state: str
    values: dict[str, float] = field(default_factory=lambda: AT_SPEED)
    more: dict[str, object] = field(default_factory=dict)
    events: tuple[Event, ...] = ()
    ended: Outcome | None = None
    silent_s: float = 0.0  # for so long nothing has come any more
    lives: bool = True
    permitted_rpm: float | None = RIG.limits.overspeed_rpm


PLAN = {"step": 4, "steps": 9, "step_text": "hold"}
SCENES = {
    "no device": Scene("connecting", "", {}, {"message": "trying the port", "counters": {}}),
    "locked": Scene("ready", "locked", AT_REST),
    "locked, not cleared": Scene("ready", "locked", AT_REST, permitted_rpm=4900.0),
    "armed": Scene("running", "armed", AT_REST, events=TRIPPED[:1]),
    "turning": Scene("running", "turning", events=TRIPPED[:1]),
    "turning by plan": Scene("running", "turning", more=PLAN, events=TRIPPED[:1]),
    "near a limit": Scene("running", "turning", NEAR, events=TRIPPED[:1]),
    "old data": Scene("running", "turning", silent_s=0.6),
    "lost tach": Scene("coasting down", "tripped", {**AT_SPEED, "rpm": 0.0}, {"reason": "lost tach"}, LOST_TACH),
    "tripped": Scene("tripped", "tripped", AT_REST, {"reason": "heartbeat lost"}, TRIPPED),
    "tripped by the host": Scene("tripped", "tripped", AT_REST, {"reason": "lost_tach_ms"}, HOST_TRIP),
    "cut failed": Scene(
        "coasting down", "tripped", more={"reason": "CUT FAILED: OPEN THE ISOLATOR; overspeed"}, events=TRIPPED
    ),
    "device silent": Scene("running", "turning", silent_s=3.0),
    "session dead": Scene("running", "turning", silent_s=2.0, lives=False),
    "ended": Scene("ended", "tripped", AT_REST, events=TRIPPED, ended=Outcome(Ending.TRIPPED, "heartbeat lost")),
}


class Clock:
    """Seconds that pass only when they are told to."""

    now_s = 0.0

    def __call__(self) -> float:
        return self.now_s


def fill(session: HeldSession, values: dict[str, float], seconds: float = 60.0) -> None:
    """A minute of slow samples and vibration that come up to ``values``."""
    rng = np.random.default_rng(3)
    time_s = np.arange(0.0, seconds, 0.02)
    rise = 1.0 - np.exp(-time_s / 12.0)
    columns = {
        channel.name: values.get(channel.name, math.nan) * (rise + rng.normal(0.0, 0.002, len(time_s)))
        for channel in SLOW_CHANNELS
    }
    full_v, loaded_v = AT_REST["voltage_v"], values.get("voltage_v", math.nan)
    columns["voltage_v"] = full_v + (loaded_v - full_v) * columns["voltage_v"] / loaded_v  # a pack sags from full
    session.view.show([SlowRecord(time_s, columns, {})], G_PER_COUNT)
    for at_s in np.arange(0.0, seconds, 0.1):
        counts = rng.normal(0.0, 80.0 * (1.0 - math.exp(-at_s / 12.0)) + 1.0, (16, 3)).astype(np.int16)
        session.view.show([VibrationRecord(float(at_s), 0.000625, 0, counts)], G_PER_COUNT)


@contextmanager
def shown(scene: Scene, folder: Path, process: Callable[[], None]) -> Iterator[MainWindow]:
    """A window on a held session in that scene, drawn; it is closed afterwards. ``process`` runs Qt's events."""
    folder.mkdir(exist_ok=True)
    session = HeldSession(scene.phase, scene.state, scene.values)
    held = {name: value.counts for name, value in slot_values(RIG).items()}
    session.progress = replace(session.progress, held=held, **scene.more)
    if scene.values:
        fill(session, scene.values)
    session.view.show(scene.events, G_PER_COUNT)
    window, clock = MainWindow(), Clock()
    found = replace(fitted(RIG, folder), permitted_rpm=scene.permitted_rpm)
    window.show_session(session, RIG, folder / "run.h5", found)
    assert window.bridge is not None
    window.bridge.panel.hearing = Hearing(clock)
    if any(event.name == "armed" for event in scene.events):
        session.progress = replace(session.progress, state="armed")
        window.bridge.panel.advance()
        session.progress = replace(session.progress, state=scene.state)
    window.bridge.panel.advance()
    window.show()
    process()
    session.silent, session.lives = scene.silent_s > 0, scene.lives
    clock.now_s += scene.silent_s
    session.ended = scene.ended
    window.bridge._clock.stop()
    window.bridge._frame()
    process()
    try:
        yield window
    finally:
        session.ended = session.ended or Outcome(Ending.DONE)
        window.close()
        process()
