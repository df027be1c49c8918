"""The check-list before arming: the same lines on every surface that may arm."""

from __future__ import annotations

from whirlbench.log import ProofStanding
from whirlbench.rig.description import Rig

UNPROVED = ProofStanding(None)


def check_list(rig: Rig, proof: ProofStanding = UNPROVED) -> tuple[str, ...]:
    """What has to be true before anything turns; the program can see none of it. The rig's own lines come last.

    ``proof`` says when the trips were last provoked on this stand; what of them is not proved as it stands now has a
    line of its own, first of all.
    """
    isolator = rig.stand.isolator or "the isolating switch"
    guard = rig.stand.guard or "the guard"
    fitted = rig.propeller.blade_set or "not named in the rig"
    torque_n_m = rig.propeller.fastener_torque_n_m
    torque = "the torque that I set for them" if torque_n_m is None else f"{torque_n_m:g} N m"
    second_cut = rig.stand.second_cut or "the second cut; without one, only the isolator stops a motor that runs away"
    return (
        *_trip_lines(proof),
        f"The blade set on the hub is the one that the rig names: {fitted}. I looked at its mark, not at my notes.",
        f"Every fastener of blades and hub was tightened today: {torque}.",
        f"Isolator within reach of my hand, and tried: {isolator}.",
        f"Second cut tried with the propeller off since the wiring was last changed: {second_cut}.",
        f"Guard closed and sound: {guard}.",
        "Nobody is in the plane of rotation, and nobody can walk into it.",
        "Stand, guard and site follow the local codes; blades, roots and fasteners were inspected today.",
        "I know that limits and structural numbers are an aid, not a licence.",
        *rig.stand.check_list,
    )


def _trip_lines(proof: ProofStanding) -> tuple[str, ...]:
    if not proof.cautions:
        return (f"{proof.sentence}.",)
    return tuple(f"Caution: {caution}. I know that a trip nobody has tried may not work." for caution in proof.cautions)
