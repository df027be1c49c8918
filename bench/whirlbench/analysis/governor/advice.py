"""From the identified drive to gains for the bench's governor, with what is not known about the drive counted in."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace
from itertools import product
from typing import Literal

import numpy as np

from whirlbench.analysis.governor.prediction import TICK_S, LawSettings
from whirlbench.analysis.governor.stability import StabilityMargins, stability_margins, worst_stability_margins
from whirlbench.analysis.governor.tuning_rules import Gains, SimpleDrive, half_rule, simc
from whirlbench.analysis.speed_loop import LoopModel, Pooled, SpeedLoop, StepResult
from whirlbench.rig.description import Rig

# the rule itself gives 1.59 to 1.70; 1.3 to 2 is usual: Astrom and Hagglund, Advanced PID Control, from memory
NOMINAL_SENSITIVITY, WORST_SENSITIVITY, WORST_GAIN_MARGIN = 1.75, 2.0, 2.0
SHORTEST_CLOSED_LOOP_S = 0.02  # ten ticks of the device: nothing faster is a governor any more
CHI_SQUARE_95 = {2: 5.991, 3: 7.815, 4: 9.488}  # by number of parameters; any table
SWINGS_BELOW = 0.7  # damping ratio under which the drive itself resonates: 1 / sqrt(2), any text on second order
KICK_PART = 0.3  # of the closed-loop time that the slew may take for the first kick before it shows

Lever = Literal["throttle", "pitch"]


@dataclass(frozen=True)
class Advice:
    """Gains for one lever of the bench's governor and how safe they are.

    ``kp`` us per rpm, ``ki`` us per rpm per second. ``nominal`` margins are those of the common model, ``worst`` those
    over ``models``: the common model (first), every single step's, and the 95 % region around the common one, in rpm
    per us. ``extra_delay_s`` is what tach and tick add to the drive's dead time. ``reasons`` say why the closed-loop
    time is what it is.
    """

    lever: Lever
    rule: str
    kp: float
    ki: float
    closed_loop_time_s: float
    loop_dead_time_s: float
    nominal: StabilityMargins
    worst: StabilityMargins
    models: tuple[LoopModel, ...]
    extra_delay_s: float
    speed_rpm: float
    pulse_us: float
    law: LawSettings
    derivative: Gains | None
    largest_linear_step_rpm: float
    chatter_us: float
    reasons: tuple[str, ...] = ()

    @property
    def loadable(self) -> bool:
        """Whether every plausible drive is stable under these gains; else they must not be loaded."""
        return self.worst.stable

    def spread(self) -> tuple[tuple[float, float], tuple[float, float]]:
        """(least, greatest) of kp and of ki that the rule gives over ``models``, at the same closed-loop time."""
        options = [
            max(
                (simc(drive, self.closed_loop_time_s) for drive in _simple_drives(model, self.extra_delay_s)),
                key=_action,
            )
            for model in self.models
        ]
        ends = []
        for values in ([one.proportional for one in options], [one.integral for one in options]):
            ends.append((min(values), max(values)))
        return ends[0], ends[1]


def _action(gains: Gains) -> float:
    """How much integral action gains have: of two ways to read a drive the one with more is taken."""
    return abs(gains.integral)


def advise(
    loop: SpeedLoop, rig: Rig | None = None, lever: Lever = "throttle", closed_loop_time_s: float | None = None
) -> Advice | None:
    """Gains for ``lever`` from its pooled steps; None when ``loop`` has no usable step of it, or no pulses with it.

    ``closed_loop_time_s`` (> 0) is the knob; left out, it is the loop's dead time, raised until the worst drive
    in the region keeps its margins. ``rig`` gives range and slew of the pulse.
    """
    pooled = next((one for one in loop.pooled if one.kind == lever), None)
    results = [result for result in loop.usable() if result.step.kind == lever]
    if pooled is None or not math.isfinite(_pulse_us(results)):
        return None
    scale = _units_per_us(results)
    models = tuple(replace(model, gain=model.gain * scale) for model in plausible_models(pooled, results))
    speed = float(np.mean([result.window.record.mean_rpm() for result in results if result.window]))
    extra = 60.0 / speed + TICK_S / 2.0 if loop.delay_modelled else 0.0
    options = [_tuned(drive, models, extra, closed_loop_time_s) for drive in _simple_drives(models[0], extra)]
    drive, time, gains, reasons = max(options, key=lambda option: _action(option[2]))
    law = law_settings(rig, lever, gains)
    return Advice(
        lever, f"SIMC PI, closed-loop time {time:.3f} s", gains.proportional, gains.integral, time, drive.dead_time_s,
        stability_margins(models[0], gains, extra), worst_stability_margins(models, gains, extra), models, extra, speed,
        _pulse_us(results), law, _derivative(models[0], extra, time),
        KICK_PART * time * law.rise_us_per_s / abs(gains.proportional),
        abs(gains.proportional) * _period_noise_rpm(loop, speed), reasons,
    )  # fmt: skip


def plausible_models(pooled: Pooled, results: Sequence[StepResult]) -> tuple[LoopModel, ...]:
    """The common model, those of single steps, and the extremes of the 95 % region around the common one.

    The region is walked in the logarithm of lags and gain, along its axes and its corners, so that none turns negative.
    """
    singles = [result.choice.fit.model for result in results if result.choice]
    return (pooled.model, *singles, *_region(pooled))


def _region(pooled: Pooled) -> list[LoopModel]:
    model, names = pooled.model, list(pooled.model.parameters())
    covariance = pooled.covariance()
    scale = np.sqrt(np.maximum(np.diag(covariance), 1e-300))
    values, vectors = np.linalg.eigh(covariance / np.outer(scale, scale))
    axes = scale[:, None] * vectors * np.sqrt(np.maximum(values, 0.0) * CHI_SQUARE_95[len(names)])
    count = len(names)
    corners = np.array(list(product((-1.0, 1.0), repeat=count))) / math.sqrt(count)
    directions = np.vstack([np.eye(count), -np.eye(count), corners])
    return [_moved(model, names, axes @ direction) for direction in directions]


def _moved(model: LoopModel, names: Sequence[str], change: np.ndarray) -> LoopModel:
    moved = {}
    for name, difference in zip(names, change.tolist(), strict=True):
        value = getattr(model, name)
        if name == "dead_time_s":
            moved[name] = max(value + difference, 0.0)
        else:
            moved[name] = value * math.exp(max(-1.5, min(1.5, difference / value)))
    return replace(model, **moved)


def _simple_drives(model: LoopModel, extra: float) -> list[SimpleDrive]:
    """What the rule can be applied to: lags by the half rule; for a pair that swings also its damping term as the lag.

    The latter (integral time 2 z / w) leans on integral action, which a resonance bears better: Skogestad and
    Grimholt, in PID Control in the Third Millennium (2012), for oscillating processes, from memory.
    """
    dead = model.dead_time_s + extra
    drives = [half_rule(model.lags_s(), dead, model.gain)]
    if model.form == "second_order" and model.damping_ratio < SWINGS_BELOW:
        lag = 2.0 * model.damping_ratio / model.natural_frequency_rad_s
        drives.append(SimpleDrive(model.gain, lag, dead))
    return drives


def _tuned(
    drive: SimpleDrive, models: Sequence[LoopModel], extra: float, asked_s: float | None
) -> tuple[SimpleDrive, float, Gains, tuple[str, ...]]:
    time, reasons = _closed_loop_time(drive, models, extra, asked_s)
    return drive, time, simc(drive, time), reasons


def _closed_loop_time(
    drive: SimpleDrive, models: Sequence[LoopModel], extra: float, asked_s: float | None
) -> tuple[float, tuple[str, ...]]:
    """The knob, and why it is not simply the loop's dead time."""
    start = max(drive.dead_time_s, SHORTEST_CLOSED_LOOP_S)
    if asked_s is not None:
        return asked_s, ("closed-loop time as asked",)
    time = start
    while not _bearable(simc(drive, time), models, extra) and time < 50.0 * start:
        time *= 1.1
    if time == start:
        return time, ("closed-loop time: the loop's dead time, the tightest that the rule recommends",)
    return time, (
        f"closed-loop time raised from {start:.3f} s, the loop's dead time, until the least favourable drive within "
        f"the uncertainty keeps a gain margin of {WORST_GAIN_MARGIN:g} and a sensitivity below {WORST_SENSITIVITY:g}",
    )


