"""Every number of a simulated stand that the rig file does not tell, with ways to draw plausible others at random."""

from __future__ import annotations

import math
from dataclasses import dataclass, field, fields, replace
from typing import Any

import numpy as np

from whirlbench.physics.atmosphere import moist_air
from whirlbench.physics.drive import Drive, cell_voltage_v, torque_constant
from whirlbench.rig.blade_sets import BladeSet
from whirlbench.rig.description import Rig, require_number
from whirlbench.rig.toml import example_rig_text, parse_rig
from whirlbench.simulator.stand.propeller import Blades

PURPOSE = "the simulated stand"


@dataclass(frozen=True)
class ControllerSettings:
    """Speed controller: dead time from its frame and decoding, lag of its duty, and its hidden governor."""

    dead_time_s: float = 0.012
    lag_s: float = 0.045
    governor_kp: float = 1.6e-4  # duty per rpm
    governor_ki: float = 1.4e-3  # duty per rpm per second
    governor_filter_s: float = 0.008
    idle_current_a: float = 0.15


@dataclass(frozen=True)
class ServoSettings:
    """Pitch servo and link; pulses in us, angles in degrees at the blade."""

    lag_s: float = 0.022
    slew_us_per_s: float = 2500.0
    dead_band_us: float = 2.0
    free_play_deg: float = 0.10  # whole width of the gap
    offset_deg: float = 0.0  # true blade angle minus the pitch table
    stops_us: tuple[float, float] = (955.0, 2062.0)  # mechanical ends of its travel


@dataclass(frozen=True)
class StandSettings:
    """Structure and unbalance as the accelerometer sees them; axes in the order ax (shaft), ay, az.

    ``unbalance_deg`` is on the rotor from the tach mark in the direction of rotation. The mark fires the tach when it
    is up; az is up and ay lies 90 degrees further in the direction of rotation. Order forces are N s^2 per rad^2.
    """

    unbalance_g_mm: float = 22.0
    unbalance_deg: float = 65.0
    moving_mass_kg: tuple[float, float, float] = (5.0, 3.6, 3.2)
    resonance_hz: tuple[float, float, float] = (36.0, 47.0, 66.0)
    damping_ratio: tuple[float, float, float] = (0.06, 0.05, 0.045)
    axial_share: float = 0.18  # part of the 1P force that shakes along the shaft
    order_forces: tuple[tuple[float, float, float], ...] = (
        (1.2e-6, 2.4e-6, 2.6e-6),  # 2P
        (0.6e-6, 0.8e-6, 0.9e-6),  # 3P
        (5.0e-6, 3.0e-6, 3.2e-6),  # 4P: blade pass of four blades
        (0.3e-6, 0.4e-6, 0.4e-6),
        (0.3e-6, 0.4e-6, 0.4e-6),
        (0.3e-6, 0.3e-6, 0.3e-6),
        (1.6e-6, 1.0e-6, 1.1e-6),  # 8P
    )
    order_phase_deg: tuple[float, ...] = (40.0, 120.0, 250.0, 10.0, 80.0, 200.0, 310.0)
    broadband_n_rms: float = 2.4  # force noise at the reference speed, growing with rpm squared
    warm_up_share: float = 0.10  # 1P grows by so much as the stand warms
    warm_up_deg: float = 6.0
    warm_up_s: float = 90.0


@dataclass(frozen=True)
class AirSettings:
    """Air at the disk: density, and slow gusts as a relative change of the loads at the reference speed."""

    density_kg_m3: float = 1.2
    gust_share: float = 0.012
    gust_s: float = 1.5
    gust_torque_share: float = 0.7  # torque answers less than thrust


