"""Makes every demo recording anew: `python recordings/regenerate.py [--only NAME] [-o DIR]`.

All are simulated spins of one invented stand: a quarter-scale crop-duster turboprop with a four-blade 0.56 m propeller.
Seeds are fixed, so the same command gives the same samples.
"""

from __future__ import annotations

import argparse
import sys
from collections.abc import Callable
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np

from whirlbench.analysis.balance import balance, correction_for
from whirlbench.link.limit_table import LimitId
from whirlbench.recording import files
from whirlbench.recording.attributes import RunAttributes
from whirlbench.rig.description import Rig
from whirlbench.rig.toml import example_rig_text, parse_rig
from whirlbench.samples import SLOW_CHANNELS, Event, Run
from whirlbench.simulator.runs import Schedule, SetPoint, simulate_run
from whirlbench.simulator.stand import Fault, GovernorHunting, LoosePitchLink, LostTach, PlantSettings, RootCrack

SLOW_RATE_HZ = 100.0
REST_S = LimitId.REST_MS.start / 1e3  # the device's own
AXES = ("ay_g", "az_g")
CREATED = "2026-03-01T10:00:00Z"
UNBALANCE_G_MM, UNBALANCE_DEG = 70.0, 212.0
TRIAL_G, TRIAL_DEG, RADIUS_MM = 1.5, 90.0, 32.0


@dataclass(frozen=True)
class Demo:
    """One demo: its run, the events worth a mark, and the seed it came from."""

    run: Run
    events: tuple[Event, ...]
    rig_text: str
    seed: int


