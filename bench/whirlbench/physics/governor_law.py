"""The bench governor's law in exact integers: a PI from speed error to a pulse, one step every 2 ms.

The same arithmetic as the sketch's ``governor.*``, bit by bit: gains are Q16.16, output and integrator Q32.32
microseconds. The law is the textbook PI with a clamped output and conditional integration (Astrom and Hagglund, "PID
Controllers", 1995, section 3.5: from memory).
"""

from __future__ import annotations

from typing import NamedTuple

TICKS_PER_S = 500
TICKS_PER_MINUTE = 120_000_000  # of the 2 MHz tach counter
GAIN_LIMIT = 65_536_000  # 1000 us per rpm in Q16.16: keeps every product of the sketch within 64 bits
FULL_SPEED = 0xFFFF


def speed_rpm(period_ticks: int, pulses_per_rev: int) -> int:
    """Shaft speed in whole rpm, rounded to nearest, at most 65535; 0 for a period of 0 ("at rest").

    ``period_ticks``: tach period in ticks of 0.5 us; longer than a minute counts as rest. ``pulses_per_rev``: 1 to 60.
    """
    if period_ticks == 0 or pulses_per_rev == 0 or period_ticks > TICKS_PER_MINUTE:
        return 0
    return min((TICKS_PER_MINUTE // pulses_per_rev + period_ticks // 2) // period_ticks, FULL_SPEED)


def push_q32(ki: int) -> int:
    """Q32.32 change of the integrator in one step for each rpm of error; ``ki`` in us per rpm per second, Q16.16.

    Rounded towards zero, as C++ divides.
    """
    size = abs(ki) * 65_536 // TICKS_PER_S
    return size if ki >= 0 else -size


def slew_q32(us_per_s: int) -> int:
    """Q32.32 change of the output permitted in one step; ``us_per_s`` (0 to 65535) zero permits any."""
    return _q32(0xFFFF) if us_per_s == 0 else (us_per_s << 32) // TICKS_PER_S


class Settings(NamedTuple):
    """What the law needs to know of the output it drives.

    ``kp``: us per rpm, Q16.16, signed. ``push``: of ``push_q32``. ``rise``, ``fall``: of ``slew_q32``.
    ``falls_without_speed``: what happens without a tach period; true takes the output to ``min_us`` (throttle), false
    holds it (pitch).
    """

    kp: int
    push: int
    min_us: int
    max_us: int
    rise: int
    fall: int
    falls_without_speed: bool


class Law:
    """PI with a clamped, slew-limited output.

    The integrator is frozen while the output is held back, by its range or its slew, in the direction in which the
    integrator would push; it is preset so that the output goes on from the pulse found.
    """

    def __init__(self) -> None:
        self.output_q32 = 0
        self.integral_q32 = 0
        self._preset = False

    def engage(self, present_us: int) -> None:
        """Starts from the pulse that is going out now, whole microseconds."""
        self.output_q32 = _q32(present_us)
        self.integral_q32 = 0
        self._preset = False

    def rejoin(self) -> None:
        """The gains changed: the integrator is preset again, so that the output does not jump."""
        self._preset = False

    def step(self, settings: Settings, request_rpm: int, period_ticks: int, pulses_per_rev: int) -> int:
        """One step of 2 ms: the pulse to send, in whole microseconds.

        ``request_rpm``: 0 to 65535. ``period_ticks``: latest tach period, 0 at rest: then the law never pushes, since
        a missing tach looks like a rotor that is too slow.
        """
        if period_ticks == 0:
            self._preset = False
            aim = _q32(settings.min_us) if settings.falls_without_speed else self.output_q32
            self.output_q32 = self._reachable(aim, settings)
            return _rounded_us(self.output_q32)
        error_rpm = request_rpm - speed_rpm(period_ticks, pulses_per_rev)
        proportional = settings.kp * error_rpm * 65_536
        if not self._preset:
            self.integral_q32 = self.output_q32 - proportional
            self._preset = True
        push = settings.push * error_rpm
        wanted = proportional + self.integral_q32 + push
        self.output_q32 = self._reachable(wanted, settings)
        held_back = wanted - self.output_q32
        if held_back * push <= 0:  # not held back, or the integrator pulls the other way
            self.integral_q32 += push
        return _rounded_us(self.output_q32)

    def _reachable(self, wanted: int, settings: Settings) -> int:
        """``wanted`` within the range, then within what the slew permits in one step."""
        inside = _within(wanted, _q32(settings.min_us), _q32(settings.max_us))
        return _within(inside, self.output_q32 - settings.fall, self.output_q32 + settings.rise)


def _q32(pulse_us: int) -> int:
    return pulse_us << 32


def _within(value: int, low: int, high: int) -> int:
    """Clamped; the maximum last, so that an empty range ends there."""
    return min(max(value, low), high)


def _rounded_us(value_q32: int) -> int:
    return (value_q32 + (1 << 31)) >> 32 & 0xFFFF
