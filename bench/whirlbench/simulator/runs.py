"""A whole simulated run as arrays, without wire or device: quick, for campaigns of many runs.

The dynamics are those of the stepwise plant, step for step; only sampling and vibration are computed at once.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import numpy as np

from whirlbench.samples import VIBRATION_AXES, Run, SlowSamples, TachPulses, VibrationSamples
from whirlbench.simulator.governed import GovernedDrive
from whirlbench.simulator.stand import (
    CalibrationErrors,
    Commands,
    Effects,
    Fault,
    Plant,
    PlantSettings,
    Schedule,
    SetPoint,
    StandVibration,
    StateHistory,
    Transducers,
    commands,
)

__all__ = ["Schedule", "SetPoint", "simulate_run"]

COMMAND_STEP_S = 0.002
LOAD_CELL_HZ = 80.0
BLOCK = 16384  # samples of vibration at a time: stays in the cache, and a long run in memory
AXIS_NAMES = tuple(axis.name for axis in VIBRATION_AXES)


def simulate_run(
    settings: PlantSettings,
    schedule: Schedule,
    rng: np.random.Generator,
    faults: Sequence[Fault] = (),
    slow_rate_hz: float = 500.0,
    vibration_rate_hz: float = 1600.0,
    axes: Sequence[str] = AXIS_NAMES,
    errors: CalibrationErrors | None = None,
) -> Run:
    """One run on a simulated stand, as a reader of its recording would get it.

    ``settings``: the true stand. ``schedule``: what is asked. ``rng``: the only source of chance; one seed, one run.
    ``faults``: what goes wrong. ``vibration_rate_hz``: 0 for none; ``axes``: which of ax_g, ay_g, az_g are recorded.
    ``errors``: how far the rig's calibrations are wrong, none by default.
    Nothing trips here: the schedule alone decides. A request is answered by the speed controller's own governor or by
    the bench's, as the rig says; where neither governs it raises ValueError.
    """
    plant_rng, transducer_rng, vibration_rng = rng.spawn(3)
    plant = Plant(settings, plant_rng, faults, keep=True)
    transducers = Transducers(settings.rig, transducer_rng, errors)
    asked = commands(schedule, settings, COMMAND_STEP_S)
    edges, asked = _drive(plant, asked, transducers, schedule.duration_s)
    tach = TachPulses(edges, settings.rig.tach.pulses_per_rev)
    return Run(
        slow=_slow(plant, asked, tach, transducers, schedule.duration_s, slow_rate_hz),
        tach=tach,
        vibration=_vibration(plant, transducers, vibration_rng, schedule.duration_s, vibration_rate_hz, tuple(axes)),
        source="simulated stand",
    )


def _drive(plant: Plant, asked: Commands, transducers: Transducers, duration_s: float) -> tuple[np.ndarray, Commands]:
    """Runs the plant through the commands; the tach edges as seen, and the pulses as they went out."""
    rig = plant.settings.rig
    if np.isfinite(asked.request_rpm).any() and not rig.speed_controller.governs:
        if rig.governor.mode == "pass_through":
            raise ValueError("a speed is asked for, but nothing in this rig governs: see speed_controller and governor")
        governed = GovernedDrive(plant, asked, transducers)
        governed.run(duration_s)
        return np.array(governed.edges_s), governed.commands
    _drive_open(plant, asked, duration_s)
    return transducers.tach_times_s(np.array(plant.take_edges())), asked


def _drive_open(plant: Plant, asked: Commands, duration_s: float) -> None:
    """Stretches of unchanged pulses go in one call."""
    changed = (np.diff(asked.throttle_us) != 0.0) | (np.diff(asked.servo_us) != 0.0)
    starts = np.concatenate(([0], np.flatnonzero(changed) + 1))
    ends = np.append(asked.time_s[starts[1:]], duration_s)
    for end, throttle, servo in zip(
        ends.tolist(), asked.throttle_us[starts].tolist(), asked.servo_us[starts].tolist(), strict=True
    ):
        plant.advance(end, throttle, servo)


def _slow(
    plant: Plant, asked: Commands, tach: TachPulses, transducers: Transducers, duration_s: float, rate_hz: float
) -> SlowSamples:
    time = np.arange(int(duration_s * rate_hz + 1e-9)) / rate_hz
    history = plant.history.rows()
    held = np.floor(time * LOAD_CELL_HZ) / LOAD_CELL_HZ

    def true(column: int, times: np.ndarray = time) -> np.ndarray:
        result: np.ndarray = np.interp(times, history[:, StateHistory.TIME], history[:, column])
        return result

    row = np.minimum((time / COMMAND_STEP_S + 1e-6).astype(int), len(asked.time_s) - 1)
    return SlowSamples(
        time_s=time,
        rpm=speed_seen_rpm(tach, time, plant.settings.rig.tach.rest_ms / 1000.0),
        current_a=transducers.seen("current_a", true(StateHistory.CURRENT)),
        voltage_v=transducers.seen("voltage_v", true(StateHistory.VOLTAGE)),
        thrust_n=_held_thrust(transducers, true(StateHistory.THRUST, held), held),
        servo_us=np.rint(asked.servo_us[row]),
        pitch_deg=_pitch_seen(plant.settings, transducers, true(StateHistory.SERVO), asked.servo_us[row]),
        throttle_us=np.rint(asked.throttle_us[row]),
        speed_request_rpm=np.rint(asked.request_rpm[row]),
    )


def _held_thrust(transducers: Transducers, thrust_n: np.ndarray, held_s: np.ndarray) -> np.ndarray:
    """The load cell converts rarely: one reading, with one noise, stands until the next."""
    _, first, which = np.unique(held_s, return_index=True, return_inverse=True)
    return transducers.seen("thrust_n", thrust_n[first])[which]


def _pitch_seen(
    settings: PlantSettings, transducers: Transducers, position_us: np.ndarray, commanded_us: np.ndarray
) -> np.ndarray:
    """Blade angle as recorded: from the servo's potentiometer where fitted, else from the table and the command."""
    if settings.rig.pitch.feedback:
        return transducers.seen("pitch_deg", np.interp(position_us, *settings.pitch_table()))
    result: np.ndarray = np.interp(commanded_us, *settings.pitch_table())
    return result


