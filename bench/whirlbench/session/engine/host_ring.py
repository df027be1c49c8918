"""The host's ring at work: rules fed while the stand is live, the latest vibration, the margins in use."""

from __future__ import annotations

import math
from collections.abc import Mapping

from whirlbench.rig.description import Rig
from whirlbench.safety.device_rules import VibrationRule
from whirlbench.safety.host_rules import Batch, Rule, Trip, live_rules, trend_rules
from whirlbench.safety.margins import RECORDER_LAG_S, Margin, margins
from whirlbench.safety.trend_rules import Trend

LATE_TURNS = 20  # looks at a late recorder before it stops a run: one look after a pause of this process is no proof
LATE_SURE_S = 0.2
CAUGHT_UP_S = RECORDER_LAG_S / 2  # before anything is armed: a recorder just within its limit would soon stop the run
STEADY_TURNS = 5  # set-point turns (0.1 s) that a margin has to stay high before it stops a plan


class HostRing:
    """Feeds the host's rules with what was heard, and only while limits apply."""

    def __init__(self, rig: Rig) -> None:
        self._rig = rig
        rules = live_rules(rig)
        self._rules: tuple[Rule, ...] = tuple(rule for rule in rules if not isinstance(rule, Trend))
        self._trend_trips: tuple[Rule, ...] = tuple(rule for rule in rules if isinstance(rule, Trend))
        self._trends: tuple[Rule, ...] = trend_rules(rig)
        self.cautions: tuple[Trip, ...] = ()  # what began to leave its own healthy behaviour, by the latest ``judge``
        self._waiting: tuple[Batch, bool] | None = None  # whose trends and vibration are not judged yet; live or not
        self._found: tuple[list[Trip], list[Trip]] = ([], [])  # cautions and trips among them
        # Vibration is measured in every state, so that an operator sees it before arming: a rule with the limit off.
        self._shake = VibrationRule(0, rig.limits.vibration_window_samples)
        self._g_per_count = rig.vibration.g_per_count
        self._shaken = False
        self._watching = False
        self._high_turns = 0

    def judge(self, batch: Batch, live: bool) -> Trip | None:
        """First trip in ``batch``, or by a trend before; rules begin afresh whenever the stand becomes live.

        The trends of ``batch`` wait for ``judge_trends``, at the latest for the next batch: they look at half seconds,
        and a limit is not kept waiting for them.
        """
        self.judge_trends()
        (cautions, trips), self._found = self._found, ([], [])
        self._waiting = batch, live
        if live and not self._watching:
            for rule in self._all_rules():
                rule.reset()
        self._watching, self.cautions = live, tuple(cautions)
        if not live:
            return None
        trips += [trip for rule in self._rules if (trip := rule.feed(batch)) is not None]
        return min(trips, key=lambda trip: trip.at_s) if trips else None

    def judge_trends(self) -> None:
        """What can wait until the device has its answer: trends and the vibration that is shown."""
        if self._waiting is None:
            return
        (batch, live), self._waiting = self._waiting, None
        for block in batch.vibration:
            self._shake.feed(block.first_index, block.counts(self._g_per_count))
            self._shaken = True
        if live:
            for rules, found in zip((self._trends, self._trend_trips), self._found, strict=True):
                found += [trip for rule in rules if (trip := rule.feed(batch)) is not None]

    def _all_rules(self) -> tuple[Rule, ...]:
        return (*self._rules, *self._trend_trips, *self._trends)

    @property
    def vibration_g_rms(self) -> float:
        """RMS of the latest whole window, all axes; NaN before the first."""
        return self._shake.rms_counts() * self._g_per_count if self._shaken else math.nan

    def trends(self) -> dict[str, float]:
        """Latest finding of each trend by its key, in % of its own; NaN while it is not judged."""
        return _findings(self._all_rules() if self._watching else ())

    def margins(self, values: Mapping[str, float]) -> tuple[Margin, ...]:
        """Margins to the rig's limits, and to the trends that are trips, at the latest slow ``values``."""
        return margins(self._rig, {**values, **_findings(self._trend_trips), "vibration_g_rms": self.vibration_g_rms})

    def plan_stop(self, values: Mapping[str, float], above: float | None) -> str:
        """The margin that stays above the share ``above``, in words; empty when none does or none is set."""
        if above is None:
            return ""
        high = [margin for margin in self.margins(values) if margin.share > above]
        self._high_turns = self._high_turns + 1 if high else 0
        if self._high_turns < STEADY_TURNS:
            return ""
        worst = max(high, key=lambda margin: margin.share)
        return f"{worst.label} uses {worst.share:.0%} of its limit ({worst.text()}), more than {above:.0%}"


def _findings(rules: tuple[Rule, ...]) -> dict[str, float]:
    return {rule.name: rule.value for rule in rules if isinstance(rule, Trend)}


class RecordingWatch:
    """Whether the recording is on disk and keeps up: nothing is armed before, and nothing turns on without.

    A session that records calls ``expect`` once and ``look`` in every turn; one that does not is never objected to.
    """

    def __init__(self) -> None:
        self.lag_s = math.nan  # age of the oldest records that are not on disk
        self._expected = self._on_disk = False
        self._trouble = ""
        self._late_since_s: float | None = None
        self._late_turns = 0
        self._now_s = 0.0

    def expect(self) -> None:
        """From now on a recording is demanded."""
        self._expected = True

    def look(self, now_s: float, on_disk: bool, lag_s: float, trouble: str = "") -> None:
        """Takes what the recorder says of itself; ``trouble`` is what speaks against turning on, empty for nothing."""
        self._now_s, self.lag_s, self._trouble = now_s, lag_s, trouble
        self._on_disk = self._on_disk or (on_disk and lag_s <= CAUGHT_UP_S)  # what piled up before is no lateness
        if lag_s <= RECORDER_LAG_S or math.isnan(lag_s):
            self._late_since_s, self._late_turns = None, 0
            return
        self._late_turns += 1
        if self._late_since_s is None:
            self._late_since_s = now_s

    @property
    def awaited(self) -> bool:
        """Whether the file is not yet begun on disk and read back, with all that came before."""
        return self._expected and not self._on_disk

    def objection(self) -> str:
        """Why nothing may be armed, or turn on; empty when nothing stands against it."""
        if not self._expected:
            return ""
        if self.awaited:
            return "the recording is not on disk yet"
        if self._trouble:
            return self._trouble
        since_s = self._late_since_s
        if since_s is None or self._late_turns < LATE_TURNS or self._now_s - since_s < LATE_SURE_S:
            return ""
        return f"the recorder is {self.lag_s:.1f} s behind, more than {RECORDER_LAG_S:g} s"
