"""The mechanical ends of the servo's travel, found by its feedback and its supply, without leaning on a stop.

The servo goes outwards in small steps. A stop is where the feedback no longer follows, or where the supply that feeds
the servo sags, or the current rises; the servo is taken back at once. The end points proposed lie inside the stops, and
are tried once more with the device's own governor driving the servo against them.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np

from whirlbench.calibration.channels import NOT_FITTED
from whirlbench.errors import CalibrationError
from whirlbench.link.messages import GovernorId, GovernorMode, Pitch, Request, SetGovernor, Slow
from whirlbench.rig.description import Rig
from whirlbench.safety.state_table import Stand
from whirlbench.session.engine.stand_watch import reason_name
from whirlbench.session.still.limit_tables import HAND_RPM, still_table
from whirlbench.session.still.still_stand import (
    Procedure,
    StandTripped,
    StillStand,
    agree,
    arm,
    done,
    identify,
    lock,
    move_servo,
    pause,
)

WIDEST_US = (800, 2200)  # nobody drives a servo further unasked: common practice, no source
STEP_US, LOOK_S = 8, 0.12  # a step, and the time that it is given; each look is the mean over the second half of it
LEARNT = 6  # steps to either side from which the feedback's slope is taken
STEPS_BEHIND, SHARE_BEHIND = 3, 0.5  # over so many steps the feedback moved less than this share: a stop; judgement
LEAST_COUNTS_PER_US = 0.05  # a feedback coarser than this cannot tell a step from its noise
SAG_MV, RISE_COUNTS = 80.0, 6.0  # of supply and current, beyond their scatter at rest: the servo pushes; judgement
BACK_US, MARGIN_US = 60, 25  # taken back from a stop at once; left free before it
BEHIND_US = 12.0  # by which the feedback may differ from where it must stand at an end point
GOVERNOR_KI, GOVERNOR_SLEW = 4, 300  # us per rpm and second; us/s
CARD_S, DRIVE_S = 60.0, 40.0
REST_MS = 1_500


@dataclass(frozen=True)
class ServoEnd:
    """One end: where the servo stopped (us, None: not within the range asked), what told it, the end point proposed."""

    stop_us: float | None
    told_by: str
    proposed_us: int


@dataclass(frozen=True)
class Travel:
    """The ends found; ``course`` are rows of (pulse, feedback counts, supply in mV) as they were taken.

    ``held`` tells whether the feedback stood where it must at both end points with the governor driving; None where
    that was not tried, and ``remark`` says why, or what went wrong.
    """

    least: ServoEnd
    greatest: ServoEnd
    counts_per_us: float
    course: tuple[tuple[float, float, float], ...]
    held: bool | None = None
    remark: str = ""


@dataclass(frozen=True)
class Look:
    """What the servo's sensors told at one pulse."""

    pulse_us: float
    counts: float
    supply_mv: float
    current_counts: float


