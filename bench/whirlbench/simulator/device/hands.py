"""What somebody at the simulated stand does by hand: masses, plugs, a card before the tach, the reset button."""

from __future__ import annotations

import math
from collections.abc import Callable, Iterator
from dataclasses import dataclass, field

import numpy as np

ADC_FULL = 1023
LOAD_RAIL = 0x7FFFFF
STALL_SAG_MV = 180  # of the device's supply, which feeds the servo too, while that pushes against a stop


@dataclass
class Hands:
    """What is done at present; whoever changes a field acts from the next millisecond on.

    ``held``: true values put on sensors, in units, by channel. ``unplugged``: channels whose plug is out (ADC inputs
    are pulled to their rail, the accelerometer repeats itself, the load cell falls silent). ``card_rpm``: a card that
    passes the tach so often a minute. ``tap_g``: strength of blows at the stand. ``gravity_g``: pull on each axis.
    ``supply_mv``: of the device, None as it is. ``reset``: the board's button is pressed, once.
    """

    held: dict[str, float] = field(default_factory=dict)
    unplugged: set[str] = field(default_factory=set)
    card_rpm: float = 0.0
    tap_g: float = 0.0
    gravity_g: tuple[float, float, float] = (0.0, 0.0, 0.0)
    supply_mv: int | None = None
    reset: bool = False
    _card_turns: float = 0.0

    def let_go(self) -> None:
        """Everything is plugged in and left alone."""
        self.held.clear()
        self.unplugged.clear()
        self.card_rpm, self.tap_g, self.gravity_g, self.supply_mv = 0.0, 0.0, (0.0, 0.0, 0.0), None

    def act(self, what: str) -> None:
        """Does what the trial of a trip asks for: "card", "tap", "reset", or "unplug" and a channel."""
        deed, _, channel = what.partition(" ")
        if deed == "card":
            self.card_rpm = 120.0
        elif deed == "tap":
            self.tap_g = 1.0
        elif deed == "reset":
            self.reset = True
        elif deed == "unplug":
            self.unplugged.add(channel)
        else:
            raise ValueError(f"nobody knows how to do {what!r}")

    def count(self, name: str, true_value: float, counted: Callable[[str, float], int]) -> int:
        """Counts of a converter, with what hands do to its sensor."""
        if name in self.unplugged:
            return LOAD_RAIL if name == "thrust_n" else ADC_FULL
        return counted(name, self.held.get(name, true_value))

    def edges_s(self, from_s: float, to_s: float) -> Iterator[float]:
        """Tach edges of the card between two times."""
        before = self._card_turns
        self._card_turns += self.card_rpm / 60.0 * (to_s - from_s)
        for turn in range(math.floor(before) + 1, math.floor(self._card_turns) + 1):
            yield from_s + (turn - before) / (self._card_turns - before) * (to_s - from_s)

    def shaken_g(self, acceleration_g: np.ndarray) -> np.ndarray:
        """Acceleration ``(n, 3)`` with blows and gravity; all the same where the accelerometer is unplugged."""
        if "vibration" in self.unplugged:
            return np.zeros_like(acceleration_g)
        blows = self.tap_g * np.where(np.arange(len(acceleration_g)) % 2, 1.0, -1.0)[:, None]
        shaken: np.ndarray = acceleration_g + np.array(self.gravity_g) + blows
        return shaken
