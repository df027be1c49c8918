"""A blade set that nothing speaks against, for tests of what comes after the gate."""

from __future__ import annotations

from pathlib import Path

from whirlbench.log import Standing, State
from whirlbench.log.entries import totals
from whirlbench.rig.description import Rig
from whirlbench.rig.toml import parse_rig
from whirlbench.session.plan import Clearance, FittedSet


def cleared(rig: Rig | str) -> Clearance:
    """The clearance of the set on ``rig`` (or its TOML), permitted just what the rig's own limit lets it turn."""
    rig = parse_rig(rig) if isinstance(rig, str) else rig
    name = rig.propeller.blade_set or ""
    return Clearance(name, rig.limits.overspeed_rpm or 0.0, Standing(name, State.IN_SERVICE, (), totals(())))


def fitted(rig: Rig | str, folder: Path) -> FittedSet:
    """The same set with a log of simulated runs in ``folder``, for surfaces that keep one."""
    rig = parse_rig(rig) if isinstance(rig, str) else rig
    return FittedSet(rig, rig.limits.overspeed_rpm, simulated=True, log_path=folder / "blade_sets.sqlite")