class TravelSearch:
    """The search on one stand; ``within_us`` is how far the servo may be driven, ``start_us`` where it begins."""

    def __init__(self, stand: StillStand, start_us: int, within_us: tuple[int, int] = WIDEST_US) -> None:
        """CalibrationError when the start does not leave room to either side."""
        room = (LEARNT + 1) * STEP_US
        if not within_us[0] + room <= start_us <= within_us[1] - room:
            raise CalibrationError(
                f"travel: the servo is to start at {start_us} us within {within_us[0]} to {within_us[1]} us: give a "
                f"start at least {room} us inside"
            )
        self._stand, self._start_us, self._within_us = stand, start_us, within_us
        self._course: list[Look] = []
        self._slope = 0.0
        self._rest: Look | None = None

    def find(self) -> Procedure[Travel]:
        """Arms for the servo alone, finds both ends, goes back to the start and locks."""
        stand = self._stand
        yield from identify(stand)
        yield from lock(stand)
        if stand.slow is None or stand.slow.servo_counts == NOT_FITTED:
            raise CalibrationError(
                "travel: the device reads no feedback of the servo, and without it a stop is found by stalling: wire "
                "the feedback, or find the ends by hand, unpowered"
            )
        table = still_table(stand.rig, self._within_us)
        yield from agree(stand, table)
        yield from arm(stand, table)
        yield from move_servo(stand, self._start_us)
        yield from self._learn()
        least = yield from self._outwards(-1)
        yield from move_servo(stand, self._start_us)
        greatest = yield from self._outwards(1)
        yield from move_servo(stand, self._start_us)
        yield from lock(stand, reset=False)
        course = tuple((look.pulse_us, look.counts, look.supply_mv) for look in self._course)
        return Travel(least, greatest, self._slope, course)

    def _learn(self) -> Procedure[None]:
        """Slope of the feedback about the start, and what supply and current are while nothing pushes."""
        steps = [self._start_us + STEP_US * step for step in range(-LEARNT, LEARNT + 1)]
        looks = []
        for pulse in steps:
            looks.append((yield from self._look(pulse)))
        pulses, counts = np.array([(look.pulse_us, look.counts) for look in looks]).T
        self._slope = float(np.polyfit(pulses, counts, 1)[0])
        if abs(self._slope) < LEAST_COUNTS_PER_US:
            raise CalibrationError(
                f"travel: the feedback moves {self._slope:.3f} counts a us about {self._start_us} us: the servo does "
                "not follow its pulse, or its feedback is not wired; nothing further was moved"
            )
        supply, current = (
            float(np.median([getattr(look, name) for look in looks])) for name in ("supply_mv", "current_counts")
        )
        self._rest = Look(self._start_us, float(np.median(counts)), supply, current)

    def _outwards(self, way: int) -> Procedure[ServoEnd]:
        """Steps towards one end until something tells of a stop, or the range asked is used up."""
        last = self._within_us[0] if way < 0 else self._within_us[1]
        looks = [(yield from self._look(self._start_us))]
        while (last - looks[-1].pulse_us) * way >= STEP_US:
            looks.append((yield from self._look(looks[-1].pulse_us + way * STEP_US)))
            told_by = self._stopped(looks)
            if told_by:
                yield from done(self._stand, Pitch(round(looks[-1].pulse_us - way * BACK_US)))
                stop_us = self._stop_us(looks)
                return ServoEnd(stop_us, told_by, round(stop_us - way * MARGIN_US))
        return ServoEnd(None, "", round(looks[-1].pulse_us))

    def _stopped(self, looks: list[Look]) -> str:
        """What tells that the servo pushes against something; empty while it follows."""
        rest, latest = self._rest, looks[-1]
        assert rest is not None
        if rest.supply_mv - latest.supply_mv > SAG_MV:
            return "supply"
        if latest.current_counts - rest.current_counts > RISE_COUNTS:
            return "current"
        if len(looks) <= STEPS_BEHIND:
            return ""
        before = looks[-1 - STEPS_BEHIND]
        expected = self._slope * (latest.pulse_us - before.pulse_us)
        return "feedback" if (latest.counts - before.counts) / expected < SHARE_BEHIND else ""

    def _stop_us(self, looks: list[Look]) -> float:
        """Where the feedback stands at last, on the pulses that it still followed."""
        moving = looks[: -STEPS_BEHIND - 1][-3 * LEARNT :] or looks[:1]
        behind = (looks[-1].counts - moving[-1].counts) / self._slope
        return moving[-1].pulse_us + behind

    def _look(self, pulse_us: float) -> Procedure[Look]:
        stand = self._stand
        yield from done(stand, Pitch(round(pulse_us)))
        yield from pause(stand, LOOK_S / 2)
        taken: list[Slow] = []
        until_s = stand.time_s + LOOK_S / 2
        while stand.time_s < until_s:
            if stand.slow is not None and (not taken or stand.slow is not taken[-1]):
                taken.append(stand.slow)
            yield
        if stand.state is Stand.TRIPPED or not taken:
            raise StandTripped(
                f"travel: the device tripped ({reason_name(stand.watch.reason)}); the servo was left there"
            )
        look = Look(
            pulse_us,
            float(np.mean([slow.servo_counts for slow in taken])),
            float(np.median([slow.supply_mv for slow in taken])),
            float(np.mean([slow.current_counts for slow in taken])),
        )
        self._course.append(look)
        return look

    def check(self, travel: Travel, begin: Callable[[], None], end: Callable[[], None]) -> Procedure[Travel]:
        """Has the governor drive the servo against both proposed end points, a card giving it a speed.

        ``begin`` is called when the card has to be moved, ``end`` when it may rest.
        """
        stand = self._stand
        ends = travel.least.proposed_us, travel.greatest.proposed_us
        table = still_table(stand.rig, ends, REST_MS=REST_MS)
        yield from agree(stand, table, _governing(stand.rig, ends))
        yield from arm(stand, table)
        yield from move_servo(stand, self._start_us)
        begin()
        wrong = yield from self._driven(ends)
        yield from done(stand, Request(0))
        end()
        yield from lock(stand, reset=False)
        if wrong is None:
            return _with(travel, None, "no speed came from the tach: a card has to be moved before it all the time")
        return _with(travel, not wrong, wrong)

    def _driven(self, ends: tuple[int, int]) -> Procedure[str | None]:
        """What was wrong at an end, empty when both held; None when there was no speed to govern by."""
        stand = self._stand
        for end_us, request in zip(ends, (1, round(HAND_RPM) - 1), strict=True):
            by_s = stand.now_s + CARD_S
            while stand.slow is None or not stand.slow.period_ticks:
                if stand.now_s > by_s:
                    return None
                yield
            yield from done(stand, Request(request))
            by_s = stand.now_s + DRIVE_S
            while stand.slow.servo_us != end_us:
                if stand.now_s > by_s or stand.state is Stand.TRIPPED:
                    return f"the governor did not take the servo to {end_us} us"
                yield
            yield from pause(stand, 0.6)
            wrong = self._wrong_at(end_us, stand.slow)
            if wrong:
                return wrong
        return ""

    def _wrong_at(self, end_us: int, slow: Slow) -> str:
        rest = self._rest
        assert rest is not None
        if rest.supply_mv - slow.supply_mv > SAG_MV:
            return f"at {end_us} us the supply sags: the servo pushes against something"
        nearest = min(self._course, key=lambda look: abs(look.pulse_us - end_us))
        expected = nearest.counts + self._slope * (end_us - nearest.pulse_us)
        behind_us = abs(slow.servo_counts - expected) / abs(self._slope)
        if behind_us > BEHIND_US:
            return f"at {end_us} us the feedback is {behind_us:.0f} us off where it stood before"
        return ""


def _with(travel: Travel, held: bool | None, remark: str) -> Travel:
    return Travel(travel.least, travel.greatest, travel.counts_per_us, travel.course, held, remark)


def _governing(rig: Rig, ends: tuple[int, int]) -> tuple[SetGovernor, ...]:
    """An integral governor that drives the servo to whichever end the request calls for."""
    return (
        SetGovernor(GovernorId.PITCH_KP, 0),
        SetGovernor(GovernorId.PITCH_KI, GOVERNOR_KI << 16),
        SetGovernor(GovernorId.PITCH_MIN_US, ends[0]),
        SetGovernor(GovernorId.PITCH_MAX_US, ends[1]),
        SetGovernor(GovernorId.PITCH_SLEW_US_PER_S, GOVERNOR_SLEW),
        SetGovernor(GovernorId.MODE, GovernorMode.PITCH),
    )