@dataclass(frozen=True)
class PlantSettings:
    """A whole simulated stand: the rig that describes it to the user, and the truth behind it.

    Deliberate differences between rig and truth (offset of the pitch, error of a calibration) are what the analyses
    must survive; ``from_rig`` makes a plant that agrees with its rig.
    """

    rig: Rig
    diameter_m: float
    inertia_kg_m2: float
    blades: Blades
    drive: Drive
    cells: int
    capacity_ah: float
    charge: float = 0.97
    polarisation_share: float = 0.25  # of the pack's resistance, appearing slowly
    polarisation_s: float = 15.0
    controller: ControllerSettings = field(default_factory=ControllerSettings)
    servo: ServoSettings = field(default_factory=ServoSettings)
    stand: StandSettings = field(default_factory=StandSettings)
    air: AirSettings = field(default_factory=AirSettings)

    @classmethod
    def from_rig(cls, rig: Rig, **changes: object) -> PlantSettings:
        """A plant that agrees with ``rig``; ``changes`` replace fields; RigError names a key that is missing."""
        servo = ServoSettings(slew_us_per_s=rig.servo.slew_us_per_s or ServoSettings.slew_us_per_s)
        settings = cls(
            rig=rig,
            diameter_m=require_number(rig, "propeller.diameter_m", PURPOSE),
            inertia_kg_m2=require_number(rig, "propeller.inertia_kg_m2", PURPOSE),
            blades=_blades(rig),
            drive=_drive(rig),
            cells=int(require_number(rig, "pack.cells", PURPOSE)),
            capacity_ah=rig.pack.capacity_ah or 5.0,
            servo=servo,
            air=AirSettings(density_kg_m3=_density(rig)),
        )
        return replace(settings, **changes)  # type: ignore[arg-type]

    @classmethod
    def random(cls, rng: np.random.Generator, spread: float = 0.15) -> PlantSettings:
        """A plausible stand near the example rig; see ``varied``."""
        return cls.from_rig(parse_rig(example_rig_text())).varied(rng, spread)

    def varied(self, rng: np.random.Generator, spread: float = 0.15) -> PlantSettings:
        """This stand with its hidden numbers scattered by a relative standard deviation of ``spread`` (0 to 0.3).

        What the rig states as measured by hand (diameter, table, gear, cells) stays; unbalance and order phases get
        new angles; damping of the hidden governor stays inside what still holds a speed.
        """
        return replace(
            self,
            inertia_kg_m2=self.inertia_kg_m2 * _scatter(rng, spread),
            blades=_varied_blades(self.blades, rng, spread),
            drive=replace(
                self.drive,
                motor_ohm=self.drive.motor_ohm * _scatter(rng, spread),
                pack_ohm=self.drive.pack_ohm * _scatter(rng, spread),
            ),
            charge=float(rng.uniform(0.80, 1.0)),
            controller=_scattered(self.controller, rng, spread),
            servo=replace(self.servo, lag_s=self.servo.lag_s * _scatter(rng, spread)),
            stand=_varied_stand(self.stand, rng, spread),
            air=replace(self.air, gust_share=self.air.gust_share * _scatter(rng, spread)),
        )

    @property
    def open_voltage_v(self) -> float:
        """Pack voltage at rest, at the charge the run begins with."""
        return self.cells * float(cell_voltage_v(np.array(self.charge)))

    def pitch_from_pulse(self, servo_us: np.ndarray) -> np.ndarray:
        """True blade angle in degrees where the servo arm stands at ``servo_us``; clamped to the table's ends."""
        pulses, angles = self.pitch_table()
        result: np.ndarray = np.interp(servo_us, pulses, angles) + self.servo.offset_deg
        return result

    def pulse_for_pitch(self, pitch_deg: np.ndarray) -> np.ndarray:
        """Servo pulse whose entry in the rig's table is ``pitch_deg`` (what an operator would send)."""
        pulses, angles = self.pitch_table()
        order = np.argsort(angles)
        result: np.ndarray = np.interp(pitch_deg, angles[order], pulses[order])
        return result

    def pitch_table(self) -> tuple[np.ndarray, np.ndarray]:
        """Pulses and angles of the rig's table; 1000..2000 us for 0..20 degrees when it has none."""
        table = np.asarray(self.rig.pitch.table or ((1000.0, 0.0), (2000.0, 20.0)))
        return table[:, 0], table[:, 1]


