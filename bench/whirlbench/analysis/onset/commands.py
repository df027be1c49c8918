"""What was asked of the stand, frame by frame, and which commands are loose: they follow the shaft, not lead it."""

from __future__ import annotations

import numpy as np

from whirlbench.analysis.orders import FrameGrid
from whirlbench.samples import Run

IDLE_SHARE = 0.02  # of the largest current: below, the rotor coasts
THROTTLE_RANGE_US = 100.0  # a throttle that moved less was never closed
TURNING_RPM = 200.0  # below this the frames are not judged; our choice
MOVING_PER_S = 0.02  # an operating point moves when speed changes by more than 2 % in a second; our choice
COMMAND_STEP = 0.75  # us or rpm within three seconds: less is rounding
COMMAND_NOISE = 6.0  # times the usual change between frames, where a command was measured and is not exact
# A command that seldom rests while the shaft is steady, never goes far, and wanders (further off after longer) leads
# nothing: it is a governor's or a control loop's own work. Our choices.
LOOSE_SHARE, LOOSE_REACH, WANDERS = 0.05, 0.01, 1.3


def frame_mean(run: Run, grid: FrameGrid, name: str) -> np.ndarray:
    """Frame means of a slow channel over its finite samples; NaN where fewer than half are there."""
    values = run.slow.channel(name)
    good = np.isfinite(values)
    if not good.any():
        return np.full(len(grid.time_s), np.nan)
    share = grid.means(good.astype(float))
    with np.errstate(invalid="ignore", divide="ignore"):
        return np.where(share > 0.5, grid.means(np.where(good, values, 0.0)) / share, np.nan)


def commands(run: Run, grid: FrameGrid) -> np.ndarray:
    """What was asked: the request where a governor had one, else the throttle pulse; and the servo pulse."""
    request, throttle = (frame_mean(run, grid, name) for name in ("speed_request_rpm", "throttle_us"))
    servo = frame_mean(run, grid, "servo_us")
    asked = np.where(np.isfinite(request) & (request > 0), request, throttle)
    return np.column_stack([asked, servo])


def driven(run: Run, grid: FrameGrid) -> np.ndarray:
    """Frames in which the motor draws current, or where that is not recorded, the throttle is above its lowest."""
    current, throttle = (frame_mean(run, grid, name) for name in ("current_a", "throttle_us"))
    if np.isfinite(current).any():
        result: np.ndarray = ~(current < IDLE_SHARE * np.nanmax(current))
        return result
    if np.isfinite(throttle).any() and np.nanmax(throttle) - np.nanmin(throttle) > THROTTLE_RANGE_US:
        result = ~(throttle < np.nanmin(throttle) + 0.05 * THROTTLE_RANGE_US)
        return result
    return np.ones(len(grid.time_s), bool)


def tripped(run: Run, centre_s: np.ndarray, rpm: np.ndarray, step_s: float) -> np.ndarray:
    """Frames that reach past a recorded trip or abort, until the shaft has come to rest: the power was cut there."""
    result = np.zeros(len(centre_s), bool)
    for event in run.events:
        if event.kind in ("trip", "abort"):
            after = centre_s > event.time_s - 1.5 * step_s
            rest_s = centre_s[after & (rpm < TURNING_RPM)]
            result |= after & (centre_s < (rest_s[0] if len(rest_s) else np.inf))
    return result


def moves(command: np.ndarray, turning: np.ndarray) -> np.ndarray:
    """Frames in which ``command`` moves by more than rounding or its own noise; not where it is unknown."""
    change = np.abs(np.diff(command[turning]))
    noise = float(np.median(change[np.isfinite(change)])) if np.isfinite(change).any() else 0.0
    least = max(COMMAND_STEP, COMMAND_NOISE * noise)
    result: np.ndarray = (reach(command, 1) > least) | (reach(command, 6) > least)
    return result


def reach(values: np.ndarray, frames: int) -> np.ndarray:
    """How far a command moves from ``frames`` before to ``frames`` after; zero where unknown."""
    padded = np.concatenate([np.repeat(values[:1], frames), values, np.repeat(values[-1:], frames)])
    result: np.ndarray = np.nan_to_num(np.abs(padded[2 * frames :] - padded[: -2 * frames]))
    return result


def speed_moves(rpm: np.ndarray, step_s: float) -> np.ndarray:
    """Frames in which the speed changes by more than 2 % in a second; not where it is unknown or the shaft rests."""
    with np.errstate(invalid="ignore"):
        log = np.log(np.where(rpm > TURNING_RPM, rpm, np.nan))
    padded = np.concatenate([log[:1], log, log[-1:]])
    result: np.ndarray = np.nan_to_num(np.abs(padded[2:] - padded[:-2])) / 2 / step_s > MOVING_PER_S
    return result


def loose_commands(command: np.ndarray, rpm: np.ndarray, driving: np.ndarray, step_s: float) -> np.ndarray:
    """Which of the commands ``(frames, 2)`` follow the shaft: they move, a little, while it is steady."""
    steady = driving & (rpm > TURNING_RPM) & ~speed_moves(rpm, step_s)
    loose = np.zeros(command.shape[1], bool)
    for number, column in enumerate(command.T):
        there = steady & np.isfinite(column)
        if there.any():
            near, far = reach(column, 1)[there], reach(column, 6)[there]
            little = np.quantile(far, 0.9) < LOOSE_REACH * np.median(column[there])
            wanders = np.median(far) > WANDERS * np.median(near)
            loose[number] = little and wanders and moves(column, there)[there].mean() > LOOSE_SHARE
    return loose
