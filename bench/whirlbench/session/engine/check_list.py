"""The check-list before arming: the same lines on every surface that may arm."""

from __future__ import annotations

from whirlbench.rig.description import Rig


def check_list(rig: Rig) -> tuple[str, ...]:
    """What has to be true before anything turns; the program can see none of it."""
    isolator = rig.stand.isolator or "the isolating switch"
    guard = rig.stand.guard or "the guard"
    return (
        f"Isolator within reach of my hand, and tried: {isolator}.",
        f"Guard closed and sound: {guard}.",
        "Nobody is in the plane of rotation, and nobody can walk into it.",
        "Stand, guard and site follow the local codes; blades, roots and fasteners were inspected today.",
        "I know that limits and structural numbers are an aid, not a licence.",
    )
