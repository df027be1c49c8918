"""What a governed hold tells of the loop without a step: a limit cycle, or how the loop rings under gusts.

A loop that swings by itself has the product of governor and drive at minus one there, whatever both are: the gains that
acted have a gain margin of one (less while the swing grows), and where the pulse was recorded, pulse and speed give the
drive's answer at that frequency and the gains that acted. A loop that only rings under gusts shows a peak in the
spectrum of its speed, whose place and width are natural frequency and damping. Sources: Astrom and Hagglund, Automatica
20 (1984), for the limit cycle; Whittle, J. R. Stat. Soc. B 15 (1953), for the likelihood of a spectrum; from memory.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from functools import partial
from typing import Literal

import numpy as np

from whirlbench.analysis.governor.advice import Lever
from whirlbench.analysis.governor.prediction import TICK_S
from whirlbench.analysis.governor.tuning_rules import Gains
from whirlbench.analysis.speed_loop import Amplitudes, SpeedRecord, find_hunting, fit_lines
from whirlbench.rig.description import Rig
from whirlbench.samples import Run

WINDOW_S, STRIDE_S = 4.0, 1.0
SETTLED_S = 1.5  # after the request was moved
SHORTEST_S = 3.0
FALSE_ALARM = 1e-5  # of one window; a run has some hundred of them
SAME_FREQUENCY = 0.15  # part by which neighbouring windows may differ and still show one cycle
SWINGING_US = 3.0  # amplitude over its error of a pulse that certainly swings
COHERENT_PART = 0.5  # of the power: gusts that ring a calm loop put a third into the best sine of four seconds
FEWEST_SWINGS = 3.0
CLEARLY_LESS = 1.2  # times what the best of them leaves: a half of the true frequency has the true one for a harmonic
PER_GROWTH = math.pi / 2.0 + 2.0 / math.pi  # log of the gain in excess over growth rate by angular frequency
TURNED_DEG = 20.0  # phase by which the gains loaded may turn the loop and still have their margin told by the cycle
RINGS_BELOW = 0.7  # damping from which there is no peak to be told from a lag: 1 / sqrt(2)
CLEARLY_BETTER = 6.0  # in BIC
LOWEST_HZ, HIGHEST_HZ = 0.15, 8.0
NAN = math.nan


@dataclass(frozen=True)
class LimitCycle:
    """A loop that swings by itself between ``from_s`` and ``to_s``; speeds zero to peak, where it swings most.

    ``growth_per_s``: of the logarithm of the amplitude. ``gain_margin`` is that of the gains that acted: one of a
    steady swing, less where it grows (for a lag behind a dead time). ``lever``, ``pulse_us``: what the governor moved,
    None and NaN where no pulse swings (the speed controller governs, or none was recorded); then the drive's answer
    and the gains that acted are NaN, too. ``loaded_gain_margin``: of the rig's own gains, NaN where this does not tell
    them.
    """

    from_s: float
    to_s: float
    frequency_hz: float
    frequency_stderr_hz: float
    amplitude_rpm: float
    amplitude_stderr_rpm: float
    growth_per_s: float
    gain_margin: float
    lever: Lever | None = None
    pulse_us: float = NAN
    drive_rpm_per_us: float = NAN
    drive_phase_deg: float = NAN
    acted_kp: float = NAN
    acted_ki: float = NAN
    loaded_gain_margin: float = NAN

    @property
    def course(self) -> Literal["grows", "is steady", "dies away"]:
        """What the swing does over a tenth of its own size in a second."""
        if abs(self.growth_per_s) < 0.1:
            return "is steady"
        return "grows" if self.growth_per_s > 0.0 else "dies away"


@dataclass(frozen=True)
class Ringing:
    """The pair of the closed loop that gusts excite, with standard errors; of the hold ``from_s`` to ``to_s``."""

    from_s: float
    to_s: float
    natural_hz: float
    natural_stderr_hz: float
    damping_ratio: float
    damping_stderr: float


def governed_holds(run: Run) -> list[tuple[float, float]]:
    """Stretches (from, to) in s of three seconds and more in which one request was held, settled."""
    if not run.slow.has("speed_request_rpm"):
        return []
    time, request = run.slow.time_s, np.nan_to_num(run.slow.channel("speed_request_rpm"))
    edges = np.flatnonzero(np.abs(np.diff(request)) > 0.5) + 1
    pieces = np.split(np.arange(len(time)), edges)
    spans = [(float(time[one[0]]) + SETTLED_S, float(time[one[-1]])) for one in pieces if request[one[0]] > 0.0]
    return [(start, end) for start, end in spans if end - start >= SHORTEST_S]


def find_cycle(run: Run, record: SpeedRecord, rig: Rig | None = None) -> LimitCycle | None:
    """The largest limit cycle of the governed holds of ``run``; None where the speed swings at no one frequency.

    Two neighbouring windows of four seconds have to show it at one frequency. ``rig`` gives the gains that were loaded.
    """
    cycles = [found for hold in governed_holds(run) for found in _in_hold(run, record, rig, *hold)]
    return max(cycles, key=lambda one: one.amplitude_rpm, default=None)


def _in_hold(run: Run, record: SpeedRecord, rig: Rig | None, from_s: float, to_s: float) -> Iterator[LimitCycle]:
    length = min(WINDOW_S, to_s - from_s)
    starts = np.arange(from_s, to_s - length + 1e-6, STRIDE_S)
    found = [(start, find_hunting(record, start, start + length)) for start in starts]
    sure = [(start, one) for start, one in found if one is not None and one.false_alarm < FALSE_ALARM]
    group: list[int] = []
    for number, (start, one) in enumerate(sure):
        last = sure[group[-1]] if group else None
        if last and start - last[0] < 1.5 * STRIDE_S and _same(one.frequency_hz, last[1].frequency_hz):
            group.append(number)
            continue
        yield from _measured(run, record, rig, [sure[member][0] for member in group], length)
        group = [number]
    yield from _measured(run, record, rig, [sure[member][0] for member in group], length)


def _same(one_hz: float, other_hz: float) -> bool:
    return abs(one_hz - other_hz) < SAME_FREQUENCY * other_hz


def _measured(
    run: Run, record: SpeedRecord, rig: Rig | None, starts: list[float], length: float
) -> Iterator[LimitCycle]:
    """The cycle of neighbouring windows that begin at ``starts``, where it is largest; none of a single window."""
    if len(starts) < 2:
        return
    spans = [(start, start + length) for start in starts]
    sizes = [_swing(record, *span) for span in spans]
    best = int(np.argmax([abs(size.value[0]) for size in sizes]))
    span, swing = spans[best], sizes[best]
    hertz, omega = float(swing.frequency_hz[0]), 2.0 * math.pi * float(swing.frequency_hz[0])
    amplitude, error = float(abs(swing.value[0])), float(swing.error()[0])
    if _share(swing) < COHERENT_PART:
        return
    growth = _growth(record, span, hertz)
    lever, pulse = _pulse(run, span, hertz)
    told = _law(rig, lever, swing.value[0], pulse, omega, 60.0 / record.between(*span).mean_rpm())
    yield LimitCycle(
        starts[0], starts[-1] + length, hertz, math.sqrt(6.0) * error / (math.pi * amplitude * length),
        amplitude, error, growth, min(math.exp(-PER_GROWTH * growth / omega), 1.0), lever, *told,
    )  # fmt: skip


def _swing(record: SpeedRecord, from_s: float, to_s: float) -> Amplitudes:
    """Amplitude of the swing, its harmonics fitted along, at the frequency that leaves the least.

    A saw tooth may show its second or third harmonic most, once the spectrum was made level: the swing is slower.
    """
    part = record.between(from_s, to_s)
    fine = np.isfinite(part.speed_rpm)
    time, speed = part.mid_s[fine], part.speed_rpm[fine]
    averaged = np.diff(part.edge_s)[fine] if part.averaged else 0.0
    rough = find_hunting(record, from_s, to_s)
    assert rough is not None, "only windows that show a swing are measured"

    def fitted(hertz: float) -> Amplitudes:
        return fit_lines(time, speed, np.array([1.0, 2.0, 3.0]) * hertz, averaged)

    span = to_s - from_s
    parts = [part for part in (1.0, 2.0, 3.0) if rough.frequency_hz / part * span >= FEWEST_SWINGS]
    fits = [_least(fitted, rough.frequency_hz / part, 0.5 / span) for part in parts]
    least = min(_power(fit) for fit in fits)
    return next(fit for fit in fits if _power(fit) < CLEARLY_LESS * least)


def _least(fitted: Callable[[float], Amplitudes], near_hz: float, reach_hz: float) -> Amplitudes:
    """The fit that leaves the least within ``reach_hz`` of ``near_hz``."""
    from scipy.optimize import minimize_scalar

    bounds = (max(near_hz - reach_hz, 0.1), near_hz + reach_hz)
    return fitted(float(minimize_scalar(lambda hertz: _power(fitted(hertz)), bounds=bounds).x))


def _power(fit: Amplitudes) -> float:
    return float(np.sum(fit.left**2))


def _share(swing: Amplitudes) -> float:
    """Part of the speed's power in the sine and its harmonics."""
    told = float(np.sum(np.abs(swing.value) ** 2)) / 2.0
    return told / (told + float(np.mean(swing.left**2)))


