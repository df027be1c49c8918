"""Operating points of a run: stretches of steady operation, and which of them are visits of one point."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from whirlbench.analysis.onset.features import TURNING_RPM, Features

MOVING_PER_S = 0.02  # an operating point moves when speed changes by more than 2 % in a second; our choice
COMMAND_STEP = 0.75  # us or rpm within three seconds: less is rounding
COMMAND_NOISE = 6.0  # times the usual change between frames, where a command was measured and is not exact
SETTLE_FRAMES = 2  # frames left out on either side of a move: a frame reaches one step beyond its middle
ANSWER_FRAMES = 8  # frames in which the rotor answers a command, where its own speed does not tell
SAME_RPM = 0.04
SAME_COMMAND = (6.0, 4.0)
SAME_PITCH_DEG = 0.5
LEAST_VISIT = 4  # frames; shorter visits teach nothing


@dataclass(frozen=True)
class Points:
    """Operating points: ``of_frame`` is the point's number per frame, -1 where moving or at rest, ``visit`` alike."""

    of_frame: np.ndarray
    visit: np.ndarray
    rpm: np.ndarray  # (points,)
    command: np.ndarray  # (points, 2)
    pitch_deg: np.ndarray  # (points,)


def operating_points(features: Features, by_speed: bool = True) -> Points:
    """Splits frames into visits of steady operation and joins visits of one operating point.

    A visit ends when the commands or the speed move, or when the speed has wandered 4 % from its beginning. A change of
    operating point is thereby never compared with what was before it. Without ``by_speed`` (possible only where
    commands were recorded) the commands alone make an operating point: speed that wanders by itself is then a finding,
    not a move.
    """
    by_speed = by_speed or not np.isfinite(features.command[:, 0]).any()
    steady = _steady(features, by_speed)
    of_frame, visit = np.full(len(steady), -1), np.full(len(steady), -1)
    known: list[tuple[float, np.ndarray, float, int]] = []
    for number, frames in enumerate(_visits(features, steady, by_speed)):
        key = _key(features, frames)
        point = _matching(known, key, SAME_RPM / 2 if by_speed else np.inf)
        if point is None:
            point = len(known)
            known.append((*key, len(frames)))
        of_frame[frames], visit[frames] = point, number
    return Points(
        of_frame,
        visit,
        np.array([one[0] for one in known]),
        np.array([one[1] for one in known]).reshape(len(known), 2),
        np.array([one[2] for one in known]),
    )


def _steady(features: Features, by_speed: bool) -> np.ndarray:
    """Frames in which neither speed nor commands move, nor did a moment ago or will in a moment."""
    rpm = features.rpm
    turning = np.isfinite(rpm) & (rpm > TURNING_RPM)
    moving = np.zeros(len(rpm), bool)
    if by_speed:
        moving = np.abs(_central(np.log(np.where(turning, rpm, np.nan)))) / features.step_s > MOVING_PER_S
    for command in features.command.T:
        change = np.abs(np.diff(command[turning]))
        noise = float(np.median(change[np.isfinite(change)])) if np.isfinite(change).any() else 0.0
        for frames in (1, 6):
            moving |= _reach(command, frames) > max(COMMAND_STEP, COMMAND_NOISE * noise)
    if not np.isfinite(features.command[:, 1]).any():
        moving |= np.abs(_central(features.pitch_deg)) > SAME_PITCH_DEG
    wide = moving.copy()
    for shift in range(1, SETTLE_FRAMES + 1):
        wide[:-shift] |= moving[shift:]
    for shift in range(1, (SETTLE_FRAMES if by_speed else ANSWER_FRAMES) + 1):
        wide[shift:] |= moving[:-shift]
    result: np.ndarray = turning & ~wide & features.driven
    return result


def _reach(values: np.ndarray, frames: int) -> np.ndarray:
    """How far a command moves from ``frames`` before to ``frames`` after; zero where unknown."""
    padded = np.concatenate([np.repeat(values[:1], frames), values, np.repeat(values[-1:], frames)])
    result: np.ndarray = np.nan_to_num(np.abs(padded[2 * frames :] - padded[: -2 * frames]))
    return result


def _central(values: np.ndarray) -> np.ndarray:
    """Change per frame by central differences; zero where a neighbour is unknown, half-step at the ends."""
    padded = np.concatenate([values[:1], values, values[-1:]])
    result: np.ndarray = np.nan_to_num((padded[2:] - padded[:-2]) / 2)
    return result


def _visits(features: Features, steady: np.ndarray, by_speed: bool) -> list[np.ndarray]:
    """Runs of steady frames, cut where the speed has wandered off."""
    visits = []
    edges = np.flatnonzero(np.diff(np.concatenate([[0], steady.astype(int), [0]])))
    for first, last in zip(edges[::2], edges[1::2], strict=True):
        start = first
        while last - start >= LEAST_VISIT:
            begin = np.median(features.rpm[start : start + LEAST_VISIT])
            off = np.flatnonzero(np.abs(features.rpm[start:last] / begin - 1) > SAME_RPM)
            stop = start + int(off[0]) if len(off) and by_speed else last
            if stop - start >= LEAST_VISIT:
                visits.append(np.arange(start, stop))
            start = max(stop, start + 1)
    return visits


def _key(features: Features, frames: np.ndarray) -> tuple[float, np.ndarray, float]:
    """What identifies an operating point: speed and commands at the beginning of the visit."""
    head = frames[: 2 * LEAST_VISIT]
    pitch = features.pitch_deg[head]
    known_pitch = float(np.median(pitch)) if np.isfinite(pitch).all() else np.nan
    return float(np.median(features.rpm[head])), np.median(features.command[head], axis=0), known_pitch


def _matching(
    known: list[tuple[float, np.ndarray, float, int]], key: tuple[float, np.ndarray, float], same_rpm: float
) -> int | None:
    for number, (rpm, command, pitch, _) in enumerate(known):
        if same_point(key[0], key[1], key[2], rpm, command, pitch, same_rpm):
            return number
    return None


def same_point(
    rpm: float,
    command: np.ndarray,
    pitch: float,
    rpm2: float,
    command2: np.ndarray,
    pitch2: float,
    same_rpm: float = SAME_RPM / 2,
) -> bool:
    """Whether two operating points are one: by speed, and by commands, or pitch where the servo was not recorded."""
    if abs(rpm / rpm2 - 1) > same_rpm:
        return False
    gap = np.abs(command - command2)
    if np.any(np.nan_to_num(gap) > SAME_COMMAND):
        return False
    return bool(np.isfinite(gap[1]) or not abs(pitch - pitch2) > SAME_PITCH_DEG)
