"""The rig's limits as numbers to compare with: absent ones are None and are not applied."""

from __future__ import annotations

import math
from dataclasses import dataclass

from whirlbench.errors import RigError
from whirlbench.rig.description import Rig, require_number

# Dry air, ISO 2533: c = sqrt(1.4 * 287.05287 J/(kg K) * T); 288.15 K gives 340.294 m/s.
HEAT_RATIO, GAS_CONSTANT_J_KG_K, ICE_POINT_K = 1.4, 287.05287, 273.15
STANDARD_TEMPERATURE_C = 15.0
TICKS_PER_MINUTE = 60 * 2_000_000  # tach periods are counted at 2 MHz


@dataclass(frozen=True)
class TripLimits:
    """Limits in engineering units; None: not applied.

    ``tip_mach_rpm`` is the speed at which the blade tip reaches ``tip_mach``. ``driven_us`` is the throttle pulse
    from which the motor must turn, ``confirm_s`` how long a slow channel must stay beyond its limit.
    """

    overspeed_rpm: float | None = None
    overspeed_confirm: int = 1
    vibration_g_rms: float | None = None
    vibration_window: int = 64
    current_a: float | None = None
    thrust_n: float | None = None
    power_w: float | None = None
    minimum_voltage_v: float | None = None
    tip_mach: float | None = None
    tip_mach_rpm: float | None = None
    lost_tach_s: float | None = None
    start_tach_s: float = 2.0
    safe_us: float = 1000.0
    driven_us: float = 1100.0
    confirm_s: float = 0.0
    heartbeat_s: float = 0.1
    pulses_per_rev: int = 1
    g_per_count: float = 0.0039

    @property
    def overspeed_ticks(self) -> int:
        """Shortest permitted tach period in ticks of 0.5 us, rounded to the safe side; 0 without the limit.

        A whole period is above the limit speed exactly when it is below this number.
        """
        if self.overspeed_rpm is None:
            return 0
        return math.ceil(TICKS_PER_MINUTE / (self.overspeed_rpm * self.pulses_per_rev))

    @property
    def vibration_counts(self) -> int:
        """Vibration limit in accelerometer counts, rounded to the safe side, at least 1; 0 without the limit."""
        if self.vibration_g_rms is None:
            return 0
        return max(1, math.floor(self.vibration_g_rms / self.g_per_count + 1e-9))

    @classmethod
    def from_rig(cls, rig: Rig) -> TripLimits:
        """Limits of ``rig``; a RigError names a key that a limit in use needs and the rig lacks."""
        limits = rig.limits
        return cls(
            overspeed_rpm=limits.overspeed_rpm,
            overspeed_confirm=limits.overspeed_confirm,
            vibration_g_rms=limits.vibration_g_rms,
            vibration_window=limits.vibration_window_samples,
            current_a=limits.current_a,
            thrust_n=limits.thrust_n,
            power_w=limits.power_w,
            minimum_voltage_v=limits.minimum_voltage_v,
            tip_mach=limits.tip_mach,
            tip_mach_rpm=_tip_mach_rpm(rig),
            lost_tach_s=None if limits.lost_tach_ms is None else limits.lost_tach_ms / 1000.0,
            start_tach_s=limits.start_tach_ms / 1000.0,
            safe_us=rig.throttle.safe_us,
            driven_us=rig.throttle.min_us,
            confirm_s=limits.confirm_ms / 1000.0,
            heartbeat_s=limits.heartbeat_ms / 1000.0,
            pulses_per_rev=rig.tach.pulses_per_rev,
            g_per_count=rig.vibration.g_per_count,
        )


def speed_of_sound_m_s(temperature_c: float) -> float:
    """Speed of sound in dry air at ``temperature_c``, above -273.15. Source: ISO 2533."""
    return math.sqrt(HEAT_RATIO * GAS_CONSTANT_J_KG_K * (temperature_c + ICE_POINT_K))


def _tip_mach_rpm(rig: Rig) -> float | None:
    """Speed at the tip Mach limit; without a temperature the standard atmosphere's 15 degrees C are taken."""
    if rig.limits.tip_mach is None:
        return None
    diameter_m = require_number(rig, "propeller.diameter_m", "the limit tip_mach")
    temperature_c = STANDARD_TEMPERATURE_C if rig.air.temperature_c is None else rig.air.temperature_c
    return rig.limits.tip_mach * speed_of_sound_m_s(temperature_c) * 60.0 / (math.pi * diameter_m)


CALIBRATED_LIMITS = {
    "current_a": ("current_a",),
    "thrust_n": ("thrust_n",),
    "power_w": ("current_a", "voltage_v"),
    "minimum_voltage_v": ("voltage_v",),
}


def check_watched(rig: Rig) -> None:
    """RigError when a limit is set on a channel that has no calibration: it could never trip in a live run."""
    for limit, channels in CALIBRATED_LIMITS.items():
        missing = [name for name in channels if name not in rig.calibration]
        if getattr(rig.limits, limit) is not None and missing:
            raise RigError(
                f"limits.{limit} is set, but calibration.{missing[0]} is missing: "
                "give it, or remove the limit knowing that nothing watches it"
            )