def _blades(rig: Rig) -> Blades:
    """Aerodynamics of the fitted blade set: solidity from its chord at 0.75 radius, a rougher section when printed.

    How much rougher is assumed (no source): a matt, layered surface costs drag and stalls sooner.
    """
    count = int(require_number(rig, "propeller.blades", PURPOSE))
    blade_set = rig.blade_sets.get(rig.propeller.blade_set or "", BladeSet())
    blades = Blades(count=count, solidity=Blades.solidity * count / 4.0)
    chords = [(row.radius_m, row.chord_m) for row in blade_set.sections or () if row.chord_m is not None]
    if chords:
        radius_m = require_number(rig, "propeller.diameter_m", PURPOSE) / 2.0
        chord_m = float(np.interp(0.75 * radius_m, *np.array(chords).T))
        blades = replace(blades, solidity=count * chord_m / (math.pi * radius_m))
    if (blade_set.material or "").startswith("printed"):
        blades = replace(blades, drag_min=1.4 * blades.drag_min, stall_deg=blades.stall_deg - 0.8)
    return blades


def _drive(rig: Rig) -> Drive:
    return Drive(
        volt_s_per_rad=torque_constant(require_number(rig, "motor.kv_rpm_per_v", PURPOSE)) * rig.motor.gear_ratio,
        motor_ohm=require_number(rig, "motor.resistance_ohm", PURPOSE),
        pack_ohm=rig.pack.resistance_ohm or 0.0,
        no_load_current_a=rig.motor.no_load_current_a or 0.0,
        gear_efficiency=0.97 if rig.motor.gear_ratio != 1.0 else 1.0,
    )


def _density(rig: Rig) -> float:
    """The rig's density, else that of moist air at its readings (15 C, 1013.25 hPa, half saturated where silent)."""
    air = rig.air
    if air.density_kg_m3:
        return air.density_kg_m3
    celsius = 15.0 if air.temperature_c is None else air.temperature_c
    humidity = 50.0 if air.humidity_pct is None else air.humidity_pct
    return float(moist_air(celsius, (air.pressure_hpa or 1013.25) * 100.0, humidity / 100.0).density_kg_m3)


def _scatter(rng: np.random.Generator, spread: float) -> float:
    """A positive factor about 1, cut at 2.5 standard deviations so that no plant is absurd."""
    return math.exp(spread * float(np.clip(rng.standard_normal(), -2.5, 2.5)))


def _scattered(settings: ControllerSettings, rng: np.random.Generator, spread: float) -> ControllerSettings:
    return ControllerSettings(
        **{item.name: getattr(settings, item.name) * _scatter(rng, spread) for item in fields(settings)}
    )


def _varied_blades(blades: Blades, rng: np.random.Generator, spread: float) -> Blades:
    return replace(
        blades,
        solidity=blades.solidity * _scatter(rng, 0.5 * spread),
        lift_slope_per_deg=blades.lift_slope_per_deg * _scatter(rng, 0.3 * spread),
        zero_lift_deg=blades.zero_lift_deg + 3.0 * spread * float(rng.standard_normal()),
        stall_deg=blades.stall_deg * _scatter(rng, 0.5 * spread),
        drag_min=blades.drag_min * _scatter(rng, spread),
        drag_after_stall_per_deg=blades.drag_after_stall_per_deg * _scatter(rng, spread),
        induced_factor=1.0 + (blades.induced_factor - 1.0) * _scatter(rng, 0.5 * spread),
    )


def _varied_stand(stand: StandSettings, rng: np.random.Generator, spread: float) -> StandSettings:
    forces = np.asarray(stand.order_forces) * np.exp(2.0 * spread * rng.standard_normal((len(stand.order_forces), 3)))
    scattered: dict[str, Any] = {
        name: tuple(value * _scatter(rng, share * spread) for value in getattr(stand, name))
        for name, share in (("moving_mass_kg", 0.5), ("resonance_hz", 0.7), ("damping_ratio", 1.0))
    }
    return replace(
        stand,
        unbalance_g_mm=stand.unbalance_g_mm * _scatter(rng, 2.0 * spread),
        unbalance_deg=float(rng.uniform(0.0, 360.0)),
        order_forces=tuple(map(tuple, forces.tolist())),
        order_phase_deg=tuple(rng.uniform(0.0, 360.0, len(stand.order_phase_deg)).tolist()),
        broadband_n_rms=stand.broadband_n_rms * _scatter(rng, spread),
        warm_up_share=stand.warm_up_share * float(rng.uniform(-1.0, 1.5)),
        warm_up_deg=stand.warm_up_deg * float(rng.uniform(-1.5, 1.5)),
        **scattered,
    )
