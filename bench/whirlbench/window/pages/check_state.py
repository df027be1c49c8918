"""What the window shows before the spin, as plain data: no Qt here, so that it is tested without a screen.

``check_state`` judges a rig; ``chosen`` turns to another of its blade sets. Nothing here computes strength itself.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from whirlbench.analysis.strength import (
    DesignCheck,
    ModeResult,
    MonteCarlo,
    Stage,
    StrengthCheck,
    check_strength,
    plan_text,
)
from whirlbench.errors import BenchError
from whirlbench.rig.description import Rig
from whirlbench.safety.margins import Margin

SET_HEADINGS = ("set", "verdict", "blade g", "pull N", "reserve", "permitted rpm", "governed by", "P(overload)")
MODE_HEADINGS = (
    "way to fail",
    "stress MPa",
    "allowable MPa",
    "reserve",
    "needed",
    "permitted rpm",
    "strength rests on",
)
STAGE_HEADINGS = ("stage", "rpm", "load %", "hold s", "blade angle", "throttle %", "request rpm", "then")
NONE = "–"


@dataclass(frozen=True)
class Curve:
    """Share of the reserve in use (``use``) against speed (``rpm``), both ``(n,)``; above 1 the set fails."""

    label: str
    rpm: np.ndarray
    use: np.ndarray
    chosen: bool


@dataclass(frozen=True)
class Profile:
    """Stress in MPa along a blade, radius in mm, arrays ``(n,)``; ``asked_mpa`` the allowable over reserve."""

    radius_mm: np.ndarray
    direct_mpa: np.ndarray
    bending_mpa: np.ndarray
    asked_mpa: float


@dataclass(frozen=True)
class CheckState:
    """A judged rig with one blade set chosen for the details."""

    check: StrengthCheck
    rig: Rig
    chosen_name: str

    def chosen(self, name: str) -> CheckState:
        """The same check with the details of set ``name``; a name that was not judged raises BenchError."""
        if name not in self.names():
            raise BenchError(f"blade set {name!r} was not judged: there are {', '.join(self.names())}")
        return replace(self, chosen_name=name)

    def names(self) -> tuple[str, ...]:
        """Names of the judged sets, in the rig's order."""
        return tuple(design.name for design in self.check.designs)

    @property
    def design(self) -> DesignCheck:
        """The chosen set."""
        return next(design for design in self.check.designs if design.name == self.chosen_name)

    def heading(self) -> str:
        """The verdict on the chosen set in one line."""
        design, rpm = self.design, self.check.speed_rpm
        verdict = "fit for" if design.passes else "NOT FIT for"
        return f"{design.title}: {verdict} {rpm:.0f} rpm; {design.governed_by} permits {design.permitted_rpm:.0f} rpm"

    def set_rows(self) -> tuple[tuple[str, ...], ...]:
        """One row a set under ``SET_HEADINGS``."""
        return tuple(_set_row(design, self.check.monte_carlo[design.name]) for design in self.check.designs)

    def mode_rows(self) -> tuple[tuple[str, ...], ...]:
        """One row for each way the chosen set can fail, under ``MODE_HEADINGS``."""
        return tuple(_mode_row(mode) for mode in self.design.modes)

    def stage_rows(self) -> tuple[tuple[str, ...], ...]:
        """One row a stage of the proof of the fitted set, under ``STAGE_HEADINGS``."""
        return tuple(_stage_row(stage) for stage in self.check.plan.stages)

    def margins(self) -> tuple[Margin, ...]:
        """Stresses, servo and tip Mach of the chosen set as shares of what is permitted, fullest first."""
        check, design = self.check, self.design
        found = [_mode_margin(mode) for mode in design.modes if mode.judged]
        if design.servo is not None:
            found.append(
                _margin("pitch servo torque", "N m", design.servo.servo_torque_n_m, design.servo.available_n_m)
            )
        if check.tip_mach_limit is not None:
            found.append(_margin("tip mach", "", check.tip_mach, check.tip_mach_limit))
        return tuple(sorted(found, key=lambda margin: -margin.share))

    def curves(self) -> tuple[Curve, ...]:
        """Reserve in use against speed, one curve a set."""
        return tuple(
            Curve(design.title, design.use_rpm, design.use, design.name == self.chosen_name)
            for design in self.check.designs
        )

    def speed_marks(self) -> tuple[tuple[str, float], ...]:
        """(label, rpm) of the vertical lines on the chart of ``curves``."""
        marks = [("judged", self.check.speed_rpm), ("proof", self.check.plan.proof_rpm)]
        if self.rig.limits.overspeed_rpm is not None:
            marks.append(("overspeed trip", self.rig.limits.overspeed_rpm))
        return tuple(marks)

    def profile(self) -> Profile | None:
        """Stress along the chosen blade, None when the rig does not describe its sections."""
        sections, mode = self.design.sections, self.design.mode("blade")
        if sections is None or mode is None:
            return None
        return Profile(
            sections.radius_m * 1e3,
            sections.direct_pa / 1e6,
            sections.bending_pa / 1e6,
            mode.allowable.value_pa / mode.required / 1e6,
        )

    def fragment_text(self) -> str:
        """What a blade that lets go would do, for the keep-out notice."""
        view = self.design.fragment
        dragged = (
            "" if view.range_with_drag_m is None else f", about {view.range_with_drag_m:.0f} m with drag (estimate)"
        )
        return (
            f"A blade that lets go: {view.whole.speed_m_s:.0f} m/s, {view.whole.energy_j:.0f} J, without a guard up to "
            f"{view.range_without_drag_m:.0f} m without drag{dragged}."
        )

    def notices(self) -> tuple[tuple[str, str], ...]:
        """("warning" | "caution" | "assumption", text) in the order they should be read."""
        check = self.check
        return (
            *(("warning", text) for text in check.warnings),
            *(("caution", text) for text in (*check.cautions, *check.plan.cautions)),
            *(("assumption", text) for text in check.assumptions),
        )

    def plan_text(self) -> str:
        """The proof of the fitted set as a plan file; RigError where the rig does not tell throttle openings."""
        return plan_text(self.check.plan, self.rig, self.check.fitted.name)


