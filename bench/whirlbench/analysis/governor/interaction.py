"""Do the two levers fight? Static gains of throttle and pitch on speed and thrust, and the relative gain.

Relative gain array: Bristol, IEEE Trans. Automatic Control 11 (1966) 133, from memory. One means the levers do not
meet; between 0 and 1 each helps the other's task along; near one half they cannot be told apart; above one or below
zero they fight: closing one loop weakens, or turns round, what the other lever does.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from whirlbench.analysis.speed_loop import SpeedLoop, StepResult
from whirlbench.errors import AnalysisError
from whirlbench.samples import Run

FIGHT_ABOVE, FIGHT_BELOW = 2.0, 0.5
SETTLED_PART = 0.5  # of each hold, its end, over which thrust is averaged


@dataclass(frozen=True)
class Estimate:
    """A number and its standard error."""

    value: float
    stderr: float


@dataclass(frozen=True)
class Interaction:
    """Static gains (rows speed in rpm and thrust in N, columns throttle in us and pitch in deg) and the relative gain.

    ``relative_gain`` belongs to the pairing throttle with speed, pitch with thrust.
    """

    rpm_per_us: Estimate
    rpm_per_deg: Estimate
    thrust_n_per_us: Estimate
    thrust_n_per_deg: Estimate
    relative_gain: Estimate
    verdict: str

    @property
    def harmless(self) -> bool:
        """Whether throttle for speed and pitch for thrust certainly go together."""
        return _certain(self.relative_gain) and FIGHT_BELOW < self.relative_gain.value < FIGHT_ABOVE


def interaction(run: Run, loop: SpeedLoop) -> Interaction:
    """The 2 x 2 table from the usable throttle and pitch steps of ``loop``, found in ``run``.

    A kind of step that is missing, or a run without thrust, raises AnalysisError naming it.
    """
    if not run.slow.has("thrust_n"):
        raise AnalysisError("no thrust was recorded: the interaction of throttle and pitch needs it beside the speed")
    speed, thrust = {}, {}
    for kind in ("throttle", "pitch"):
        results = [result for result in loop.usable() if result.step.kind == kind]
        if not results:
            raise AnalysisError(f"no usable {kind} step: the interaction needs steps of throttle and of pitch")
        pooled = next(one for one in loop.pooled if one.kind == kind)
        speed[kind] = Estimate(pooled.model.gain, pooled.stderr()["gain"])
        thrust[kind] = _mean([_thrust_gain(run, result) for result in results])
    relative = relative_gain(speed["throttle"], speed["pitch"], thrust["throttle"], thrust["pitch"])
    return Interaction(
        speed["throttle"], speed["pitch"], thrust["throttle"], thrust["pitch"], relative, _verdict(relative)
    )


def relative_gain(k11: Estimate, k12: Estimate, k21: Estimate, k22: Estimate) -> Estimate:
    """1 / (1 - k12 k21 / (k11 k22)) with its standard error, for independent gains; infinite for a singular table."""
    product = k12.value * k21.value / (k11.value * k22.value)
    if math.isclose(product, 1.0, abs_tol=1e-12):
        return Estimate(math.inf, math.inf)
    value = 1.0 / (1.0 - product)
    relative = math.sqrt(sum((one.stderr / one.value) ** 2 for one in (k11, k12, k21, k22) if one.value))
    return Estimate(value, abs(value * value * product) * relative)


def _thrust_gain(run: Run, result: StepResult) -> float:
    """Change of thrust per unit of the lever between the settled ends of the two holds, NaN when one is empty."""
    step = result.step
    end = step.at_s + step.ramp_s
    before = run.slow.between(step.at_s - SETTLED_PART * min(step.before_s, 3.0), step.at_s).channel("thrust_n")
    after = run.slow.between(end + (1.0 - SETTLED_PART) * step.after_s, end + step.after_s).channel("thrust_n")
    if not (np.isfinite(before).any() and np.isfinite(after).any()):
        return math.nan
    return float(np.nanmean(after) - np.nanmean(before)) / step.change


def _mean(gains: Sequence[float]) -> Estimate:
    """Mean over repeats; from a single one, the error is unknown and taken as the value itself."""
    fine = [gain for gain in gains if math.isfinite(gain)]
    if not fine:
        raise AnalysisError("no thrust was recorded around the steps")
    mean = float(np.mean(fine))
    return Estimate(mean, float(np.std(fine, ddof=1)) / math.sqrt(len(fine)) if len(fine) > 1 else abs(mean))


def _verdict(relative: Estimate) -> str:
    text = f"relative gain {relative.value:.3f} +/- {relative.stderr:.3f}: "
    if not _certain(relative):
        return text + "too uncertain to tell; repeat the steps, or make them larger"
    if FIGHT_BELOW < relative.value < FIGHT_ABOVE:
        return text + "throttle for speed and pitch for thrust go together"
    if 0.0 < relative.value <= FIGHT_BELOW:
        return text + "the other pairing is the natural one: pitch for speed, throttle for thrust"
    return text + "the two levers fight: close one loop only, or make it several times slower than the other"


def _certain(relative: Estimate) -> bool:
    """Whether the relative gain is known well enough to say anything by it."""
    return relative.stderr < 0.5 * max(abs(relative.value), 0.5)
