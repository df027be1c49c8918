"""The proof run: stages of rising load with holds and inspection stops, and the plan file that `spin` runs.

Stages rise in equal steps of load, not of speed, because load grows with speed squared. Blades stand fine, so that
the proof loads the roots and spares pack and motor.
"""

from __future__ import annotations

import json
from collections.abc import Iterator, Sequence
from dataclasses import dataclass

import numpy as np

from whirlbench.analysis.strength.planned_points import CoefficientCurve, PlannedPoint, plan_points
from whirlbench.errors import RigError
from whirlbench.physics.fatigue import SIGNS
from whirlbench.rig.description import Rig, takes_requests

STAGE_LOADS = (0.10, 0.30, 0.50, 0.70, 0.85, 1.00)  # of the load at proof speed; our own choice
INSPECT_AFTER = (0.30, 0.70, 1.00)
STAGE_HOLD_S, PROOF_HOLD_S = 30.0, 120.0  # our own choice; 14 CFR 35.35 asks an hour of full-size hubs
DEFAULT_OVER_GOVERNED = 1.05
WHOLE_TENS_FROM_RPM = 1000.0  # stages above it are rounded to whole tens
BELOW_TRIP = 0.97  # of limits.overspeed_rpm: a proof run must not be ended by its own trip
STOP_ABOVE_MARGIN_PCT = 98.0
PACK_SHARE = 0.7  # of the capacity between two inspection stops, where packs are changed


@dataclass(frozen=True)
class Stage:
    """One stage of the proof. Throttle or request is None where the rig does not tell it."""

    number: int
    rpm: float
    load_pct: float
    hold_s: float
    pitch_deg: float | None
    throttle_pct: float | None
    request_rpm: float | None
    charge_ah: float | None
    inspect: bool
    note: str


@dataclass(frozen=True)
class ProofPlan:
    """The whole proof; ``source`` says where the proof speed came from, ``cautions`` what to mind."""

    proof_rpm: float
    source: str
    stages: tuple[Stage, ...]
    cautions: tuple[str, ...]


def default_proof_rpm(rig: Rig, governed_rpm: float, permitted_rpm: float, governed_by: str) -> tuple[float, str]:
    """(proof speed in rpm, why): a little above the governed speed, below trip and permitted speed."""
    wishes = [(DEFAULT_OVER_GOVERNED * governed_rpm, f"{DEFAULT_OVER_GOVERNED:g} times the governed speed")]
    if rig.limits.overspeed_rpm is not None:
        wishes.append((BELOW_TRIP * rig.limits.overspeed_rpm, f"{BELOW_TRIP:.0%} of limits.overspeed_rpm"))
    wishes.append((permitted_rpm, f"the permitted speed, governed by {governed_by}"))
    speed, reason = min(wishes)
    return float(np.floor(speed / 10.0) * 10.0), reason


def proof_plan(
    rig: Rig,
    proof_rpm: float,
    source: str,
    curve: CoefficientCurve | None,
    density_kg_m3: float,
    signs: str = SIGNS[""],
) -> ProofPlan:
    """Stages up to ``proof_rpm``, none where nothing is permitted; openings come from the rig's drive and ``curve``.

    ``signs`` is what each stop looks for, by the material of the blades.
    """
    if proof_rpm <= 0.0:
        return ProofPlan(proof_rpm, source, (), ())
    pitch_deg, requests = _fine_pitch_deg(rig), takes_requests(rig)
    tens = -1 if proof_rpm >= WHOLE_TENS_FROM_RPM else 1
    speeds = [float(np.round(proof_rpm * share**0.5, tens)) for share in STAGE_LOADS[:-1]] + [proof_rpm]
    points = _points(rig, curve, density_kg_m3, speeds, pitch_deg)
    stages = tuple(
        _stage(number, speed, share, pitch_deg, point, requests, signs)
        for number, (speed, share, point) in enumerate(zip(speeds, STAGE_LOADS, points, strict=True), start=1)
    )
    return ProofPlan(proof_rpm, source, stages, tuple(_cautions(rig, stages, requests, points)))


def plan_text(plan: ProofPlan, rig: Rig, set_name: str) -> str:
    """The proof as the text of a plan file; RigError without a permitted speed, or where no opening can be told."""
    if not plan.stages:
        raise RigError("no speed is permitted, so nothing may turn: the root has to be made stronger first")
    lines = [
        "# Proof run. Out of the plane of rotation, guard closed, isolating switch within reach.",
        "# The bench cuts the power; it never replaces guard and isolator. Local codes apply.",
        f"# Proof speed {plan.proof_rpm:g} rpm: {plan.source}.",
        *(f"# {caution}" for caution in plan.cautions),
        f"name = {_quoted(f'proof run of the {set_name} blades to {plan.proof_rpm:g} rpm')}",
        f"stop_above_margin_pct = {STOP_ABOVE_MARGIN_PCT:g}",
    ]
    for stage in plan.stages:
        lines += _step_lines(stage, rig)
    return "\n".join(lines) + "\n"


