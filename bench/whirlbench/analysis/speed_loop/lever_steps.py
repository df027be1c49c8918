"""Where in a run a lever was moved at once and then left alone: throttle, speed request, pitch.

Levers are found from what was *sent* (pulses and requests), which is exact; a channel that keeps reversing is being
moved by a governor or an excitation and is no step. What is found but cannot be used says why.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from typing import Literal

import numpy as np

from whirlbench.rig.description import Rig
from whirlbench.samples import Run

Kind = Literal["throttle", "request", "pitch"]
KINDS: tuple[Kind, ...] = ("throttle", "request", "pitch")

JOIN_S = 0.1  # changes closer together than this are one move: a slewed pulse changes at least every few ticks
SMALLEST = {"throttle": 5.0, "request": 20.0, "pitch": 0.3}  # us, rpm, deg: below this it is trim, not a step
LONGEST_RAMP_S = 1.0  # and no longer than half the hold after it
SHORTEST_HOLD_S = 0.3  # at least some ten revolutions on each side of the step
FOLLOWS_WITHIN_S = 1.0  # a throttle that starts to move so soon after a request or a pitch step is answering it
REVERSALS_OF_A_LEVER = 2  # a move that turns back more often is not an operator's
DRIVEN_PER_S, DRIVEN_REVERSALS = 1.0, 0.05  # changes a second, and part of them that turn back, of a governed pulse
OWN_TICK_S = (
    2.2e-3  # logs at the device's own 2 ms tick write a lever in the tick in which it went out; slower ones later
)
NOISY_PART = 0.5  # a channel that differs at more than this part of its samples is measured, not sent


@dataclass(frozen=True)
class Step:
    """One move of one lever.

    ``from_value`` and ``to_value`` are in us, rpm or degrees of blade angle, by ``kind``; ``command_from`` and
    ``command_to`` are the pulses behind them, NaN where unknown. ``at_s`` is the instant at which the new value was
    out, known to within ``at_stderr_s``, ``ramp_s`` how long the move took. ``before_s`` and ``after_s``: seconds to
    the neighbouring move of any lever, or to the end of the record. ``problem`` is empty, or says why the step cannot
    be used as it is.
    """

    kind: Kind
    at_s: float
    ramp_s: float
    from_value: float
    to_value: float
    before_s: float
    after_s: float
    command_from: float = float("nan")
    command_to: float = float("nan")
    problem: str = ""
    at_stderr_s: float = 0.0

    @property
    def change(self) -> float:
        """How far the lever went, signed, in its unit."""
        return self.to_value - self.from_value


@dataclass(frozen=True)
class Move:
    """Consecutive changes of one channel; ``reversing`` when they go back and forth."""

    start_s: float
    end_s: float
    from_value: float
    to_value: float
    reversing: bool
    at_stderr_s: float = 0.0


def find_steps(run: Run, rig: Rig | None = None) -> tuple[Step, ...]:
    """All steps of ``run`` in order of time, unusable ones included with their ``problem``.

    ``rig`` gives the pitch table for a run without pitch angles, and tells whether the throttle pulse is a request.
    NaN in a channel is bridged with the last value. No step at all gives an empty tuple.
    """
    levers = _without_governed(run.slow.time_s, _levers(run, rig))
    moves = {kind: channel_moves(run.slow.time_s, values, kind) for kind, values in levers.items()}
    found = [(kind, move) for kind in KINDS for move in moves.get(kind, ())]
    found = [(kind, move) for kind, move in found if not _follows(kind, move, moves)]
    found.sort(key=lambda item: item[1].start_s)
    steps = [_step(run, kind, move, [other for _, other in found]) for kind, move in found if not move.reversing]
    return tuple(_with_pulses(run, step) for step in steps)


def _levers(run: Run, rig: Rig | None) -> dict[Kind, np.ndarray]:
    """What each lever asked for, over the slow time base."""
    slow = run.slow
    levers: dict[Kind, np.ndarray] = {}
    if slow.has("speed_request_rpm"):
        levers["request"] = _request(slow.channel("speed_request_rpm"))
    if slow.has("throttle_us"):
        levers["throttle"] = slow.channel("throttle_us")
        if rig is not None and rig.speed_controller.governs and rig.speed_controller.request_table:
            pulses, speeds = np.array(rig.speed_controller.request_table).T
            asked = np.interp(levers.pop("throttle"), pulses, speeds)
            levers.setdefault("request", asked)  # the request itself, where it was recorded, is not rounded to a pulse
    pitch = pitch_lever(run, rig)
    if pitch is not None:
        levers["pitch"] = pitch
    return levers


def _request(request_rpm: np.ndarray) -> np.ndarray:
    """The request with zero before the first and after the last one: nobody governs there."""
    known = np.flatnonzero(np.isfinite(request_rpm))
    filled = request_rpm.copy()
    filled[: known[0]] = filled[known[-1] + 1 :] = 0.0
    return filled


def pitch_lever(run: Run, rig: Rig | None = None) -> np.ndarray | None:
    """Blade angle asked for, ``(n,)`` in degrees on the slow time base; None when neither pulse nor angle is there.

    It is the sent pulse through the pitch table of ``rig``, or through the angles measured at each level of the pulse;
    the measured angle itself only where no pulse was recorded.
    """
    slow = run.slow
    if not slow.has("servo_us"):
        return slow.channel("pitch_deg") if slow.has("pitch_deg") else None
    servo_us = slow.channel("servo_us")
    if rig is not None and rig.pitch.table:
        pulses, angles = np.array(rig.pitch.table).T
        result: np.ndarray | None = np.interp(servo_us, pulses, angles)
        return result
    return _angle_of_pulse(servo_us, slow.channel("pitch_deg")) if slow.has("pitch_deg") else None


def _angle_of_pulse(servo_us: np.ndarray, pitch_deg: np.ndarray) -> np.ndarray:
    """The sent pulse with each level renamed to the median angle that was measured at it."""
    pulses, where = np.unique(servo_us, return_inverse=True)
    if len(pulses) > 64:  # a moving pulse: one straight line through all
        fine = np.isfinite(servo_us) & np.isfinite(pitch_deg)
        slope, offset = np.polyfit(servo_us[fine], pitch_deg[fine], 1)
        line: np.ndarray = slope * servo_us + offset
        return line
    angles = np.array([np.nanmedian(pitch_deg[where == index]) for index in range(len(pulses))])
    renamed: np.ndarray = angles[where]
    return renamed


def _without_governed(time: np.ndarray, levers: dict[Kind, np.ndarray]) -> dict[Kind, np.ndarray]:
    """The levers with NaN wherever a governor, not the operator, moved them: while a speed was asked for."""
    request = levers.get("request")
    if request is None:
        return levers
    asked = np.nan_to_num(request) > 0.0
    return {
        kind: np.where(asked, np.nan, values)
        if kind != "request" and _is_driven(time[asked], values[asked])
        else values
        for kind, values in levers.items()
    }


def _is_driven(time: np.ndarray, values: np.ndarray) -> bool:
    """Whether a channel moves all the time, to and fro, as an operator's never does."""
    if len(time) < 3:
        return False
    jumps = np.diff(values)
    jumps = jumps[np.isfinite(jumps) & (jumps != 0.0)]
    reversals = np.count_nonzero(np.diff(np.sign(jumps)))
    often = len(jumps) > DRIVEN_PER_S * float(time[-1] - time[0])
    return often and int(reversals) > DRIVEN_REVERSALS * len(jumps)


