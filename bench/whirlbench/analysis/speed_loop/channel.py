"""How a log's rpm channel was made, told by likelihood: what it makes of the holds and of the answers to the steps.

Every kind that the samples allow is tried as if it were the truth: its noise is taken from the holds, the models are
fitted to the steps, and the likelihood of the samples as they were written says how well it goes. What one kind cannot
be told from another by stays in the dead time's error: a speed that may be the instant's, a mean, or the last turn's is
some milliseconds late, and nobody knows how many.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, field, replace

import numpy as np

from whirlbench.analysis.speed_loop.lever_steps import Step
from whirlbench.analysis.speed_loop.model_choice import second_order_starts
from whirlbench.analysis.speed_loop.model_fit import fit_model
from whirlbench.analysis.speed_loop.noise import Noise, Whitener, noise_of_holds
from whirlbench.analysis.speed_loop.record import ChannelKind, SpeedChannel, SpeedRecord, speed_record
from whirlbench.analysis.speed_loop.step_result import first_model, holds_of, step_window
from whirlbench.samples import Run

CERTAIN = 0.95  # share of the likelihood from which a kind is taken for the truth
MOST_STEPS = 4  # looked at: more of them tell no kind of channel that four do not
WHITE_PART = 0.2  # of the wander's variance: a filter leaves no more of noise that forgets at once
FILTER_DOUBT = 1e-3  # share of the likelihood from which a filter is not ruled out
FILTERS_S = tuple(0.03 * 1.5**step for step in range(11))  # s, where the search for the lag of a filter begins
CHANGING_PART = 0.9  # of the samples differ from the one before: nothing was held over them
NAN = math.nan


@dataclass(frozen=True)
class ChannelFound:
    """What the speeds are, ``likelihood`` of each kind that was possible (one alone where it was given or is certain).

    ``filter_s`` is the lag of a filter that is not ruled out, zero where it is: no sample can tell one from a lag of
    the rotor that gusts push it through, and which it is makes all the difference to the gains. ``delay_s`` was taken
    from the times and is known to within ``delay_stderr_s``; ``interval_s`` between samples and ``rounding_rpm`` are
    those of an rpm channel. ``given``: by whoever asked, not found.
    """

    channel: SpeedChannel
    likelihood: dict[ChannelKind, float] = field(default_factory=dict)
    interval_s: float = NAN
    rounding_rpm: float = 0.0
    delay_s: float = 0.0
    delay_stderr_s: float = 0.0
    given: bool = False
    filter_s: float = 0.0


def find_channel(
    run: Run, steps: Sequence[Step], given: SpeedChannel | None = None
) -> tuple[SpeedRecord, ChannelFound]:
    """The speed record of ``run`` and what its channel is: as ``given``, by its edges, or the likeliest by ``steps``.

    Raises as ``speed_record``. Without a usable step the kinds are equally likely.
    """
    record = speed_record(run, given)
    interval = float(np.median(np.diff(run.slow.time_s))) if len(run.slow.time_s) > 1 else NAN
    if given is not None:
        return record, ChannelFound(given, {given.kind: 1.0}, interval, record.resolution_rpm, given=True)
    if record.origin != "rpm" or len(record.edge_s) < 2:
        kind: ChannelKind = "tach" if record.origin == "tach" else "held"
        return record, ChannelFound(SpeedChannel(kind), {kind: 1.0}, interval)
    return _weighed(run, record, [step for step in steps if not step.problem][:MOST_STEPS], interval)


def _weighed(run: Run, bare: SpeedRecord, steps: Sequence[Step], interval_s: float) -> tuple[SpeedRecord, ChannelFound]:
    """The likeliest reading of the samples, or the bare one at the mean delay of those that cannot be told apart."""
    noise = _noise(bare, steps)
    channels = _possible(run, bare, steps, noise, interval_s)
    scores = np.array(_scores(run, channels, steps, interval_s, noise))
    plain = np.array([one.kind != "filtered" for one in channels])
    weight = np.exp(scores[plain] - scores[plain].max())
    weight = weight / weight.sum()
    against = float(np.logaddexp.reduce(scores[plain]))
    likely = scores > against + math.log(FILTER_DOUBT)
    filter_s = max((one.filter_s for one, fits in zip(channels, likely, strict=True) if fits), default=0.0)
    channels = [one for one in channels if one.kind != "filtered"]
    likelihood = {one.kind: float(part) for one, part in zip(channels, weight, strict=True)}
    best = channels[int(np.argmax(weight))]
    found = ChannelFound(best, likelihood, interval_s, bare.resolution_rpm, filter_s=filter_s)
    if weight.max() > CERTAIN:
        return speed_record(run, best), found
    late = np.array([_delay_s(one.kind, interval_s, bare) for one in channels])
    mean = float(weight @ late)
    spread = math.sqrt(float(weight @ (late - mean) ** 2))
    return bare.earlier(mean, spread), replace(found, delay_s=mean, delay_stderr_s=spread)


def _possible(
    run: Run, bare: SpeedRecord, steps: Sequence[Step], noise: Noise, interval_s: float
) -> list[SpeedChannel]:
    """The kinds that the samples allow."""
    channels = [SpeedChannel("bare"), SpeedChannel("averaged")]
    rpm = run.slow.channel("rpm")
    rpm = rpm[np.isfinite(rpm)]
    turn_s = 60.0 / max(bare.mean_rpm(), 60.0)
    held_over = interval_s < 0.5 * turn_s
    if not held_over or float(np.mean(np.diff(rpm) != 0.0)) < CHANGING_PART:
        channels.append(SpeedChannel("last turn"))
    if noise.wander > 0.0 and noise.steady < WHITE_PART * noise.wander:
        channels.append(SpeedChannel("filtered", _filter_s(run, steps, interval_s)))
    return channels


def _filter_s(run: Run, steps: Sequence[Step], interval_s: float) -> float:
    """The likeliest lag of a filter; the memory of the noise alone is told only roughly by short holds."""
    from scipy.optimize import minimize_scalar

    def cost(lag: float) -> float:
        return -_filtered_score(run, steps[:2], math.exp(lag), interval_s)

    grid = [math.log(max(one, 0.5 * interval_s)) for one in FILTERS_S]
    middle = min(grid, key=cost)
    reach = math.log(1.5)
    best = minimize_scalar(cost, bounds=(middle - reach, middle + reach), options={"maxiter": 8, "xatol": 0.02})
    return math.exp(float(best.x))


def _filtered_score(run: Run, steps: Sequence[Step], filter_s: float, interval_s: float) -> float:
    """Log-likelihood of one sample if it went through a lag of ``filter_s``, less what undoing does to the density."""
    record = speed_record(run, SpeedChannel("filtered", filter_s))
    return _fitted(record, steps, _noise(record, steps), 0.0)[0] - math.log(-math.expm1(-interval_s / filter_s))


def _delay_s(kind: ChannelKind, interval_s: float, bare: SpeedRecord) -> float:
    """How late a kind tells the speed; the last turn ended half a turn ago on average and is half a turn long."""
    turn_s = 60.0 / max(bare.mean_rpm(), 60.0)
    return {"averaged": interval_s / 2.0, "last turn": turn_s}.get(kind, 0.0)


def _noise(record: SpeedRecord, steps: Sequence[Step]) -> Noise:
    return noise_of_holds(holds_of(record, steps, [first_model(record, step) for step in steps]))


def _scores(
    run: Run, channels: Sequence[SpeedChannel], steps: Sequence[Step], interval_s: float, noise: Noise
) -> list[float]:
    """Log-likelihood of the samples of ``steps`` if they are what each of ``channels`` says.

    A kind that is only late tells the same as bare samples with another dead time. All but a filter have the ``noise``
    of the bare samples: they differ in the answers alone. Undoing a filter multiplies small differences; what that does
    to the density is taken out again.
    """
    bare = _fitted(speed_record(run, SpeedChannel("bare")), steps, noise, 0.0)
    found = []
    for channel in channels:
        record = speed_record(run, channel)
        value = bare
        if channel.kind == "averaged" and record.averaged:
            value = _fitted(record, steps, noise, interval_s)
        if channel.kind == "filtered":
            value = _filtered_score(run, steps, channel.filter_s, interval_s), 0
        found.append(value[0] * bare[1])
    return found


def _fitted(record: SpeedRecord, steps: Sequence[Step], noise: Noise, earlier_s: float) -> tuple[float, int]:
    """Log-likelihood of one value of ``record`` about the best fit to each of ``steps``, and how many values.

    The windows begin ``earlier_s`` before those of bare samples: a mean needs the sample before it.
    """
    own = _even(noise, record)
    total, count = 0.0, 0
    for step in steps:
        first = first_model(record, step)
        if first is None:
            continue
        window = step_window(record, step, min(step.before_s, 2.0) + earlier_s)
        one = fit_model([window], first, own)
        fits = [one, *(fit_model([window], start, own) for start in second_order_starts(one, window))]
        worth = min(fit.squares + len(fit.model.parameters()) * math.log(fit.samples) for fit in fits)
        total -= 0.5 * (worth + Whitener(window.record, own).log_determinant)
        count += one.samples
    return total / max(count, 1), count


def _even(noise: Noise, record: SpeedRecord) -> Noise:
    """``noise`` of bare samples as that of ``record``, the same for each of its values."""
    variance = noise.steady + noise.jitter * (record.mean_rpm() ** 2 / 60.0) ** 2
    span = float(np.median(np.diff(record.edge_s))) if record.averaged else 1.0
    return Noise(variance * span, 0.0, noise.wander, noise.wander_s)
