"""The simulated device's governor: parameters as they come over the wire, and the law they feed.

Twin of the governor's part of the sketch's ``machine.cpp``.
"""

from __future__ import annotations

from whirlbench.link.limit_table import LimitId
from whirlbench.link.messages import GovernorId, GovernorMode
from whirlbench.physics.governor_law import GAIN_LIMIT, Law, Settings, push_q32, slew_q32

GAINS = (GovernorId.THROTTLE_KP, GovernorId.THROTTLE_KI, GovernorId.PITCH_KP, GovernorId.PITCH_KI)
SLEWS = (GovernorId.THROTTLE_SLEW_US_PER_S, GovernorId.PITCH_SLEW_US_PER_S)
WHOLE_TURN = 1  # the speed is taken over whole turns: one period a turn
LONGEST_PULSE_US, GREATEST_SLEW = 2400, 65_535


class DeviceGovernor:
    """Settings, and the law while it runs; ``limits`` is the device's own table, read when the governor is engaged."""

    def __init__(self, limits: list[int]) -> None:
        self.parameters = [0] * len(GovernorId)
        self.running = False
        self._limits = limits
        self._law = Law()
        self._settings: Settings | None = None

    @property
    def by_throttle(self) -> bool:
        """Whether the governor moves the throttle (else the pitch servo, or nothing)."""
        return self.parameters[GovernorId.MODE] == GovernorMode.THROTTLE

    def admits(self, parameter: int, value: int) -> bool:
        """Whether SetGovernor with this parameter and value is within its range."""
        if not 0 <= parameter < len(GovernorId):
            return False
        if parameter in GAINS:
            return -GAIN_LIMIT <= value <= GAIN_LIMIT
        if parameter == GovernorId.MODE:
            return value in list(GovernorMode)
        return 0 <= value <= (GREATEST_SLEW if parameter in SLEWS else LONGEST_PULSE_US)

    def set(self, parameter: int, value: int) -> bool:
        """Writes a parameter; false, and unchanged, when it would leave a running governor without a range."""
        before = self.parameters[parameter]
        self.parameters[parameter] = value
        if self.running and not self._load():
            self.parameters[parameter] = before
            self._load()
            return False
        self._law.rejoin()
        return True

    def engage(self, present_us: int) -> bool:
        """Starts, if not running, from the pulse going out now; false when it cannot.

        It cannot when no pulse lies within all ranges, or when none goes out yet (0). With the mode pass-through
        there is nothing to start.
        """
        if self.parameters[GovernorId.MODE] == GovernorMode.PASS_THROUGH:
            return True
        if not self._load() or present_us == 0:
            return False
        if not self.running:
            self._law.engage(present_us)
            self.running = True
        return True

    def step(self, request_rpm: int, period_ticks: int, floor_us: int | None = None) -> int:
        """One step of 2 ms: the pulse to send; before ``engage`` it raises ValueError.

        ``floor_us`` replaces the lowest pulse: where the output goes when the tach is lost.
        """
        if self._settings is None:
            raise ValueError("the governor was never engaged")
        settings = self._settings if floor_us is None else self._settings._replace(min_us=floor_us)
        return self._law.step(settings, request_rpm, period_ticks, WHOLE_TURN)

    def _load(self) -> bool:
        """Range, gains and slews in force: the governor's own, within those of the limit table."""
        own, limits, by_throttle = self.parameters, self._limits, self.by_throttle
        kp, ki, low, high, slew_id = THROTTLE_IDS if by_throttle else PITCH_IDS
        lowest, highest = (
            (LimitId.THROTTLE_SAFE_US, LimitId.THROTTLE_MAX_US)
            if by_throttle
            else (LimitId.SERVO_MIN_US, LimitId.SERVO_MAX_US)
        )
        slew = own[slew_id]
        rise = _stricter(slew, limits[LimitId.THROTTLE_SLEW_US_PER_S]) if by_throttle else slew
        self._settings = Settings(
            kp=own[kp],
            push=push_q32(own[ki]),
            min_us=max(own[low], limits[lowest]),
            max_us=min(own[high], limits[highest]),
            rise=slew_q32(rise),
            fall=slew_q32(slew),
            falls_without_speed=by_throttle,
        )
        return self._settings.min_us <= self._settings.max_us


THROTTLE_IDS = (
    GovernorId.THROTTLE_KP,
    GovernorId.THROTTLE_KI,
    GovernorId.THROTTLE_MIN_US,
    GovernorId.THROTTLE_MAX_US,
    GovernorId.THROTTLE_SLEW_US_PER_S,
)
PITCH_IDS = (
    GovernorId.PITCH_KP,
    GovernorId.PITCH_KI,
    GovernorId.PITCH_MIN_US,
    GovernorId.PITCH_MAX_US,
    GovernorId.PITCH_SLEW_US_PER_S,
)


def _stricter(slew: int, other: int) -> int:
    """The stricter of two slews, of which zero means none."""
    return min(slew, other) if slew and other else slew or other
