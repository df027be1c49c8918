"""A session on the simulated stand without processes and clock, as quick as it computes: recorded like any other."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from whirlbench.session.engine import Command, Outcome, Progress
    from whirlbench.session.process import SessionSpec
    from whirlbench.simulator.stand import Fault

TURN_S = 0.01  # the device trips by itself, in its own time; only the host's ring is this slow


def run_simulated(
    spec: SessionSpec,
    speed: float | None,
    progress: Callable[[Progress], None],
    operator: Callable[[Progress], Sequence[Command]] | None = None,
    faults: Sequence[Fault] = (),
    created: str = "",
    stand_text: str = "",
) -> Outcome:
    """Runs ``spec`` in lock-step with a stand made from its rig and seed, at most ``speed`` times real time.

    ``operator``: who commands, by default one who does what the plan asks. The same seed gives the same recording, and
    the log takes one recording once: ``created``, the time of day, tells two runs apart. ``stand_text``: the rig that
    the stand is made from, where the session runs under another one.
    """
    from whirlbench.recording.attributes import RunAttributes
    from whirlbench.recording.files import create
    from whirlbench.rig.toml import parse_rig
    from whirlbench.session.process import run_in_lockstep
    from whirlbench.simulator.device.simulated_port import simulated_device

    attributes = RunAttributes.of_rig(
        parse_rig(spec.rig_text),
        spec.rig_text,
        plan_text=spec.plan_text,
        origin=spec.origin,
        random_seed=spec.random_seed,
        created=created,
        clearance=spec.clearance.record if spec.clearance is not None else "",
    )
    with create(spec.recording, attributes) as recorder:
        device = simulated_device(stand_text or spec.rig_text, spec.random_seed or 0, faults)
        outcome = run_in_lockstep(spec.engine(), device, recorder, speed, progress, operator, step_s=TURN_S)
        recorder.close(outcome.ending.value, outcome.reason)
    return outcome
