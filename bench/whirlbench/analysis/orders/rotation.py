"""Shaft angle against time, from tach pulses (or, without a mark, from the speed channel)."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from whirlbench.errors import AnalysisError
from whirlbench.samples import SlowSamples, TachPulses

MISSED_TOLERANCE = 0.2  # a period within 20 % of n neighbouring periods hides n - 1 missed pulses; our choice
SPURIOUS_SHARE = 0.75  # two periods whose sum makes one neighbour, the shorter below this share of it
MOST_MISSED = 3  # more pulses missing in a row are a gap, not something to mend
GAP_RATIO = 1.8  # no shaft loses that much speed in one period and gains it in the next
LONGEST_PERIOD_S = 0.5  # slower than 2 pulses a second the shaft is at rest, or the tach is lost


@dataclass(frozen=True)
class ShaftAngle:
    """Angle of the shaft in revolutions, smooth between knots.

    ``marked`` when whole numbers are tach pulses of the mark. ``time_s`` and ``revolutions`` are the knots ``(n,)``,
    ``slope_hz`` the speed there; ``open_after`` is True for each knot whose following interval holds no angle (a gap).
    ``repaired`` counts pulses put in or taken out.
    """

    time_s: np.ndarray
    revolutions: np.ndarray
    slope_hz: np.ndarray
    open_after: np.ndarray
    marked: bool
    repaired: int = 0

    def at(self, time_s: np.ndarray) -> np.ndarray:
        """Revolutions at ``time_s`` (any shape, s); NaN outside the knots and inside gaps."""
        knot, share, span = self._place(time_s)
        low, high = self.revolutions[knot], self.revolutions[knot + 1]
        bow0 = self.slope_hz[knot] * span - (high - low)
        bow1 = self.slope_hz[knot + 1] * span - (high - low)
        turn = low + share * (high - low) + share * (1 - share) * ((1 - share) * bow0 - share * bow1)
        return self._only_inside(turn, time_s, knot)

    def speed_hz(self, time_s: np.ndarray) -> np.ndarray:
        """Shaft speed in revolutions per second at ``time_s``, straight between knots; NaN as in ``at``."""
        knot, share, _ = self._place(time_s)
        speed = (1 - share) * self.slope_hz[knot] + share * self.slope_hz[knot + 1]
        return self._only_inside(speed, time_s, knot)

    def time_at(self, revolutions: np.ndarray) -> np.ndarray:
        """Time in s at which the shaft passes ``revolutions``; NaN outside and in gaps (two Newton steps on ``at``)."""
        guess: np.ndarray = np.interp(revolutions, self.revolutions, self.time_s, left=np.nan, right=np.nan)
        for _ in range(2):
            guess = guess - (self.at(guess) - revolutions) / self.speed_hz(guess)
        return guess

    def _place(self, time_s: np.ndarray) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
        knot = np.clip(np.searchsorted(self.time_s, time_s, side="right") - 1, 0, len(self.time_s) - 2)
        span = self.time_s[knot + 1] - self.time_s[knot]
        return knot, (time_s - self.time_s[knot]) / span, span

    def _only_inside(self, values: np.ndarray, time_s: np.ndarray, knot: np.ndarray) -> np.ndarray:
        outside = (time_s < self.time_s[0]) | (time_s > self.time_s[-1]) | self.open_after[knot] | np.isnan(time_s)
        return np.where(outside, np.nan, values)


def angle_from_pulses(pulses: TachPulses) -> ShaftAngle:
    """Shaft angle through the tach pulses, with lone missed and spurious pulses mended.

    ``pulses``: times in s, strictly increasing. Angle zero is the first pulse: with one pulse per revolution that is
    the mark; with several, which of them is first is not known, and phase is good within the run only. Raises
    AnalysisError with fewer than four pulses. Intervals longer than 0.5 s become gaps. A cubic through neighbouring
    pulses keeps ramps exact to third order (piecewise Hermite, any text on interpolation).
    """
    if len(pulses.time_s) < 4:
        raise AnalysisError(f"{len(pulses.time_s)} tach pulses: at least 4 are needed to follow the shaft angle")
    time_s, dropped = _without_spurious(pulses.time_s)
    steps = _steps_between(time_s)
    turns = np.concatenate([[0.0], np.cumsum(steps)]) / pulses.pulses_per_rev
    open_after = np.append(_is_gap(np.diff(time_s) / steps), True)
    return ShaftAngle(
        time_s=time_s,
        revolutions=turns,
        slope_hz=_slopes(time_s, turns, open_after),
        open_after=open_after,
        marked=pulses.pulses_per_rev == 1,
        repaired=dropped + int(np.sum(steps - 1)),
    )


def angle_from_speed(slow: SlowSamples) -> ShaftAngle:
    """Shaft angle by integrating the rpm channel: good for amplitudes of orders, without any reference for phase.

    Raises AnalysisError when the channel holds fewer than two finite values. Gaps in the channel stay gaps.
    """
    good = np.isfinite(slow.rpm) if slow.rpm is not None else np.zeros(len(slow.time_s), bool)
    if good.sum() < 2:
        raise AnalysisError("neither tach pulses nor an rpm channel: orders of the shaft cannot be followed")
    time_s, hz = slow.time_s[good], np.asarray(slow.rpm)[good] / 60.0
    interval_s = np.diff(time_s)
    turns = np.concatenate([[0.0], np.cumsum(interval_s * (hz[1:] + hz[:-1]) / 2)])
    open_after = np.append(interval_s > max(LONGEST_PERIOD_S, 3 * float(np.median(interval_s))), True)
    return ShaftAngle(time_s, turns, hz, open_after, marked=False)


def _without_spurious(time_s: np.ndarray) -> tuple[np.ndarray, int]:
    """Pulses without the lone extra ones that split one period into two."""
    period = np.diff(time_s)
    if len(period) < 4:
        return time_s, 0
    pair = period[1:-2] + period[2:-1]
    around = np.sqrt(period[:-3] * period[3:])
    split = np.abs(pair / around - 1) < MISSED_TOLERANCE
    split &= np.minimum(period[1:-2], period[2:-1]) < SPURIOUS_SHARE * around
    extra = np.flatnonzero(split) + 2
    extra = extra[np.append(True, np.diff(extra) > 1)] if len(extra) else extra
    return np.delete(time_s, extra), len(extra)


def _steps_between(time_s: np.ndarray) -> np.ndarray:
    """Tach marks passed in each interval: 1, or more where the neighbours show that pulses were missed."""
    period = np.diff(time_s)
    steps = np.ones(len(period))
    if len(period) < 3:
        return steps
    ratio = period[1:-1] / np.sqrt(period[:-2] * period[2:])
    whole = np.round(ratio)
    alike = np.abs(period[:-2] / period[2:] - 1) < 0.5  # else the neighbours themselves are damaged
    missed = (whole >= 2) & (whole <= MOST_MISSED + 1) & alike & (np.abs(ratio - whole) < MISSED_TOLERANCE * whole)
    steps[1:-1][missed] = whole[missed]
    return steps


def _is_gap(period_s: np.ndarray) -> np.ndarray:
    """Intervals that hold no angle: too long for a turning shaft, or much longer than both neighbours."""
    around = np.maximum(np.append(period_s[1:], period_s[-1:]), np.concatenate([period_s[:1], period_s[:-1]]))
    result: np.ndarray = (period_s > LONGEST_PERIOD_S) | (period_s > GAP_RATIO * around)
    return result


def _slopes(time_s: np.ndarray, turns: np.ndarray, open_after: np.ndarray) -> np.ndarray:
    """Speed at each pulse: the slope of the parabola through it and its neighbours, one-sided beside a gap."""
    span = np.diff(time_s)
    speed = np.diff(turns) / span
    inner = (speed[:-1] * span[1:] + speed[1:] * span[:-1]) / (span[:-1] + span[1:])
    slope = np.concatenate([[speed[0]], inner, [speed[-1]]])
    gap = np.flatnonzero(open_after[:-1])
    slope[gap[gap > 0]] = speed[gap[gap > 0] - 1]
    after = gap + 1
    inside = after < len(speed)
    slope[after[inside]] = speed[after[inside]]
    return slope