def _growth(record: SpeedRecord, span: tuple[float, float], hertz: float) -> float:
    """Growth rate of the logarithm of the amplitude, from the first half of ``span`` to the second."""
    middle = sum(span) / 2.0
    sizes = []
    for start, end in ((span[0], middle), (middle, span[1])):
        part = record.between(start, end)
        fine = np.isfinite(part.speed_rpm)
        sizes.append(abs(fit_lines(part.mid_s[fine], part.speed_rpm[fine], np.array([hertz])).value[0]))
    return float(np.log(sizes[1] / sizes[0]) / (middle - span[0]))


def _pulse(run: Run, span: tuple[float, float], hertz: float) -> tuple[Lever | None, complex]:
    """Which pulse swings along, and its complex amplitude; none where all stand still."""
    part = run.slow.between(*span)
    for lever, channel in (("throttle", "throttle_us"), ("pitch", "servo_us")):
        values = part.channel(channel)
        fine = np.isfinite(values)
        if fine.sum() < 20:
            continue
        lines = fit_lines(part.time_s[fine] + TICK_S / 2.0, values[fine], np.array([hertz]))
        if abs(lines.value[0]) > max(SWINGING_US * float(lines.error()[0]), 1.0):
            return lever, complex(lines.value[0])  # type: ignore[return-value]
    return None, complex(NAN)


