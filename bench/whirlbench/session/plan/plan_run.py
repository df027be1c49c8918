"""Supervision of a plan while it runs: which step, which set-points, what is waited for. No I/O, no clock."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace
from enum import Enum, auto

from whirlbench.session.plan.controls import REQUEST, SERVO, THROTTLE, Controls, SetPoints, multisine_control
from whirlbench.session.plan.profiles import Profile, SumOfSines, tone_frequencies_hz
from whirlbench.session.plan.steps import AnyStep, CoastDown, Hold, Inspect, Jump, Multisine, Plan, Sweep

LEFT_OUT = {"name", "stop_above_margin_pct"}  # of what a step is told to ask for
SPOKEN = {
    "throttle_us": "throttle {} us", "throttle_pct": "throttle {} %", "request_rpm": "request {} rpm",
    "pitch_deg": "pitch {} deg", "servo_us": "pitch servo {} us", "duration_s": "{} s",
    "ramp_us_per_s": "ramp {} us/s", "ramp_rpm_per_s": "ramp {} rpm/s", "ramp_deg_per_s": "ramp {} deg/s",
    "amplitude_us": "amplitude {} us", "amplitude_rpm": "amplitude {} rpm", "amplitude_deg": "amplitude {} deg",
    "low_hz": "from {} Hz", "high_hz": "to {} Hz", "tones": "{} sines", "note": "{}",
}  # fmt: skip


class Wish(Enum):
    """What the plan asks of the engine besides set-points."""

    NONE = auto()
    LOCK = auto()  # at rest before an inspection: disarm
    WORD = auto()  # the operator has to say continue
    ARM = auto()
    END = auto()  # all steps are done


class Stage(Enum):
    """Where a step stands."""

    APPROACH = auto()  # on its ramps
    STAY = auto()
    REST = auto()  # waiting for rest
    LOCK = auto()
    WORD = auto()
    ARM = auto()


@dataclass(frozen=True)
class Situation:
    """What the plan has to know of the stand."""

    at_rest: bool
    locked: bool
    armed: bool  # or turning


@dataclass(frozen=True)
class PlanNote:
    """A beginning or an end of a step, for the record."""

    name: str
    detail: str


class PlanRun:
    """One plan on its way, from the set-points in force when it starts."""

    def __init__(self, plan: Plan, controls: Controls, present: SetPoints) -> None:
        self.plan, self.controls = plan, controls
        self.set_points = replace(present)
        self.number = 0  # of the present step, from 1
        self.notes: list[PlanNote] = []  # taken and emptied by the engine
        self._stage = Stage.STAY
        self._since_s = 0.0  # when the stage began
        self._length_s = 0.0
        self._approach: dict[str, Profile] = {}
        self._sweeps: dict[str, Profile] = {}
        self._sines: tuple[str, float, float, SumOfSines] | None = None
        self._told = False

    @property
    def step(self) -> AnyStep | None:
        """The present step; None before the first and after the last."""
        return self.plan.steps[self.number - 1] if 0 < self.number <= len(self.plan.steps) else None

    def stop_above(self) -> float | None:
        """Share of a limit in use that stops the plan now; None when the plan sets none."""
        percent = self.step.stop_above_margin_pct if self.step else None
        percent = percent if percent is not None else self.plan.stop_above_margin_pct
        return None if percent is None else percent / 100.0

    def told(self) -> bool:
        """The operator said continue; returns whether that was asked for. A word in advance does not count."""
        self._told = self._stage is Stage.WORD
        return self._told

    def advance(self, now_s: float, situation: Situation) -> Wish:
        """Moves set-points and stage on to ``now_s``; returns what else is wanted."""
        if self.step is None:
            if self.number:
                return Wish.END
            self._begin(now_s)
        for _ in range(len(Stage) + 1):  # a stage that is over at once does not cost a turn
            wish, over = self._turn(now_s, situation)
            if not over or self.step is None:
                return wish
        return Wish.NONE

    def _turn(self, now_s: float, situation: Situation) -> tuple[Wish, bool]:
        """One look at the present stage: its wish, and whether it has just ended."""
        elapsed_s = now_s - self._since_s
        if self._stage is Stage.APPROACH:
            self._move(self._approach, elapsed_s)
            return Wish.NONE, self._over(elapsed_s >= self._length_s, Stage.STAY, now_s)
        if self._stage is Stage.STAY:
            self._stay(elapsed_s)
            return self._finish(now_s, elapsed_s >= self._length_s)
        if self._stage is Stage.REST:
            return self._rest(now_s, elapsed_s, situation)
        if self._stage is Stage.LOCK:
            return Wish.LOCK, self._over(situation.locked, Stage.WORD, now_s)
        if self._stage is Stage.WORD:
            return Wish.WORD, self._over(self._told, Stage.ARM, now_s)
        wish, over = self._finish(now_s, situation.armed)
        return (wish, over) if over else (Wish.ARM, False)

    def _over(self, over: bool, following: Stage, now_s: float) -> bool:
        if over:
            self._stage, self._since_s = following, now_s
            self._length_s = getattr(self.step, "duration_s", 0.0)
        return over

    def _rest(self, now_s: float, elapsed_s: float, situation: Situation) -> tuple[Wish, bool]:
        if isinstance(self.step, Inspect):
            return Wish.NONE, self._over(situation.at_rest, Stage.LOCK, now_s)
        return self._finish(now_s, situation.at_rest or elapsed_s >= self._length_s)

    def _stay(self, elapsed_s: float) -> None:
        self._move(self._sweeps, elapsed_s)
        if self._sines is not None:
            control, middle, amplitude, sines = self._sines
            value = middle + amplitude * sines.value(min(elapsed_s, self._length_s))
            setattr(self.set_points, control, max(value, 0.0))  # no request and no pulse lies below zero

    def _finish(self, now_s: float, over: bool) -> tuple[Wish, bool]:
        if not over:
            return Wish.NONE, False
        if self._sines is not None:  # back to the middle, which is where a following step starts from
            setattr(self.set_points, self._sines[0], self._sines[1])
        self._note("end", "")
        self._begin(now_s)
        return (Wish.END if self.step is None else Wish.NONE), True

    def _begin(self, now_s: float) -> None:
        """Opens the next step."""
        self.number += 1
        self._approach, self._sweeps, self._sines, self._told = {}, {}, None, False
        self._since_s = now_s
        step = self.step
        if step is None:
            return
        self._length_s = getattr(step, "duration_s", 0.0)
        if isinstance(step, (CoastDown, Inspect)):
            self._stage = Stage.REST
            self._close_throttle()
        elif isinstance(step, Multisine):
            self._stage = Stage.STAY
            self._open_multisine(step)
        else:
            self._open_moves(step)
        self._note("start", describe(step))

    def _close_throttle(self) -> None:
        self.set_points.throttle_us = self.controls.rig.throttle.safe_us
        if self.set_points.request_rpm is not None:
            self.set_points.request_rpm = 0.0

    def _open_moves(self, step: Hold | Jump | Sweep) -> None:
        spans = self.controls.spans(step)
        if THROTTLE in spans and self.set_points.request_rpm and self.controls.governor_mode != "pitch":
            # From here on the throttle has the word; it begins at the pulse that the request had come to.
            pulse_us = self.controls.request_pulse_us(self.set_points.request_rpm)
            self.set_points.throttle_us = pulse_us or self.set_points.throttle_us
            self.set_points.request_rpm = 0.0
        if isinstance(step, Jump):
            self._stage = Stage.STAY
            self._move({name: Profile(span[0], span[1]) for name, span in spans.items()}, 0.0)
            return
        self._stage = Stage.APPROACH
        self._approach = {name: self._ramp(name, span[0], step) for name, span in spans.items()}
        self._length_s = max((profile.duration_s for profile in self._approach.values()), default=0.0)
        if isinstance(step, Sweep):
            self._sweeps = {name: Profile(*span, step.duration_s) for name, span in spans.items()}

    def _ramp(self, control: str, target: float, step: Hold | Sweep) -> Profile:
        start = self.set_points.get(control)
        if control == THROTTLE:
            # Below min_us the motor does not turn: the ramp starts where it does, unless the target lies there, too.
            start = max(start, min(self.controls.rig.throttle.min_us, target))
            return Profile.ramp(start, target, step.ramp_us_per_s or self.plan.ramp_us_per_s)
        if control == REQUEST:
            return Profile.ramp(start, target, step.ramp_rpm_per_s or self.plan.ramp_rpm_per_s)
        degrees = abs(self.controls.pitch_deg(target) - self.controls.pitch_deg(start))
        return Profile(start, target, degrees / (step.ramp_deg_per_s or self.plan.ramp_deg_per_s))

    def _open_multisine(self, step: Multisine) -> None:
        control, amplitude = multisine_control(step)
        middle = self.set_points.get(control)
        if control == SERVO:
            middle_deg = self.controls.pitch_deg(middle)
            amplitude = abs(self.controls.servo_us(middle_deg + amplitude) - middle)
        frequencies_hz = tone_frequencies_hz(step.low_hz, step.high_hz, step.tones, step.duration_s)
        self._sines = (control, middle, amplitude, SumOfSines(frequencies_hz, step.duration_s))

    def _move(self, profiles: Mapping[str, Profile], elapsed_s: float) -> None:
        for control, profile in profiles.items():
            setattr(self.set_points, control, profile.value(elapsed_s))

    def _note(self, word: str, detail: str) -> None:
        step = self.step
        label = f" {step.name}" if step is not None and step.name else ""
        kind = step.kind if step is not None else ""
        self.notes.append(PlanNote(f"step {self.number} {word}", f"{kind}{label} {detail}".strip()))


def describe(step: AnyStep) -> str:
    """What a step asks for in words and units, in one line: it is read in the recording, in window and terminal."""
    told = ((key, getattr(step, key)) for key in step.__struct_fields__ if key not in LEFT_OUT)
    return ", ".join(SPOKEN[key].format(_plain(value)) for key, value in told if value not in (None, ""))


def _plain(value: object) -> str:
    if isinstance(value, tuple):
        return " to ".join(f"{item:g}" for item in value)
    return f"{value:g}" if isinstance(value, float) else str(value)