def speed_seen_rpm(tach: TachPulses, time_s: np.ndarray, rest_s: float) -> np.ndarray:
    """Speed in rpm from the latest tach period at each time; 0 before two edges and ``rest_s`` after the last."""
    speed = np.zeros(len(time_s))
    if len(tach.time_s) < 2:
        return speed
    latest = np.searchsorted(tach.time_s, time_s, side="right") - 1
    known = latest >= 1
    edge = tach.time_s[latest[known]]
    period = edge - tach.time_s[latest[known] - 1]
    turning = time_s[known] - edge < rest_s
    speed[known] = np.where(turning, 60.0 / (period * tach.pulses_per_rev), 0.0)
    return speed


def _vibration(
    plant: Plant,
    transducers: Transducers,
    rng: np.random.Generator,
    duration_s: float,
    rate_hz: float,
    axes: tuple[str, ...],
) -> VibrationSamples:
    if not rate_hz or not axes:
        return VibrationSamples()
    time = np.arange(int(duration_s * rate_hz + 1e-9)) / rate_hz
    stand = StandVibration(plant.settings.stand, rng, rate_hz, tuple(AXIS_NAMES.index(name) for name in axes))
    motion = plant.motion(time)
    blocks = [
        transducers.vibration_counts(stand.samples_g(motion.part(start, start + BLOCK), _faults(plant, time, start)))
        for start in range(0, len(time), BLOCK)
    ]
    counts = np.concatenate(blocks)
    scale = np.float32(plant.settings.rig.vibration.g_per_count)
    seen: dict[str, Any] = {name: counts[:, AXIS_NAMES.index(name)] * scale for name in axes}
    return VibrationSamples(time, rate_hz=rate_hz, **seen)


def _faults(plant: Plant, time_s: np.ndarray, start: int) -> Effects:
    return plant.faults.over(time_s[start : start + BLOCK])