def _law(
    rig: Rig | None, lever: Lever | None, speed: complex, pulse: complex, omega: float, turn_s: float
) -> tuple[float, float, float, float, float, float]:
    """Pulse, drive's answer (size, phase), gains that acted and the margin of those loaded; NaN where not told."""
    if lever is None:
        return (NAN,) * 6
    drive = speed / pulse
    seen = speed * np.exp(-1j * omega * (turn_s + TICK_S / 2.0))  # by a governor that waits for whole turns
    acted = -pulse / seen
    kp, ki = float(acted.real), float(-omega * acted.imag)
    size, phase = float(abs(drive)), float(np.degrees(np.angle(drive)))
    return float(abs(pulse)), size, phase, kp, ki, _loaded_margin(rig, lever, acted, omega)


def _loaded_margin(rig: Rig | None, lever: Lever, acted: complex, omega: float) -> float:
    """Gain margin of the rig's gains: by how much less than they would the governor moved, held back by its limits.

    With the gains that acted the loop is at minus one, so the others are by their ratio beyond it; told only where they
    turn the phase no further.
    """
    if rig is None or rig.governor.mode != lever:
        return NAN
    own = rig.governor
    pair = (own.kp_us_per_rpm, own.ki_us_per_rpm_s)
    kp, ki = (own.pitch_kp_us_per_rpm, own.pitch_ki_us_per_rpm_s) if lever == "pitch" else pair
    if kp == 0.0 or ki == 0.0:
        return NAN
    loaded = complex(Gains(kp, kp / ki).frequency_response(np.array([omega]))[0])
    ratio = acted / loaded
    return float(abs(ratio)) if abs(np.degrees(np.angle(ratio))) < TURNED_DEG else NAN


