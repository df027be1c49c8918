"""1P vectors of the held speeds of a run, and how they change with speed, told by the speed's own wander.

Angles are measured on the rotor from the mark that fires the tach, in the direction of rotation. With the vibration
phasor taken as in ``orders`` (acceleration = real part of V exp(2 pi j turn), turn zero at the mark), a mass at angle A
acts as U = m r exp(jA) and V = H U, so angles on the rotor and phases of V count the same way round. U does not change
with speed, so V changes as H does: d ln V / d ln rpm is the stand's own, whatever masses are on the rotor.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np

from whirlbench.analysis.orders import OrderTracks, shaft_angle, track_orders
from whirlbench.errors import AnalysisError
from whirlbench.samples import Run

STEADY_RPM_PER_S = 0.02  # a frame is steady when its speed changes by less than 2 % in a second
LEAST_FRAMES = 6
SPEED_BIN = 0.02  # frames within 2 % of speed are one hold
WINDOW_PARTS = 16  # of a frame, over which its speed is averaged
RIGID_SLOPE = 2.0  # of a stand without a resonance: the force grows with the square of the speed
LEAST_SEEN = 5.0  # standard errors a vector stands out by before its change with speed is believed


@dataclass(frozen=True)
class Vectors1P:
    """1P vectors of one run per axis and speed: mean phasor in g peak, and its standard error (each part).

    ``log_slope`` is d ln V / d ln rpm, complex: its real part the change of size, its imaginary part that of phase in
    radians; its standard error (each part) is infinite where the speed did not wander enough to tell.
    """

    rpm: np.ndarray
    axes: tuple[str, ...]
    phasor_g: np.ndarray  # (speeds, axes)
    stderr_g: np.ndarray
    log_slope: np.ndarray | None = None  # None: not known
    log_slope_stderr: np.ndarray | None = None

    def slopes(self) -> tuple[np.ndarray, np.ndarray]:
        """``log_slope`` and its standard error; zero with an infinite error where it is not known."""
        if self.log_slope is None or self.log_slope_stderr is None:
            return np.zeros(self.phasor_g.shape, complex), np.full(self.phasor_g.shape, np.inf)
        return self.log_slope, self.log_slope_stderr

    def taken(self, speeds: list[int], axes: list[int]) -> Vectors1P:
        """The vectors of some speeds and axes, by their numbers."""
        rows, (slope, error) = np.ix_(speeds, axes), self.slopes()
        names = tuple(self.axes[axis] for axis in axes)
        return Vectors1P(self.rpm[speeds], names, self.phasor_g[rows], self.stderr_g[rows], slope[rows], error[rows])


def vectors_1p(run: Run) -> Vectors1P:
    """1P vectors of the steady parts of a run, averaged within 2 % of speed.

    Raises AnalysisError without tach pulses (phase has no mark), without vibration, with several pulses a revolution
    (which of them is the mark is not known) or with no steady stretch of about two seconds.
    """
    name = run.source or "the run"
    if len(run.tach.time_s) < 4:
        raise AnalysisError(f"{name}: no tach pulses: the phase of 1P has no mark to be measured from")
    if run.tach.pulses_per_rev != 1:
        raise AnalysisError(f"{name}: {run.tach.pulses_per_rev} tach pulses a revolution: balancing needs one mark")
    if not run.vibration.axes():
        raise AnalysisError(f"{name}: no vibration was recorded: there is nothing to balance by")
    tracks = track_orders(run, (1,))
    steady = _steady(tracks)
    if steady.sum() < LEAST_FRAMES:
        raise AnalysisError(f"{name}: no steady stretch: hold the speed within 2 % for at least two seconds")
    return _averaged(tracks, steady, _frame_rpm(run, tracks))


def _frame_rpm(run: Run, tracks: OrderTracks) -> np.ndarray:
    """Mean speed of each frame under the window that its vector was averaged with.

    The speed in a frame's middle is another one, and carries one pulse's jitter: with it, the change of 1P with speed
    would come out too small.
    """
    step_s = float(tracks.time_s[1] - tracks.time_s[0])
    edges = np.linspace(-step_s, step_s, WINDOW_PARTS + 1)
    turn = shaft_angle(run).at((tracks.time_s[:, None] + edges).ravel()).reshape(len(tracks.time_s), -1)
    middle = (edges[1:] + edges[:-1]) / 2.0
    weight = np.cos(np.pi / 2.0 * middle / step_s) ** 2
    speed: np.ndarray = 60.0 * (np.diff(turn, axis=1) / np.diff(edges)) @ (weight / weight.sum())
    return np.where(np.isfinite(speed), speed, tracks.rpm)


def _steady(tracks: OrderTracks) -> np.ndarray:
    """Frames in which the speed holds and every axis has its 1P."""
    good = np.isfinite(tracks.rpm) & np.isfinite(tracks.phasor_g).all(axis=(0, 2))
    if good.sum() < LEAST_FRAMES:
        result: np.ndarray = good & False
        return result
    step_s = float(tracks.time_s[1] - tracks.time_s[0])
    change = np.abs(np.gradient(tracks.rpm)) / step_s
    result = good & (np.nan_to_num(change, nan=np.inf) < STEADY_RPM_PER_S * tracks.rpm)
    return result


def _averaged(tracks: OrderTracks, steady: np.ndarray, frame_rpm: np.ndarray) -> Vectors1P:
    """Fits within bins of speed, each at its mean speed."""
    rpm, phasor = frame_rpm[steady], tracks.phasor_g[:, steady, 0]
    groups = [group for group in _holds(rpm) if len(group) >= LEAST_FRAMES]
    if not groups:
        raise AnalysisError("no speed was held for long enough: hold it within 2 % for at least two seconds")
    fits = np.array([[_fit(rpm[group], row[group]) for row in phasor] for group in groups])
    value, stderr, slope, slope_stderr = np.moveaxis(fits, -1, 0)
    means = np.array([np.exp(np.log(rpm[group]).mean()) for group in groups])
    return Vectors1P(means, tracks.axes, value, stderr.real, slope, slope_stderr.real)


def _holds(rpm: np.ndarray) -> Iterator[np.ndarray]:
    """Frames of like speed, in order of time: apart by gaps of 2 %; a slow ramp is cut into pieces of 2 %."""
    order = np.argsort(rpm)
    for group in np.split(order, np.flatnonzero(np.diff(rpm[order]) > SPEED_BIN * rpm[order][1:]) + 1):
        place = np.log(rpm[group])
        pieces = max(1, round(float(np.ptp(place)) / SPEED_BIN - 0.5))
        which = np.minimum((pieces * (place - place[0]) / max(float(np.ptp(place)), 1e-12)).astype(int), pieces - 1)
        yield from (np.sort(group[which == piece]) for piece in range(pieces))


def _fit(rpm: np.ndarray, values: np.ndarray) -> tuple[complex, float, complex, float]:
    """Vector at the mean speed and its change with speed, each with a standard error of each part.

    Least squares of a straight line over the logarithm of speed; the vector is the mean of the frames brought to the
    mean speed, for a bent answer has another mean. A frame overlaps the next by half, and gusts outlast
    it: errors are those of batches (sandwich over sqrt(n) of them), never less than those of uncorrelated frames.
    """
    place = np.log(rpm) - np.log(rpm).mean()
    spread = float(place @ place)
    value = complex(values.mean())
    slope = complex(place @ values) / spread if spread > 0.0 else 0.0
    rest = values - value - slope * place
    stderr = _standard_error(rest)
    if abs(value) > LEAST_SEEN * stderr:
        value = complex((values * to_common_speed(slope / value - RIGID_SLOPE, place)).mean())
    if spread <= 0.0 or abs(value) < LEAST_SEEN * stderr:
        return value, stderr, 0.0, np.inf
    batches = [piece.sum() for piece in np.array_split(place * rest, _batches(len(rest)))]
    white = float(np.sqrt((np.abs(rest) ** 2).sum() / (2.0 * (len(rest) - 2)) / spread))
    scores = float(np.sqrt((np.abs(batches) ** 2).sum() / 2.0)) / spread * _few(len(batches))
    error = max(scores, white)
    log_slope = slope / value
    return value, stderr, log_slope, float(np.hypot(error, abs(log_slope) * stderr)) / abs(value)


def to_common_speed(steep: complex | np.ndarray, away: np.ndarray) -> np.ndarray:
    """What brings a vector from ``away`` (logarithm of speed) to the common speed: H(0) / H(away) of a single pole.

    H(x) = exp(2 x) / (1 - k x) with k = ``steep``: see ``speed_shift``.
    """
    result: np.ndarray = np.exp(-RIGID_SLOPE * away) * (1.0 - steep * away)
    return result


def _batches(count: int) -> int:
    return max(3, int(np.sqrt(count)))


def _standard_error(values: np.ndarray) -> float:
    """Standard error of each part of the mean of a correlated complex series (batch means, sqrt(n) batches).

    So few batches tell it roughly: it is that of Student's t with two degrees of freedom for each batch but one.
    """
    batches = _batches(len(values))
    means = np.array([batch.mean() for batch in np.array_split(values, batches)])
    spread = np.sqrt(((means - means.mean()).real.var(ddof=1) + (means - means.mean()).imag.var(ddof=1)) / 2)
    return float(max(spread / np.sqrt(batches) * _few(batches), 1e-6))


def _few(batches: int) -> float:
    """What a standard error told by so few batches is widened by."""
    free = 2.0 * (batches - 1)
    return float(np.sqrt(free / (free - 2.0)))
