"""End points of the throttle from a slow sweep with the propeller off: safe, first turning, full."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from whirlbench.errors import CalibrationError

SAFE_BELOW_US = 60.0  # the safe pulse stays so far below the first that turned; judgement, no source
FULL_SHARE = 0.98  # of the greatest speed: from there on, more pulse gives no more speed; judgement, no source
LEAST_PULSES = 6
LEAST_LEVEL = 3  # pulses of one speed that make an end; judgement, no source


@dataclass(frozen=True)
class ThrottleEnds:
    """Pulses in us: ``safe_us`` the motor stands, ``first_us`` it turns, ``full_us`` it turns no faster beyond.

    ``full_reached`` is False where speed still rose at the end of the sweep: then ``full_us`` is that end.
    """

    safe_us: float
    first_us: float
    full_us: float
    full_reached: bool


def find_throttle_ends(pulse_us: np.ndarray, rpm: np.ndarray, rest_rpm: float, cap_us: float) -> ThrottleEnds:
    """Ends from settled speeds ``rpm`` (n,) at rising pulses ``pulse_us`` (n,); NaN speeds are left out.

    ``rest_rpm``: a motor slower than this stands. ``cap_us``: greatest pulse that may be called safe. CalibrationError
    when the motor turned at the lowest pulse, never turned, or turned below a pulse at which it stood.
    """
    known = np.isfinite(pulse_us) & np.isfinite(rpm)
    order = np.argsort(pulse_us[known], kind="stable")
    pulses, speeds = pulse_us[known][order], rpm[known][order]
    if len(np.unique(pulses)) < LEAST_PULSES:
        raise CalibrationError(
            f"throttle: settled speeds at {len(np.unique(pulses))} pulse(s); at least {LEAST_PULSES} are needed"
        )
    turns = speeds > rest_rpm
    _refuse_no_end(pulses, turns)
    first = float(pulses[turns][0])
    last_still = float(pulses[~turns][-1])
    safe = min(last_still, first - SAFE_BELOW_US, cap_us)
    if safe < pulses[0]:
        raise CalibrationError(
            f"throttle: the motor turns from {first:g} us, and a safe pulse lies {SAFE_BELOW_US:g} us below: begin the "
            f"sweep below {first - SAFE_BELOW_US:g} us"
        )
    level = pulses[speeds >= FULL_SHARE * speeds.max()]
    reached = len(np.unique(level)) >= LEAST_LEVEL
    return ThrottleEnds(safe, first, float(level[0] if reached else pulses[-1]), reached)


def _refuse_no_end(pulses: np.ndarray, turns: np.ndarray) -> None:
    if turns[0]:
        raise CalibrationError(
            f"throttle: the motor turns at {pulses[0]:g} us already, the lowest pulse of the sweep: there is no pulse "
            "known to stop it; begin lower"
        )
    if not turns.any():
        raise CalibrationError(
            f"throttle: the motor never turned up to {pulses[-1]:g} us: pack, wiring, or a controller that is not armed"
        )
    stood_again = np.flatnonzero(turns[:-1] & ~turns[1:])
    if len(stood_again):
        at = int(stood_again[0]) + 1
        raise CalibrationError(
            f"throttle: the motor turned at {pulses[at - 1]:g} us and stood at {pulses[at]:g} us: it lost step, or the "
            "controller cut off; find out before you go on"
        )
