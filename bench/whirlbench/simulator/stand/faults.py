"""What can go wrong on the stand, each with the time it begins and the time it takes to grow.

A fault is a pure function of time: the stepwise plant asks it for one instant, the vibration for many, and both agree.
None of these pictures claims to be a material law; each only shows the signature that the trade knows of it.
"""

from __future__ import annotations

import cmath
import math
from dataclasses import dataclass, field
from typing import Any

import numpy as np

Amount = Any  # one number, or an array with one entry an instant


@dataclass
class Effects:
    """What all faults together do at an instant (floats) or at many (arrays of one shape)."""

    unbalance_g_mm: Amount = 0.0  # added to the rotor's own, as a vector from the tach mark
    order2_factor: Amount = 1.0
    axial_factor: Amount = 1.0
    blades_lost: Amount = 0.0
    link_play_deg: Amount = 0.0  # how far the blades may fall to fine pitch
    link_jitter_deg: Amount = 0.0
    duty_swing: Amount = 0.0
    integral_factor: Amount = 1.0  # of a governing controller
    least_duty: Amount = 0.0  # the controller drives at least so hard while it is powered at all
    sensor_slack: Amount = 0.0  # 0 firm, 1 rattling
    tach_lost: bool = False
    tach_missed_share: float = 0.0
    servo_stuck: bool = False
    supply_down: bool = False


@dataclass(frozen=True)
class Fault:
    """Begins at ``start_s`` and is fully grown ``growth_s`` later (0: at once); times of the plant's clock."""

    start_s: float
    growth_s: float = 0.0

    @property
    def grown_s(self) -> float:
        """When the fault is fully grown."""
        return self.start_s + self.growth_s

    def severity(self, time_s: Amount) -> Amount:
        """From 0 before the start, in a straight line, to 1 when grown."""
        if self.growth_s <= 0.0:
            return (time_s >= self.start_s) * 1.0
        return np.clip((time_s - self.start_s) / self.growth_s, 0.0, 1.0)

    def apply(self, effects: Effects, time_s: Amount) -> None:
        """Adds this fault's doing at ``time_s`` (an instant, or many) to ``effects``."""
        self._act(effects, time_s)

    def _act(self, effects: Effects, time_s: Amount) -> None:
        raise NotImplementedError(type(self).__name__)


@dataclass(frozen=True)
class BladeLoss(Fault):
    """One blade leaves at ``grown_s``: its mass moment becomes unbalance, its share of thrust and load is gone."""

    moment_g_mm: float = 3800.0  # blade mass times the radius of its centre
    angle_deg: float = 180.0  # opposite to the lost blade

    def _act(self, effects: Effects, time_s: Amount) -> None:
        lost = (time_s >= self.grown_s) * 1.0
        effects.unbalance_g_mm = effects.unbalance_g_mm + lost * _vector(self.moment_g_mm, self.angle_deg)
        effects.blades_lost = effects.blades_lost + lost


@dataclass(frozen=True)
class RootCrack(BladeLoss):
    """A crack opens at a blade root: unbalance and 2P grow faster and faster, until the blade leaves at ``grown_s``."""

    growth_s: float = 20.0
    unbalance_g_mm: float = 90.0  # just before the blade leaves
    order2_gain: float = 6.0
    power: float = 2.0  # growth is this power of the elapsed share
    blade_leaves: bool = True

    def _act(self, effects: Effects, time_s: Amount) -> None:
        grown = self.severity(time_s) ** self.power
        added = grown * _vector(self.unbalance_g_mm, self.angle_deg)
        effects.unbalance_g_mm = effects.unbalance_g_mm + added
        effects.order2_factor = effects.order2_factor + self.order2_gain * grown
        if self.blade_leaves:
            super()._act(effects, time_s)


@dataclass(frozen=True)
class AddedUnbalance(Fault):
    """A weight comes onto (or off) the rotor: a repair tape, a trial mass, a lost counterweight."""

    unbalance_g_mm: float = 40.0
    angle_deg: float = 0.0

    def _act(self, effects: Effects, time_s: Amount) -> None:
        added = self.severity(time_s) * _vector(self.unbalance_g_mm, self.angle_deg)
        effects.unbalance_g_mm = effects.unbalance_g_mm + added