def find_ringing(run: Run, record: SpeedRecord) -> Ringing | None:
    """The pair of the closed loop in the longest governed hold of ``run``, by the peak it makes of what gusts do.

    None where a spectrum that only falls explains the speed as well, or the damping is too good for a peak.
    """
    holds = governed_holds(run)
    if not holds:
        return None
    from_s, to_s = max(holds, key=lambda hold: hold[1] - hold[0])
    part = record.between(from_s, to_s)
    fine = np.isfinite(part.speed_rpm)
    if fine.sum() < 200:
        return None
    return _ringing(part.mid_s[fine], part.speed_rpm[fine], from_s, to_s)


def _ringing(time: np.ndarray, speed: np.ndarray, from_s: float, to_s: float) -> Ringing | None:
    from scipy.optimize import minimize

    grid = np.linspace(time[0], time[-1], len(time))
    even = np.interp(grid, time, speed)
    even = even - np.polyval(np.polyfit(grid - grid[0], even, 1), grid - grid[0])
    hertz = np.fft.rfftfreq(len(grid), (grid[-1] - grid[0]) / (len(grid) - 1))
    power = np.abs(np.fft.rfft(even)) ** 2 / len(grid)
    used = (hertz >= LOWEST_HZ) & (hertz <= min(HIGHEST_HZ, 0.3 * hertz[-1]))
    hertz, power = hertz[used], power[used]
    if len(hertz) < 30:
        return None
    floor, top = math.log(float(np.median(power[-len(power) // 4 :]))), math.log(float(np.mean(power)))

    def falling(where: np.ndarray) -> np.ndarray:
        return np.asarray(np.exp(where[0]) + np.exp(where[1]) / (1.0 + (hertz / np.exp(where[2])) ** 2))

    def peaked(where: np.ndarray) -> np.ndarray:
        ratio = hertz / np.exp(where[2])
        pair = 1.0 / ((1.0 - ratio**2) ** 2 + (2.0 * np.exp(where[3]) * ratio) ** 2)
        return np.asarray(np.exp(where[0]) + np.exp(where[1]) * pair)

    def cost(shape: Callable[[np.ndarray], np.ndarray], where: np.ndarray) -> float:
        spectrum = shape(np.clip(where, -30.0, 30.0))
        return float(np.sum(np.log(spectrum) + power / spectrum))

    def least(shape: Callable[[np.ndarray], np.ndarray], start: list[float]) -> tuple[float, np.ndarray]:
        options = {"maxfev": 600, "xatol": 1e-3, "fatol": 1e-3}
        found = minimize(partial(cost, shape), start, method="Nelder-Mead", options=options)
        return float(found.fun), np.asarray(found.x)

    plain, _ = least(falling, [floor, top, 0.0])
    starts = [[floor, top, math.log(at), math.log(0.3)] for at in (0.4, 0.8, 1.6, 3.2)]
    best, where = min((least(peaked, start) for start in starts), key=lambda one: one[0])
    if 2.0 * (plain - best) < math.log(len(hertz)) + CLEARLY_BETTER or math.exp(where[3]) > RINGS_BELOW:
        return None
    errors = _errors(partial(cost, peaked), where)
    natural, damping = (math.exp(value) for value in where[2:].tolist())
    return Ringing(from_s, to_s, natural, natural * errors[2], damping, damping * errors[3])


def _errors(cost: Callable[[np.ndarray], float], where: np.ndarray) -> np.ndarray:
    """Standard errors of ``where`` at the least of ``cost``, a negative log-likelihood, by its second differences."""
    step, eye = 0.03, np.eye(len(where))

    def bend(a: np.ndarray, b: np.ndarray) -> float:
        same, other = step * (a + b), step * (a - b)
        turned = cost(where + same) + cost(where - same) - cost(where + other) - cost(where - other)
        return turned / (4.0 * step**2)

    curvature = np.array([[bend(a, b) for b in eye] for a in eye])
    return np.asarray(np.sqrt(np.maximum(np.diag(np.linalg.pinv(curvature)), 0.0)))