def channel_moves(time_s: np.ndarray, values: np.ndarray, kind: Kind) -> tuple[Move, ...]:
    """Moves of one lever's channel, larger than the smallest step of its ``kind``, in order of time.

    ``time_s`` and ``values`` are ``(n,)``; NaN is bridged; fewer than three finite samples give no move.
    """
    fine = np.isfinite(values)
    if fine.sum() < 3:
        return ()
    time, level = time_s[fine], values[fine]
    changed = np.diff(level) != 0.0
    if changed.mean() > NOISY_PART:
        level = _without_noise(time, level)
        changed = np.diff(level) != 0.0
    at = np.flatnonzero(changed) + 1
    if not len(at):
        return ()
    groups = np.split(at, np.flatnonzero(np.diff(time[at]) > _joining_s(time)) + 1)
    moves = (_move(time, level, group) for group in groups)
    return tuple(m for m in moves if m.reversing or abs(m.to_value - m.from_value) >= SMALLEST[kind])


def _joining_s(time: np.ndarray) -> float:
    return max(JOIN_S, 1.5 * float(np.median(np.diff(time))))


def _seen_late_s(interval_s: float) -> float:
    """How late a log shows a lever's move on average: half a sample, none where it runs with the device's tick."""
    return interval_s / 2.0 if interval_s > OWN_TICK_S else 0.0


def _seen_stderr_s(interval_s: float) -> float:
    """Standard error of the instant of a move: uniform between two samples, or up to a tick from the one taken."""
    return interval_s / math.sqrt(12.0 if interval_s > OWN_TICK_S else 3.0)