def main(arguments: list[str]) -> int:
    """Writes the recordings that were asked for and says how large they are."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--only", choices=sorted(DEMOS), help="make this one only")
    parser.add_argument("-o", "--out", type=Path, default=Path(__file__).parent, help="folder to write into")
    chosen = parser.parse_args(arguments)
    chosen.out.mkdir(parents=True, exist_ok=True)
    for name in [chosen.only] if chosen.only else sorted(DEMOS):
        path = chosen.out / f"{name}.h5"
        write(DEMOS[name](), path)
        print(f"{path.name:28} {path.stat().st_size / 1e6:5.2f} MB")
    return 0


def write(demo: Demo, path: Path) -> None:
    """Writes one demo as a recording, the way a session would have."""
    path.unlink(missing_ok=True)
    attributes = RunAttributes.of_rig(
        parse_rig(demo.rig_text), demo.rig_text, created=CREATED, origin="simulated stand", random_seed=demo.seed
    )
    run = demo.run
    with files.create(path, attributes) as recorder:
        for event in demo.events:
            recorder.add_event(event)
        recorder.add_slow(run.slow.time_s, {item.name: run.slow.channel(item.name) for item in SLOW_CHANNELS})
        recorder.add_tach(run.tach.time_s)
        recorder.add_vibration_g(run.vibration.time_s, {axis: getattr(run.vibration, axis) for axis in AXES})
        recorder.close("completed", "simulated spin")


def spin(
    points: tuple[SetPoint, ...], duration_s: float, seed: int, faults: tuple[Fault, ...] = (),
    unbalance: complex | None = None, governed: bool = False,
) -> Demo:  # fmt: skip
    """One simulated spin of the demo stand, with a plan event at each set point."""
    text = example_rig_text()
    if governed:
        text = text.replace("governs = false", "governs = true")
    settings = demo_stand(parse_rig(text), unbalance)
    run = simulate_run(
        settings, Schedule(points, duration_s), np.random.default_rng(seed), faults, SLOW_RATE_HZ, 1600.0, AXES
    )
    events = [*states(run, parse_rig(text)), *(Event(point.at_s, "plan", _said(point)) for point in points)]
    return Demo(run, tuple(sorted(events)), text, seed)


def states(run: Run, rig: Rig) -> list[Event]:
    """Armed from the beginning; turning while the device calls it so: driven, or a tach pulse within the rest time."""
    driven_s = run.slow.time_s[run.slow.channel("throttle_us") > rig.throttle.safe_us]
    signs_s = np.sort(np.concatenate((driven_s, run.tach.time_s)))
    begin = np.flatnonzero(np.diff(signs_s, prepend=-np.inf) > REST_S)
    events = [Event(0.0, "state", "armed"), *(Event(float(at_s), "state", "turning") for at_s in signs_s[begin])]
    ends_s = np.append(signs_s[begin[1:] - 1], signs_s[-1]) + REST_S
    return [*events, *(Event(float(at_s), "state", "armed") for at_s in ends_s if at_s <= run.slow.time_s[-1])]


def demo_stand(rig: Rig, unbalance: complex | None) -> PlantSettings:
    """The stand behind all demos; ``unbalance`` in g mm as a vector from the tach mark replaces its own."""
    settings = PlantSettings.from_rig(rig)
    if unbalance is None:
        return settings
    angle = float(np.degrees(np.angle(unbalance)))
    stand = replace(settings.stand, unbalance_g_mm=abs(unbalance), unbalance_deg=angle)
    return replace(settings, stand=stand)


def _said(point: SetPoint) -> str:
    parts = []
    if point.throttle_us is not None:
        parts.append(f"throttle {point.throttle_us:.0f} us")
    if point.request_rpm is not None:
        parts.append(f"request {point.request_rpm:.0f} rpm")
    if point.pitch_deg is not None:
        parts.append(f"pitch {point.pitch_deg:.1f} deg")
    return ", ".join(parts)


def proof_spin() -> Demo:
    """Healthy: five holds, each faster, then back to the first, and throttle closed."""
    speeds = (1330.0, 1400.0, 1470.0, 1540.0, 1610.0, 1400.0)
    points = [SetPoint(2.0 + 14.0 * number, throttle_us=pulse, ramp_s=2.0) for number, pulse in enumerate(speeds)]
    points[0] = replace(points[0], pitch_deg=6.0)
    return spin((*points, SetPoint(86.0, throttle_us=1000.0)), 91.0, 11)


def root_crack() -> Demo:
    """A crack opens at 38 s while the speed is held, grows for 25 s; the blade leaves at 63 s."""
    points = (
        SetPoint(2.0, throttle_us=1420.0, pitch_deg=8.0, ramp_s=2.0),
        SetPoint(18.0, throttle_us=1520.0, ramp_s=2.0),
        SetPoint(66.0, throttle_us=1000.0),
    )
    return spin(points, 70.0, 12, (RootCrack(start_s=38.0, growth_s=25.0),))


def loose_pitch_link() -> Demo:
    """The link begins to wear at 35 s: pitch falls, thrust and current with it, while the servo stays where it was."""
    points = (
        SetPoint(2.0, throttle_us=1450.0, pitch_deg=10.0, ramp_s=2.0),
        SetPoint(60.0, throttle_us=1000.0),
    )
    return spin(points, 64.0, 13, (LoosePitchLink(start_s=35.0, growth_s=20.0),))


def governor_hunting() -> Demo:
    """A governed speed that begins to swing at 25 s: a matter of gains, not of damage."""
    points = (
        SetPoint(2.0, request_rpm=3000.0, pitch_deg=8.0, ramp_s=2.0),
        SetPoint(15.0, request_rpm=3800.0, ramp_s=2.0),
        SetPoint(52.0, request_rpm=0.0),
    )
    return spin(points, 56.0, 14, (GovernorHunting(start_s=25.0),), governed=True)


def lost_tach() -> Demo:
    """The tach falls silent at 30 s; the rotor turns on unseen until the throttle is closed."""
    points = (SetPoint(2.0, throttle_us=1450.0, pitch_deg=8.0, ramp_s=2.0), SetPoint(40.0, throttle_us=1000.0))
    return spin(points, 45.0, 15, (LostTach(start_s=30.0),))


def _balance_run(unbalance: complex, seed: int) -> Demo:
    points = (
        SetPoint(2.0, throttle_us=1480.0, pitch_deg=6.0, ramp_s=2.0),
        SetPoint(26.0, throttle_us=1000.0),
    )
    return spin(points, 30.0, seed, unbalance=unbalance)


def _vector(g_mm: float, degrees: float) -> complex:
    return g_mm * complex(np.exp(1j * np.radians(degrees)))


def unbalance_as_found() -> Demo:
    """Unbalance of 70 g mm at 212 degrees from the mark."""
    return _balance_run(_vector(UNBALANCE_G_MM, UNBALANCE_DEG), 16)


def unbalance_trial() -> Demo:
    """The same with a trial mass of 1.5 g at 90 degrees, 32 mm."""
    return _balance_run(_vector(UNBALANCE_G_MM, UNBALANCE_DEG) + _vector(TRIAL_G * RADIUS_MM, TRIAL_DEG), 17)


def unbalance_corrected() -> Demo:
    """The trial mass taken off and the correction fitted that `balance` asks for, rounded to 0.05 g and 5 degrees."""
    found = balance(unbalance_as_found().run, unbalance_trial().run, TRIAL_G, TRIAL_DEG, RADIUS_MM)
    weight = correction_for(found.vector_g_mm, RADIUS_MM)
    fitted = _vector(round(weight.mass_g / 0.05) * 0.05 * RADIUS_MM, round(weight.angle_deg / 5.0) * 5.0)
    return _balance_run(_vector(UNBALANCE_G_MM, UNBALANCE_DEG) + fitted, 18)


DEMOS: dict[str, Callable[[], Demo]] = {
    make.__name__: make
    for make in (
        proof_spin,
        root_crack,
        loose_pitch_link,
        governor_hunting,
        lost_tach,
        unbalance_as_found,
        unbalance_trial,
        unbalance_corrected,
    )
}


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
