"""Somebody at the simulated stand who does what a guide asks: hangs on masses, reads the gauge, holds the sensor."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from typing import TYPE_CHECKING

import numpy as np

if TYPE_CHECKING:
    from whirlbench.calibration.guide import Setting
    from whirlbench.rig.description import Rig
    from whirlbench.simulator.device.simulated_port import SimulatedPort

# Up and down through the same values; shares of the greatest value that the rig permits.
SHARES = (0.25, 0.5, 0.75, 1.0, 0.75, 0.5, 0.25, 0.0)
GREATEST = {"thrust_n": 100.0, "current_a": 80.0, "voltage_v": 44.0}
LIMITS = {"thrust_n": "thrust_n", "current_a": "current_a"}
TACH_RPM = (600.0, 900.0, 1200.0, 1500.0)
GAUGE_DEG = 0.05  # standard error of a reading of the gauge
CENTRE_US, US_PER_PCT = 1508.0, 4.06  # the transmitter of the demonstration


class SimulatedHelper:
    """Acts on the simulated stand behind ``port``; ``rng`` is what the gauge's readings scatter by."""

    def __init__(self, channel: str, rig: Rig, port: SimulatedPort, rng: np.random.Generator) -> None:
        self._channel, self._port, self._rng = channel, port, rng
        self._values = self._series(rig)

    def _series(self, rig: Rig) -> Iterator[float]:
        if self._channel == "tach":
            return iter(TACH_RPM)
        greatest = GREATEST.get(self._channel, 0.0)
        limit = getattr(rig.limits, LIMITS.get(self._channel, ""), None)
        return (round(share * (limit or greatest), 2) for share in SHARES)

    def proposal(self, setting: Setting) -> str:
        """What somebody would type at ``setting``; empty when there are points enough."""
        if setting.asks in ("angle_deg", "value") and setting.servo_us is not None:
            device = self._port.device
            assert device is not None
            return f"{device.plant.servo.pitch_deg + GAUGE_DEG * self._rng.standard_normal():.1f}"
        if setting.asks == "pulse_us":
            return f"{CENTRE_US + US_PER_PCT * float(setting.fixed['travel_pct']):.0f}"
        value = next(self._values, None)
        return "" if value is None else f"{value:g}"

    def do(self, setting: Setting, typed: float | None) -> None:
        """Puts on the sensor what ``setting`` and the number ``typed`` say."""
        hands = self._port.hands
        if self._channel == "vibration":
            hands.gravity_g = _pull(setting.fixed)
        elif self._channel == "tach":
            hands.card_rpm = typed or 0.0
        elif setting.reads and setting.servo_us is None:
            hands.held[self._channel] = typed if typed is not None else 0.0


def _pull(fixed: Mapping[str, str]) -> tuple[float, float, float]:
    sign = 1.0 if fixed["side"] == "up" else -1.0
    x, y, z = (sign if fixed["axis"] == name else 0.0 for name in ("ax_g", "ay_g", "az_g"))
    return x, y, z - 1.0  # as it is mounted the accelerometer feels gravity along z already
