"""The gate at the terminal and the window: which blade set is fitted, by the strength check and by its log."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from pathlib import Path
from typing import Any

import click

from whirlbench.cli.port_choice import SIMULATED
from whirlbench.errors import BenchError
from whirlbench.rig.description import Rig
from whirlbench.session.plan import Clearance, FittedSet, Override, Plan, refusal, remedy


def log_option(command: Callable[..., Any]) -> Callable[..., Any]:
    """The option that names the log of blade sets."""
    return click.option(
        "--log",
        "log_path",
        type=click.Path(dir_okay=False, path_type=Path),
        envvar="WHIRLBENCH_LOG",
        help="The log of blade sets; absent: the user's own, for the simulated stand one of its own.",
    )(command)


def fitted_set(rig: Rig, port: str, log_path: Path | None) -> FittedSet:
    """The set on the hub, judged for its permitted speed; a rig that cannot be judged gives a set without one."""
    from whirlbench.results.check import judge_fitted_set

    found = judge_fitted_set(rig)
    return FittedSet(rig, found.permitted_rpm, found.why, port == SIMULATED, log_path)


def enter_calibrations(rig: Rig, simulated: bool | None, log_path: Path | None, operator: str) -> str:
    """What was calibrated into the log of the fitted set; returns in one line what became of it.

    A log is begun by the first run: until then there is none to write to, and that run enters what is in force.
    ``simulated`` None: points from a file tell no kind of stand, and a log that is there is written to as it is.
    LogError when it cannot be.
    """
    from whirlbench.log import SetLog

    fitted = FittedSet(rig, None, simulated=bool(simulated), log_path=log_path)
    if not fitted.name:
        return "not entered in any log: the rig does not say which blade set is fitted (propeller.blade_set)"
    if not fitted.path.exists():
        return f"{fitted.path}: no log yet: the first run of {fitted.name} enters the calibrations in force"
    if simulated is None:
        with SetLog(fitted.path) as log:
            fitted = replace(fitted, simulated=log.simulated)
    new = fitted.enter_calibrations(operator)
    return f"{fitted.path}: {len(new)} calibration{'s' * (len(new) != 1)} entered for {fitted.name}"


def judged_clearance(rig: Rig) -> Clearance:
    """The clearance of a set of which the log knows nothing yet: what strength alone says."""
    from whirlbench.log import standing
    from whirlbench.results.check import judge_fitted_set

    found, name = judge_fitted_set(rig), rig.propeller.blade_set or ""
    return Clearance(name, found.permitted_rpm, standing((), rig, name), found.why)


def typed_override(name: str | None, reason: str | None, operator: str) -> Override | None:
    """The override of the command line; BenchError when only half of it was given."""
    if name is None and reason is None:
        return None
    if name is None or reason is None:
        raise BenchError("an override needs both: --override-set with the set's name, and --because with the reason")
    return Override(name, reason, operator)


def require_cleared(clearance: Clearance, rig: Rig, plan: Plan | None, source: str) -> None:
    """BenchError with every objection and its number, and what to do, when the set may not be armed with."""
    against = refusal(clearance, rig, plan)
    if against:
        raise BenchError(f"{source}: nothing is armed: {against}. {remedy(clearance, rig)}")
