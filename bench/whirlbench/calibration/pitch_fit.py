"""Blade angle against servo pulse, from pitch-gauge readings; the play of the linkage from both sides."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from whirlbench.errors import CalibrationError

LEAST_PULSES = 3
# Readings of one pulse that differ by more than this, beyond the play, are no readings of one setting. Judgement.
MOST_SCATTER_DEG = 1.0
SURE = 2.0  # standard errors by which a table must not turn back


@dataclass(frozen=True)
class GaugeReading:
    """One reading of the pitch gauge at 0.75 radius: the pulse, the angle, and whether it was reached from below."""

    pulse_us: float
    angle_deg: float
    from_below: bool = True


@dataclass(frozen=True)
class PitchFit:
    """Rows of (pulse in us, angle in degrees), rising in pulse; ``play_deg`` the whole width of the gap.

    ``play_deg`` is None when no pulse was read from both sides: then it is not known, which is not zero.
    ``stderr_deg`` is the standard error of the true angle against the table: scatter of the readings, and half the
    play taken as even chance (JCGM 100:2008, 4.3.7). ``reading_scatter_deg`` is the scatter alone.
    """

    table: tuple[tuple[float, float], ...]
    play_deg: float | None
    play_stderr_deg: float | None
    reading_scatter_deg: float
    stderr_deg: float


def fit_pitch(readings: Sequence[GaugeReading], gauge_stderr_deg: float = 0.1) -> PitchFit:
    """The table through ``readings`` in any order; each row is the middle between both sides.

    ``gauge_stderr_deg`` is what the gauge itself may be wrong by, the least scatter that is believed. CalibrationError
    names the pulse where the table turns back on itself, or where readings of one setting contradict each other.
    """
    _refuse_unreadable(readings)
    pulses = sorted({reading.pulse_us for reading in readings})
    sides = [_sides(readings, pulse) for pulse in pulses]
    angles = np.array([_middle(below, above) for below, above in sides])
    _refuse_odd_gap(pulses, sides)
    play, play_stderr = _play(sides)
    if play is not None:
        angles = angles + np.array([_shift(below, above, play) for below, above in sides])
    scatter = max(_scatter(sides), gauge_stderr_deg)
    _refuse_folded(pulses, angles, scatter)
    stderr = float(np.hypot(scatter, (play or 0.0) / 2.0 / np.sqrt(3.0)))
    table = tuple((float(pulse), round(float(angle), 3)) for pulse, angle in zip(pulses, angles, strict=True))
    return PitchFit(table, None if play is None else abs(play), play_stderr, scatter, stderr)


def _refuse_unreadable(readings: Sequence[GaugeReading]) -> None:
    for number, reading in enumerate(readings, start=1):
        if not (np.isfinite(reading.pulse_us) and np.isfinite(reading.angle_deg)):
            raise CalibrationError(f"pitch: reading {number} is not a finite number")
        if not 500.0 <= reading.pulse_us <= 2500.0:
            raise CalibrationError(
                f"pitch: reading {number} has a pulse of {reading.pulse_us:g} us: 500 to 2500 expected"
            )
        if not -90.0 <= reading.angle_deg <= 90.0:
            raise CalibrationError(f"pitch: reading {number} is {reading.angle_deg:g} degrees: -90 to 90 expected")
    different = len({reading.pulse_us for reading in readings})
    if different < LEAST_PULSES:
        raise CalibrationError(f"pitch: readings at {different} pulse(s); at least {LEAST_PULSES} are needed")


def _sides(readings: Sequence[GaugeReading], pulse: float) -> tuple[np.ndarray, np.ndarray]:
    """Angles at ``pulse`` reached from below, and from above."""
    below, above = (
        np.array([one.angle_deg for one in readings if one.pulse_us == pulse and one.from_below is side])
        for side in (True, False)
    )
    for angles in (below, above):
        if len(angles) and np.ptp(angles) > MOST_SCATTER_DEG:
            raise CalibrationError(
                f"pitch: readings at {pulse:g} us, reached from the same side, differ by {np.ptp(angles):.1f} degrees: "
                "the link slips or the gauge moved; find out, and read again"
            )
    return below, above


def _middle(below: np.ndarray, above: np.ndarray) -> float:
    means = [side.mean() for side in (below, above) if len(side)]
    return float(np.mean(means))


def _shift(below: np.ndarray, above: np.ndarray, play: float) -> float:
    """A pulse read from one side only lies half the play away from the middle, on that side."""
    if len(below) and len(above):
        return 0.0
    return play / 2.0 if len(below) else -play / 2.0


def _play(sides: Sequence[tuple[np.ndarray, np.ndarray]]) -> tuple[float | None, float | None]:
    """Mean gap between the sides, and its standard error (None with one pulse); signed as the linkage has it."""
    gaps = np.array([above.mean() - below.mean() for below, above in sides if len(below) and len(above)])
    if not len(gaps):
        return None, None
    stderr = float(gaps.std(ddof=1) / np.sqrt(len(gaps))) if len(gaps) > 1 else None
    return float(gaps.mean()), stderr


def _refuse_odd_gap(pulses: Sequence[float], sides: Sequence[tuple[np.ndarray, np.ndarray]]) -> None:
    """Play is much the same everywhere: a gap nothing like the others has a wrong reading on one of its sides."""
    gaps = {pulse: above.mean() - below.mean() for pulse, (below, above) in zip(pulses, sides, strict=True)
            if len(below) and len(above)}  # fmt: skip
    for pulse, gap in gaps.items() if len(gaps) > 1 else ():
        usual = float(np.median([other for one, other in gaps.items() if one != pulse]))
        if abs(gap - usual) > MOST_SCATTER_DEG:
            raise CalibrationError(
                f"pitch: at {pulse:g} us the angles reached from below and from above are {abs(gap):.1f} degrees "
                f"apart, elsewhere {abs(usual):.1f}: a wrong reading, or the link slips there; read both again"
            )


def _scatter(sides: Sequence[tuple[np.ndarray, np.ndarray]]) -> float:
    """Pooled standard deviation of repeated readings; 0 when nothing was repeated."""
    squares = sum(float(np.sum((side - side.mean()) ** 2)) for pair in sides for side in pair if len(side) > 1)
    degrees = sum(len(side) - 1 for pair in sides for side in pair if len(side) > 1)
    return float(np.sqrt(squares / degrees)) if degrees else 0.0


def _refuse_folded(pulses: Sequence[float], angles: np.ndarray, scatter: float) -> None:
    """One angle must belong to one pulse: every step goes the same way, by more than the readings can err."""
    way = np.sign(angles[-1] - angles[0])
    steps = np.diff(angles) * way
    worst = int(np.argmin(steps))
    if way == 0 or steps[worst] <= 0:
        raise CalibrationError(
            f"pitch: the angle turns back between {pulses[worst]:g} us ({angles[worst]:.2f} deg) and "
            f"{pulses[worst + 1]:g} us ({angles[worst + 1]:.2f} deg): a reading is wrong or exchanged, the link passes "
            "its dead centre, or the servo stands at its stop; leave that end out or read again"
        )
    if steps[worst] < SURE * scatter * np.sqrt(2.0):
        raise CalibrationError(
            f"pitch: from {pulses[worst]:g} to {pulses[worst + 1]:g} us the angle changes by {steps[worst]:.2f} deg, "
            f"less than readings that scatter by {scatter:.2f} can tell: the servo stands at its stop, or the points "
            "are too close"
        )