def check_state(rig: Rig, speed_rpm: float | None = None, proof_rpm: float | None = None) -> CheckState:
    """Judges ``rig`` with its fitted set chosen; RigError names a key that is missing."""
    check = check_strength(rig, speed_rpm, proof_rpm)
    return CheckState(check, rig, check.fitted.name)


def _margin(name: str, unit: str, value: float, limit: float) -> Margin:
    return Margin(name, unit, value, limit, value / limit)


def _mode_margin(mode: ModeResult) -> Margin:
    """Stress against the allowable with the reserve asked of it taken off."""
    return _margin(mode.name, "MPa", mode.stress_pa / 1e6, mode.allowable.value_pa / mode.required / 1e6)


def _set_row(design: DesignCheck, chance: MonteCarlo | None) -> tuple[str, ...]:
    return (
        design.title,
        "fit" if design.passes else "NOT FIT",
        f"{design.mass_kg * 1e3:.1f}",
        f"{design.centrifugal_n:.0f}",
        f"{design.reserve_factor:.2f}",
        f"{design.permitted_rpm:.0f}",
        design.governed_by,
        NONE if chance is None else chance.told(chance.exceeds_strength),
    )


def _mode_row(mode: ModeResult) -> tuple[str, ...]:
    return (
        mode.name if mode.judged else f"{mode.name} (fatigue only)",
        f"{mode.stress_pa / 1e6:.2f}",
        f"{mode.allowable.value_pa / 1e6:.2f}",
        f"{mode.reserve_factor:.2f}",
        f"{mode.required:g}" if mode.judged else NONE,
        f"{mode.permitted_rpm:.0f}",
        mode.allowable.basis,
    )


def _stage_row(stage: Stage) -> tuple[str, ...]:
    return (
        str(stage.number),
        f"{stage.rpm:.0f}",
        f"{stage.load_pct:.0f}",
        f"{stage.hold_s:.0f}",
        *(
            NONE if value is None else f"{value:.1f}"
            for value in (stage.pitch_deg, stage.throttle_pct, stage.request_rpm)
        ),
        f"stop: {stage.note}" if stage.inspect else "",
    )