def _bearable(gains: Gains, models: Sequence[LoopModel], extra: float) -> bool:
    if stability_margins(models[0], gains, extra).max_sensitivity > NOMINAL_SENSITIVITY:
        return False
    worst = worst_stability_margins(models, gains, extra)
    return worst.stable and worst.max_sensitivity <= WORST_SENSITIVITY and worst.gain_margin >= WORST_GAIN_MARGIN


def _derivative(model: LoopModel, extra: float, time_s: float) -> Gains | None:
    """PID gains where a second lag is longer than the dead time, so that derivative action pays; else None."""
    lags = model.lags_s()
    if len(lags) < 2 or lags[1] <= model.dead_time_s + extra:
        return None
    return simc(half_rule(lags, model.dead_time_s + extra, model.gain, keep=2), time_s)


def law_settings(rig: Rig | None, lever: Lever, gains: Gains) -> LawSettings:
    """The governor's settings for ``gains`` within the range and slew of ``rig`` (of an empty rig when None)."""
    rig = rig or Rig()
    own = rig.governor
    if lever == "pitch":
        low, high = (rig.pitch.table[0][0], rig.pitch.table[-1][0]) if rig.pitch.table else (1000.0, 2000.0)
        rise = fall = own.pitch_slew_us_per_s
    else:
        low, high = rig.throttle.min_us, rig.throttle.max_us
        rise, fall = min(own.throttle_slew_us_per_s, rig.throttle.slew_us_per_s), own.throttle_slew_us_per_s
    return LawSettings(gains.proportional, gains.integral, low, high, rise, fall)


def _pulse_us(results: Sequence[StepResult]) -> float:
    """Middle of the pulses that the steps went between; NaN when none was recorded."""
    pulses = [pulse for result in results for pulse in (result.step.command_from, result.step.command_to)]
    return float(np.mean(pulses)) if pulses and all(np.isfinite(pulses)) else math.nan


def _units_per_us(results: Sequence[StepResult]) -> float:
    """Units of the lever (us or degrees) per us of its pulse."""
    step = max((result.step for result in results), key=lambda step: abs(step.change))
    return step.change / (step.command_to - step.command_from)


def _period_noise_rpm(loop: SpeedLoop, speed_rpm: float) -> float:
    """Standard deviation of the speed from a single tach period."""
    period = 60.0 / speed_rpm
    if not loop.delay_modelled:
        return math.sqrt(loop.noise.steady + loop.noise.jitter * (speed_rpm**2 / 60.0) ** 2)
    return math.sqrt(loop.noise.steady / period + 2.0 * loop.noise.jitter * (speed_rpm / period) ** 2)