def _step_lines(stage: Stage, rig: Rig) -> list[str]:
    title = f"{stage.load_pct:.0f} % of the proof load, {stage.rpm:g} rpm"
    lines = ["", "[[step]]", 'kind = "hold"', f"name = {_quoted(title)}"]
    if stage.request_rpm is not None:
        lines.append(f"request_rpm = {stage.request_rpm:g}")
    elif stage.throttle_pct is not None:
        lines.append(f"throttle_pct = {stage.throttle_pct:.1f}")
    else:
        raise RigError(
            f"the plan needs throttle openings, and {stage.rpm:g} rpm has none: give motor.kv_rpm_per_v, "
            "resistance_ohm, no_load_current_a, pack.cells and sections with chords (or propeller.coefficients), or "
            "let a governor take requests; where all that is given, the drive cannot reach the speed: plan a lower one "
            "with --proof-rpm"
        )
    if stage.pitch_deg is not None and rig.governor.mode != "pitch":
        lines.append(f"pitch_deg = {stage.pitch_deg:g}")
    lines.append(f"duration_s = {stage.hold_s:g}")
    if stage.inspect:
        lines += ["", "[[step]]", 'kind = "inspect"', f"note = {_quoted(stage.note)}"]
    return lines


def _quoted(text: str) -> str:
    """``text`` as a TOML string; JSON's escapes are TOML's, too."""
    return json.dumps(text, ensure_ascii=False)


def _fine_pitch_deg(rig: Rig) -> float | None:
    """Least blade angle of the fastest mode, else None: the pitch then stays where it is."""
    if not rig.modes or rig.pitch.table is None:
        return None
    return max(rig.modes.values(), key=lambda mode: mode.rpm[1]).min_pitch_deg


def _points(
    rig: Rig, curve: CoefficientCurve | None, density_kg_m3: float, speeds: Sequence[float], pitch_deg: float | None
) -> list[PlannedPoint | None]:
    if curve is None or pitch_deg is None:
        return [None] * len(speeds)
    return list(plan_points(rig, curve, density_kg_m3, speeds, (pitch_deg,)))


def _stage(
    number: int, rpm: float, share: float, pitch_deg: float | None, point: PlannedPoint | None, requests: bool,
    signs: str,
) -> Stage:  # fmt: skip
    hold_s = PROOF_HOLD_S if share == 1.0 else STAGE_HOLD_S
    current = None if point is None else point.pack_current_a
    # The light duty turns even a propeller that takes less power than planned no faster than the stage asks for.
    throttle_pct = None if requests or point is None or point.light_duty is None else 100.0 * point.light_duty
    return Stage(
        number=number,
        rpm=rpm,
        load_pct=100.0 * share,
        hold_s=hold_s,
        pitch_deg=pitch_deg,
        throttle_pct=throttle_pct,
        request_rpm=rpm if requests else None,
        charge_ah=None if current is None else current * hold_s / 3600.0,
        inspect=share in INSPECT_AFTER,
        note=f"isolate; look for {signs}; blade angles alike; pack charged",
    )


def _cautions(rig: Rig, stages: Sequence[Stage], requests: bool, points: Sequence[PlannedPoint | None]) -> list[str]:
    found = []
    if not requests and stages[0].throttle_pct is not None:
        told = points[-1].light_duty_rpm if points and points[-1] is not None else None
        reached = ""
        if told is not None:
            reached = (
                f"; the last stage of {stages[-1].rpm:g} rpm comes to {told[0]:.0f} as expected, {told[1]:.0f} at least"
            )
        found.append(f"Throttle openings are for the lightest propeller to expect and a full pack{reached}.")
        found += _beyond_cap(rig, stages)
    found += _cannot_reach(stages, points)
    if rig.pack.capacity_ah is not None and any(point is not None for point in points):
        used = _most_between_stops(stages)
        if used > PACK_SHARE * rig.pack.capacity_ah:
            found.append(
                f"Up to {used:.1f} Ah between two stops, of a {rig.pack.capacity_ah:g} Ah pack: shorten the holds."
            )
    if rig.limits.overspeed_rpm is None:
        found.append("limits.overspeed_rpm is not set: the bench cannot cut an overspeed.")
    return found


def _beyond_cap(rig: Rig, stages: Sequence[Stage]) -> Iterator[str]:
    """The first stage that opens the throttle beyond the cap of the fastest mode, which a transmitter will not pass."""
    name, mode = max(rig.modes.items(), key=lambda item: item[1].rpm[1], default=("", None))
    for stage in stages:
        if mode is not None and stage.throttle_pct is not None and stage.throttle_pct > mode.max_throttle_pct:
            yield (
                f"From stage {stage.number} on, {stage.rpm:g} rpm, the throttle opens beyond "
                f"modes.{name}.max_throttle_pct {mode.max_throttle_pct:g}: with that cap in the transmitter the proof "
                "does not reach its speed."
            )
            return


def _cannot_reach(stages: Sequence[Stage], points: Sequence[PlannedPoint | None]) -> Iterator[str]:
    """The first stage whose request the drive cannot hold on a pack in the middle of a run, as expected."""
    for stage, point in zip(stages, points, strict=True):
        if point is not None and point.described and point.duty is None:
            yield (
                f"From stage {stage.number} on, {stage.rpm:g} rpm, the drive cannot hold the speed at "
                f"{point.pitch_deg:g} deg on a half-used pack, as expected: the proof may not reach its speed."
            )
            return


def _most_between_stops(stages: Sequence[Stage]) -> float:
    """Greatest charge in Ah used between two inspection stops."""
    most = used = 0.0
    for stage in stages:
        used += stage.charge_ah or 0.0
        most = max(most, used)
        used = 0.0 if stage.inspect else used
    return most