def _move(time: np.ndarray, level: np.ndarray, group: np.ndarray) -> Move:
    """The move made of the changes at the sample numbers ``group``."""
    jumps = level[group] - level[group - 1]
    reversals = int(np.count_nonzero(np.diff(np.sign(jumps))))
    start, end = time[group[0]], time[group[-1]]
    # a staircase of equal small steps is a ramp that began half a stair before its first riser
    half_stair = (end - start) / (len(group) - 1) / 2.0 if len(group) > 2 else 0.0
    interval = float(time[group[0]] - time[group[0] - 1])
    if len(group) <= 2:
        start, end = start - _seen_late_s(interval), end - _seen_late_s(interval)
    return Move(
        float(start - half_stair), float(end + half_stair), float(level[group[0] - 1]), float(level[group[-1]]),
        reversals > REVERSALS_OF_A_LEVER, _seen_stderr_s(interval),
    )  # fmt: skip


def _without_noise(time: np.ndarray, level: np.ndarray) -> np.ndarray:
    """A noisy feedback channel as flat levels between the jumps that stand out of its noise.

    Jumps are where the means of 0.15 s before and after differ by eight of their standard deviations.
    """
    width = max(3, round(0.15 / float(np.median(np.diff(time)))))
    if len(level) < 4 * width:
        return level
    total = np.concatenate([[0.0], np.cumsum(level)])
    mean = (total[width:] - total[:-width]) / width
    jump = mean[width:] - mean[:-width]
    noise = 1.4826 * float(np.median(np.abs(np.diff(level)))) / np.sqrt(2.0)
    loud = np.abs(jump) > 8.0 * noise * np.sqrt(2.0 / width)
    runs = np.split(np.flatnonzero(loud), np.flatnonzero(np.diff(np.flatnonzero(loud)) > width) + 1)
    bounds = [int(run[np.argmax(np.abs(jump[run]))]) + width for run in runs if len(run)]
    pieces = np.split(level, bounds)
    return np.concatenate([np.full(len(piece), np.median(piece)) for piece in pieces if len(piece)])


def _follows(kind: Kind, move: Move, moves: dict[Kind, tuple[Move, ...]]) -> bool:
    """Whether a lever moved because a governor answered a request or a pitch step, or carried the request."""
    if kind == "request":
        return False
    leaders = list(moves.get("request", ()))
    if move.reversing and kind == "throttle":
        leaders += moves.get("pitch", ())
    return any(-0.05 <= move.start_s - leader.start_s <= FOLLOWS_WITHIN_S for leader in leaders)


def _step(run: Run, kind: Kind, move: Move, others: list[Move]) -> Step:
    time = run.slow.time_s
    before = max([float(time[0])] + [o.end_s for o in others if o is not move and o.start_s < move.start_s])
    after = min([float(time[-1])] + [o.start_s for o in others if o is not move and o.start_s >= move.start_s])
    step = Step(
        kind, move.start_s, move.end_s - move.start_s, move.from_value, move.to_value,
        max(move.start_s - before, 0.0), max(after - move.end_s, 0.0), at_stderr_s=move.at_stderr_s,
    )  # fmt: skip
    return replace(step, problem=_complaint(step, at_end=after >= time[-1], at_start=before <= time[0]))


def _complaint(step: Step, at_end: bool, at_start: bool) -> str:
    if step.kind == "request" and min(step.from_value, step.to_value) <= 0.0:
        return "the governor was switched on or off there: not a step of its request"
    if step.ramp_s > min(max(0.5 * step.after_s, 0.1), LONGEST_RAMP_S):
        return f"the lever took {step.ramp_s:.2f} s: a sweep, not a step"
    if step.after_s < SHORTEST_HOLD_S and not at_end:
        return f"another lever moved {step.after_s:.2f} s after it: the two steps overlap and cannot be told apart"
    if step.before_s < SHORTEST_HOLD_S and not at_start:
        return f"another lever moved {step.before_s:.2f} s before it: the two steps overlap and cannot be told apart"
    if step.after_s < SHORTEST_HOLD_S or step.before_s < SHORTEST_HOLD_S:
        return f"no hold of at least {SHORTEST_HOLD_S:g} s on both sides of it is in the record"
    return ""


def _with_pulses(run: Run, step: Step) -> Step:
    """``step`` with the pulses that were sent before and after it."""
    pulse = run.slow.channel("servo_us" if step.kind == "pitch" else "throttle_us")
    seen_s = step.at_s + step.ramp_s + math.sqrt(3.0) * step.at_stderr_s  # the first sample that shows all of it
    before, after = np.searchsorted(run.slow.time_s, (step.at_s - 1e-6, seen_s + 1e-6))
    if before == 0 or after >= len(pulse):
        return step
    return replace(step, command_from=float(pulse[before - 1]), command_to=float(pulse[after]))
