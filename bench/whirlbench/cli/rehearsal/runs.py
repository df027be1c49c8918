"""The runs of a rehearsal: each a plan that is shipped with the package, on a fresh simulated stand, in lock-step."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING

from whirlbench.session.engine import Outcome, Progress

if TYPE_CHECKING:
    from whirlbench.simulator.stand import Fault

LOG_NAME = "blade_sets.sqlite"
REHEARSED = "rehearsal"  # who made the entries of its log


@dataclass(frozen=True)
class Spin:
    """One run: name of its files, its plan among the package's plans or as ``text``, and what it is for."""

    name: str
    plan: str
    purpose: str
    fails: bool = False
    text: str = ""

    def plan_text(self) -> str:
        """TOML of the plan."""
        from whirlbench.session.plan import shipped_plan_text

        return self.text or shipped_plan_text(self.plan)

    def faults(self) -> tuple[Fault, ...]:
        """What goes wrong in this run."""
        from whirlbench.simulator.stand import Runaway

        return (Runaway(start_s=25.0, growth_s=4.0),) if self.fails else ()


RE_TEST = Spin("3-re-test", "re-test.toml", "The re-test of the advised gains, under the bench's governor")
SPINS = (
    Spin("1-staged-spin", "short_spin.toml", "A short staged spin: up, two steps, a pitch sweep, down"),
    Spin("2-step-tests", "rehearsal_steps.toml", "Steps of throttle and pitch: how speed answers"),
    Spin("4-pitch-map", "rehearsal_pitch_map.toml", "Holds over pitch at two throttles: what the pitch limits rest on"),
    Spin(
        "5-runaway", "rehearsal_failure.toml", "The speed controller runs away: the overspeed trip must act", fails=True
    ),
)


def check_rehearsal(rig_text: str) -> None:
    """RigError, PlanError or BenchError when the rig lacks what the check, the gate, a plan or the stand needs."""
    from whirlbench.analysis.strength import check_strength
    from whirlbench.cli.gate import judged_clearance, require_cleared
    from whirlbench.rig.toml import parse_rig
    from whirlbench.session.engine import Engine
    from whirlbench.session.plan import parse_plan
    from whirlbench.simulator.device.simulated_port import simulated_device

    rig = parse_rig(rig_text)
    check_strength(rig)
    clearance = judged_clearance(rig)
    for spin in SPINS:
        plan = parse_plan(spin.plan_text(), spin.plan)
        Engine(rig, plan)
        require_cleared(clearance, rig, plan, "rehearsal")
    simulated_device(rig_text, 0)


def planned_s(spin: Spin, rig_text: str) -> float | None:
    """How long the plan of ``spin`` takes, for a progress line; None where that cannot be foretold."""
    from whirlbench.errors import BenchError
    from whirlbench.rig.toml import parse_rig
    from whirlbench.session.plan import course, parse_plan

    try:
        return course(parse_plan(spin.plan_text(), spin.plan), parse_rig(rig_text))[-1].to_s
    except BenchError:
        return None


def run_spin(
    spin: Spin, rig_text: str, folder: Path, seed: int, speed: float | None, progress: Callable[[Progress], None]
) -> tuple[Path, Outcome]:
    """Runs ``spin`` to its end and records it in ``folder``; the same seed gives the same recording.

    The rehearsal keeps a log of blade sets of its own in ``folder``, and is cleared by it like any run.
    """
    from whirlbench.cli.gate import fitted_set
    from whirlbench.cli.port_choice import SIMULATED, origin, port_opener
    from whirlbench.cli.simulated_session import run_simulated
    from whirlbench.rig.toml import parse_rig
    from whirlbench.session.engine import Ending, check_list
    from whirlbench.session.process import SessionSpec

    rig = parse_rig(rig_text)
    fitted, path = fitted_set(rig, SIMULATED, folder / LOG_NAME), folder / f"{spin.name}.h5"
    spec = SessionSpec(
        rig_text,
        port_opener(SIMULATED, rig_text, seed),
        spin.plan_text(),
        str(path),
        origin=origin(SIMULATED),
        random_seed=seed,
        clearance=fitted.clearance(),
    )
    fitted.begin(path, check_list(rig, fitted.proof()), REHEARSED)
    outcome = run_simulated(spec, speed, progress, faults=spin.faults())
    fitted.finish(path, REHEARSED, armed=outcome.ending is not Ending.REFUSED)
    return path, outcome
