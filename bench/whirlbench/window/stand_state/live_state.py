"""The live run as the stand view shows it: what is known, what is not, what the operator may do now. No Qt here."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, field

from whirlbench.results.labels import spoken
from whirlbench.rig.description import Rig
from whirlbench.rig.device_slots import held_limits
from whirlbench.rig.limits import TRENDS, WITH_MARGIN
from whirlbench.safety.margins import Margin, margins
from whirlbench.session.engine import BY_HAND, OPEN_ISOLATOR, PERMITTED, CommandKind, Outcome, Progress
from whirlbench.window.stand_state.hearing import Heard
from whirlbench.window.stand_state.trip_cause import TripCause

OLD_S = 0.3  # data older than this says so
UNKNOWN_S = 1.0  # and older than this says nothing any more; ten times the heartbeat limit as it is by default
UNKNOWN = "unknown"
STATES = ("locked", "armed", "turning", "tripped", UNKNOWN)
# A sensor that was the cause of a trip is not believed until the stand is armed again: its reading is left blank.
DOUBTED_BY = {
    "lost tach": "rpm",
    "lost_tach_ms": "rpm",
    "stuck servo": "pitch_deg",
    "accelerometer": "vibration_g_rms",
    "frozen_samples": "vibration_g_rms",
    "vibration_silence_s": "vibration_g_rms",
    "load cell": "thrust_n",
    "load_cell_readings": "thrust_n",
    "current sensor": "current_a",
}
TREND_KEYS = frozenset(row.key for row in TRENDS)
WHILE_DRIVEN = frozenset(row.key for row in WITH_MARGIN if row.watch.while_driven)


@dataclass(frozen=True)
class LiveState:
    """One glance at the session: what is known, what is not, and which commands the controls offer.

    ``heard`` says how old what is known is, ``cause`` keeps why the stand tripped.
    """

    progress: Progress
    outcome: Outcome | None
    rig: Rig
    heard: Heard = field(default_factory=Heard)
    cause: TripCause = field(default_factory=TripCause)

    @property
    def words(self) -> tuple[object, ...]:
        """Everything that is told in words or decides what is offered: where two are alike, figures alone differ.

        Data that grow old tell their age, so that they are never alike.
        """
        progress, heard = self.progress, self.heard
        told = (progress.phase, progress.state, progress.reason, progress.message, progress.withheld, progress.waits)
        plan = (progress.step, progress.steps, progress.step_text)
        old = heard.age_s if heard.age_s > OLD_S else 0.0
        return (*told, *plan, self.outcome, self.cause, heard.session_lives, heard.no_heartbeat, old)

    def state(self) -> str:
        """Stand state, one of STATES: what nobody hears is unknown."""
        return UNKNOWN if self.unknown_why() else self.progress.state

    def unknown_why(self) -> str:
        """Why nobody knows what the stand does, empty while somebody does."""
        heard = self.heard
        if self.outcome is not None:
            return f"the session has ended, nobody watches the stand ({self._ending()})"
        if heard.age_s > (UNKNOWN_S if heard.session_lives else OLD_S):
            who = "the device" if heard.session_lives else "the session's process has died, the device"
            return f"{who} has not been heard{heard.how_long()}"
        return "" if self.progress.state in STATES else "the device has told no state that is known"

    def _ending(self) -> str:
        outcome = self.outcome
        return ": ".join(filter(None, (outcome.ending, spoken(outcome.reason)))) if outcome is not None else ""

    def headline(self) -> str:
        """The state in the words that are read from two metres."""
        if self.state() == UNKNOWN:
            return "unknown: open the isolator"
        return "cut failed: open the isolator" if OPEN_ISOLATOR in self.progress.reason else self.state()

    def age(self) -> str:
        """How old what is shown is, empty while it is fresh, or where there is nothing."""
        old = self.heard.age_s > OLD_S and self.heard.age_s != math.inf
        return f"data {self.heard.age_s:.1f} s old" if old else ""

    def remark(self) -> str:
        """The lines beside the state: why it is not known, why it tripped, how it ended, where the plan is."""
        progress, unknown = self.progress, self.unknown_why()
        parts = [unknown, self._last_heard() if unknown else "", self.cause.words()]
        if self.outcome is None:
            reason = "" if self.cause.words() or not progress.reason else f"reason: {spoken(progress.reason)}"
            message = spoken(progress.message)
            told = bool(message) and message in self.cause.words()
            parts += [self._still_turning(), "" if told else message, reason, self._plan_step()]
            parts.append(f"no heartbeat leaves: {self.heard.no_heartbeat}" if self.heard.no_heartbeat else "")
            parts.append(self.age() if not unknown else "")
        return "   ".join(part for part in parts if part) or progress.phase

    def _last_heard(self) -> str:
        if not self.progress.state:
            return "no device has been heard yet"
        rpm = self.progress.values.get("rpm", math.nan)
        turning = "" if math.isnan(rpm) or "rpm" in self.doubted() else f", {rpm:.0f} rpm"
        return f"last heard: {self.progress.state}{turning}"

    def _still_turning(self) -> str:
        """The speed in words where the headline leaves it no room: after a cut that failed."""
        rpm = self.readings().get("rpm", math.nan)
        return f"now {rpm:.0f} rpm" if OPEN_ISOLATOR in self.progress.reason and not math.isnan(rpm) else ""

    def _plan_step(self) -> str:
        progress = self.progress
        return f"step {progress.step} of {progress.steps}: {progress.step_text}" if progress.step else ""

    def margins(self) -> tuple[Margin, ...]:
        """Margins of the latest sample; one that applies only to a driven motor is left out while it is not driven."""
        driven = self.readings().get("throttle_us", math.nan) > self.rig.throttle.safe_us
        found = margins(self.rig, self.readings())
        return found if driven else tuple(margin for margin in found if margin.key not in WHILE_DRIVEN)

    def device_limits(self) -> dict[str, float]:
        """The limits that the device has read back, by the limit's key, in the key's unit; empty: not known."""
        held = {} if self.unknown_why() else held_limits(self.rig, self.progress.held)
        return {path.removeprefix("limits."): value for path, value in held.items()}

    def doubted(self) -> frozenset[str]:
        """Channels whose reading is not believed: their sensor tripped the stand, or a driven motor shows no speed."""
        values = self.progress.values
        driven = values.get("throttle_us", math.nan) >= self.rig.throttle.min_us
        stands = driven and self.progress.state in ("armed", "turning") and not values.get("rpm", math.nan)
        found = {DOUBTED_BY[name] for name in self.cause.names() if name in DOUBTED_BY}
        return frozenset(found | {"rpm"} if stands else found)

    def readings(self) -> Mapping[str, float]:
        """Latest values by channel name; NaN where there are none, or none that can be believed.

        A trend that is not judged is not among them.
        """
        values = {name: float(value) for name, value in self.progress.values.items()} or {"rpm": math.nan}
        judged = {name: value for name, value in values.items() if name not in TREND_KEYS or value == value}
        blank = judged.keys() if self.unknown_why() else self.doubted()
        return {name: math.nan if name in blank else value for name, value in judged.items()}

    def may(self, kind: CommandKind) -> bool:
        """Whether the control for a command is offered now; the power cut is while a session lives to send it."""
        if self.outcome is not None or not self.heard.session_lives:
            return False
        if kind is CommandKind.ABORT:
            return True
        if self.heard.no_heartbeat and kind is CommandKind.ARM:
            return False
        if kind is CommandKind.CONTINUE:
            return self.progress.waits
        if kind is CommandKind.START and (self.progress.step or not self.progress.steps):
            return False
        if kind in BY_HAND and (self.progress.step or self.unknown_why()):
            return False  # a plan has the levers; or nobody sees what they do
        return kind in PERMITTED.get(self.progress.phase, ())

    def arming_awaits(self) -> str:
        """Why the session arms nothing now, in few words; empty where it would."""
        if self.heard.no_heartbeat:
            return "no heartbeat leaves"
        return "" if self.may(CommandKind.ARM) else f"session {self.progress.phase}"

    def losses(self) -> str:
        """Every loss counter that is not zero, in one line."""
        if not self.progress.counters.get("good"):
            return "nothing received yet"
        quiet = ("good", "heartbeats", "longest_turn_us")
        found = [f"{name.replace('_', ' ')} {count}" for name, count in self.progress.counters.items() if count]
        kept = [text for text in found if not text.startswith(tuple(name.replace("_", " ") for name in quiet))]
        return "lost or damaged: " + ", ".join(kept) if kept else "no losses"
