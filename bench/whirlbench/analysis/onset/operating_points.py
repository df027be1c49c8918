"""Operating points of a run: stretches of steady operation, and which of them are visits of one point."""

from __future__ import annotations

import itertools
from dataclasses import dataclass

import numpy as np

from whirlbench.analysis.onset.commands import TURNING_RPM, moves, speed_moves
from whirlbench.analysis.onset.features import Features

SETTLE_FRAMES = 2  # frames left out on either side of a move: a frame reaches one step beyond its middle
ANSWER_FRAMES = 8  # frames in which the rotor answers a command, where its own speed does not tell
SAME_RPM = 0.04
SAME_COMMAND = (6.0, 4.0)
SAME_PITCH_DEG = 0.5
RAMP_SERVO_US = 8.0  # bands of the pitch servo in ramps; our choice
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


def ramp_points(features: Features) -> Points:
    """Points of a run that holds no speed: bands of speed four per cent wide, at one pitch, each pass a visit.

    A band passed a second time is compared with the first: level and lean of every band are learned like those of a
    point held. Passes quicker than four frames teach nothing.
    """
    turning = np.isfinite(features.rpm) & (features.rpm > TURNING_RPM) & features.driven
    band = np.full(len(turning), -1)
    band[turning] = np.rint(np.log(features.rpm[turning]) / SAME_RPM).astype(int)
    pitch = np.column_stack([features.command[:, 1] / RAMP_SERVO_US, features.pitch_deg / SAME_PITCH_DEG])
    keys = np.column_stack([band, np.rint(np.nan_to_num(pitch)).astype(int)])
    changed = np.any(keys[1:] != keys[:-1], axis=1) | ~turning[1:] | ~turning[:-1]
    starts = np.concatenate([[0], np.flatnonzero(changed) + 1, [len(keys)]])
    known: dict[tuple[int, ...], int] = {}
    of_frame, visit, rpm = np.full(len(keys), -1), np.full(len(keys), -1), []
    for number, (first, last) in enumerate(itertools.pairwise(starts)):
        if last - first >= LEAST_VISIT and turning[first]:
            key = tuple(keys[first].tolist())
            if key not in known:
                known[key] = len(known)
                rpm.append(np.exp(band[first] * SAME_RPM))
            of_frame[first:last], visit[first:last] = known[key], number
    return _without_lone_points(of_frame, visit, np.array(rpm), features)


def _without_lone_points(of_frame: np.ndarray, visit: np.ndarray, rpm: np.ndarray, features: Features) -> Points:
    """Points visited once have nothing to be compared with: they are no judged running."""
    seen = np.array([len(np.unique(visit[of_frame == point])) for point in range(len(rpm))], int)
    again = np.flatnonzero(seen > 1)
    number = np.full(len(rpm) + 1, -1)
    number[again] = np.arange(len(again))
    of_frame = number[of_frame]
    first = [int(np.flatnonzero(of_frame == point)[0]) for point in range(len(again))]
    command = np.full((len(again), 2), np.nan)
    command[:, 1] = features.command[first, 1]
    return Points(of_frame, np.where(of_frame >= 0, visit, -1), rpm[again], command, features.pitch_deg[first])


def _steady(features: Features, by_speed: bool) -> np.ndarray:
    """Frames in which neither speed nor commands move, nor did a moment ago or will in a moment."""
    rpm = features.rpm
    turning = np.isfinite(rpm) & (rpm > TURNING_RPM)
    moving = speed_moves(rpm, features.step_s) if by_speed else np.zeros(len(rpm), bool)
    for command in features.command.T:
        moving |= moves(command, turning)
    if not np.isfinite(features.command[:, 1]).any():
        moving |= np.abs(_central(features.pitch_deg)) > SAME_PITCH_DEG
    wide = moving.copy()
    for shift in range(1, SETTLE_FRAMES + 1):
        wide[:-shift] |= moving[shift:]
    for shift in range(1, (SETTLE_FRAMES if by_speed else ANSWER_FRAMES) + 1):
        wide[shift:] |= moving[:-shift]
    result: np.ndarray = turning & ~wide & features.driven
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