@dataclass(frozen=True)
class LoosePitchLink(Fault):
    """The link wears: free play grows, the twisting moment takes the blades to fine pitch, they jitter, rpm rises."""

    growth_s: float = 15.0
    play_deg: float = 9.0
    jitter_deg: float = 0.6

    def _act(self, effects: Effects, time_s: Amount) -> None:
        grown = self.severity(time_s)
        effects.link_play_deg = effects.link_play_deg + self.play_deg * grown
        effects.link_jitter_deg = effects.link_jitter_deg + self.jitter_deg * grown
        effects.axial_factor = effects.axial_factor + 1.5 * grown


@dataclass(frozen=True)
class GovernorHunting(Fault):
    """A governing speed controller integrates so eagerly that it oscillates by itself; an open one swings its duty."""

    growth_s: float = 5.0
    integral_factor: float = 8.0  # of the hidden governor's integral gain, when grown
    duty_amplitude: float = 0.05  # of a controller that does not govern
    frequency_hz: float = 1.3

    def _act(self, effects: Effects, time_s: Amount) -> None:
        swing = np.sin(2.0 * math.pi * self.frequency_hz * (time_s - self.start_s))
        grown = self.severity(time_s)
        effects.duty_swing = effects.duty_swing + grown * self.duty_amplitude * swing
        effects.integral_factor = effects.integral_factor * (1.0 + (self.integral_factor - 1.0) * grown)


@dataclass(frozen=True)
class Runaway(Fault):
    """The speed controller drives harder and harder whatever it is asked, as long as its pulse is above safe."""

    growth_s: float = 1.0
    duty: float = 1.0

    def _act(self, effects: Effects, time_s: Amount) -> None:
        effects.least_duty = np.maximum(effects.least_duty, self.duty * self.severity(time_s))


@dataclass(frozen=True)
class LostTach(Fault):
    """No tach pulse reaches the device any more; the rotor turns on."""

    def _act(self, effects: Effects, time_s: Amount) -> None:
        effects.tach_lost = bool(effects.tach_lost or time_s >= self.grown_s)


@dataclass(frozen=True)
class MissedPulses(Fault):
    """A share of the tach pulses is missed at random."""

    share: float = 0.05

    def _act(self, effects: Effects, time_s: Amount) -> None:
        effects.tach_missed_share = max(effects.tach_missed_share, float(self.severity(time_s)) * self.share)


@dataclass(frozen=True)
class StuckServo(Fault):
    """The pitch servo stays where it is."""

    def _act(self, effects: Effects, time_s: Amount) -> None:
        effects.servo_stuck = bool(effects.servo_stuck or time_s >= self.grown_s)


@dataclass(frozen=True)
class LooseSensor(Fault):
    """The accelerometer works loose: it follows less and rattles."""

    growth_s: float = 10.0

    def _act(self, effects: Effects, time_s: Amount) -> None:
        effects.sensor_slack = np.maximum(effects.sensor_slack, self.severity(time_s))


@dataclass(frozen=True)
class SupplyDip(Fault):
    """The device's own supply browns out for ``duration_s``: it restarts and must report that as a trip."""

    duration_s: float = 0.03

    def _act(self, effects: Effects, time_s: Amount) -> None:
        down = self.start_s <= time_s < self.start_s + self.duration_s
        effects.supply_down = bool(effects.supply_down or down)


@dataclass(frozen=True)
class FaultList:
    """All faults of a run; ``at`` an instant for the dynamics, ``over`` many for the vibration."""

    faults: tuple[Fault, ...] = ()
    healthy: Effects = field(default_factory=Effects)

    def at(self, time_s: float) -> Effects:
        """The joint effects at ``time_s``."""
        if not self.faults:
            return self.healthy
        effects = Effects()
        for fault in self.faults:
            fault.apply(effects, time_s)
        return effects

    def over(self, time_s: np.ndarray) -> Effects:
        """Joint effects at many times, for the faults that shake the stand; the others do not matter there."""
        effects = Effects()
        for fault in self.faults:
            if isinstance(fault, SHAKING):
                fault.apply(effects, time_s)
        return effects


SHAKING = (BladeLoss, AddedUnbalance, LoosePitchLink, LooseSensor)


def _vector(amount_g_mm: float, angle_deg: float) -> complex:
    return cmath.rect(amount_g_mm, math.radians(angle_deg))
