"""How near each limit is: sorted, with the peak since arming and the time to the limit at the present trend. No Qt."""

from __future__ import annotations

import math
from collections import deque
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np

from whirlbench.rig.description import Rig
from whirlbench.safety.margins import Margin, greatest_shares

TREND_S = 3.0  # of the past that the present trend is taken over
LEAST_TREND_S = 1.0
LEAST_RISE = 0.01  # of a limit over TREND_S: less is no trend
LONGEST_S = 100.0  # what lies further off is not told
SWAP_SHARE = 0.02  # two margins change places when they differ by more: a list that dances cannot be read


@dataclass(frozen=True)
class Nearness:
    """A margin with the greatest share of its limit since arming, and the seconds until it is reached.

    ``reach_s`` is inf where the share does not rise, NaN where that is not known yet; ``peak_share`` NaN: no reading.
    ``device_limit``: what the device itself holds, NaN where it does not watch this limit, or nobody knows.
    """

    margin: Margin
    peak_share: float = math.nan
    reach_s: float = math.nan
    device_limit: float = math.nan

    def reach_words(self) -> str:
        """When the limit is reached at the present trend; empty where nobody knows."""
        if math.isnan(self.margin.share) or math.isnan(self.reach_s):
            return ""
        if self.margin.share >= 1.0:
            return "at the limit"
        return "not rising" if self.reach_s > LONGEST_S else f"limit in {self.reach_s:.0f} s"

    def peak_words(self) -> str:
        """The peak as a share of the limit; empty where there was no reading."""
        return "" if math.isnan(self.peak_share) else f"peak {percent(self.peak_share)}"

    def device_words(self) -> str:
        """The device's own limit beside the rig's."""
        return "" if math.isnan(self.device_limit) else f"device {self.device_limit:.4g} {self.margin.unit}".rstrip()


def percent(share: float) -> str:
    """A share as per cent, rounded up: 99.6 % in use is never printed as less; empty for NaN."""
    return "" if math.isnan(share) else f"{min(math.ceil(round(100.0 * share, 6)), 999)} %"


class LimitWatch:
    """Follows the margins of one session, frame by frame."""

    def __init__(self, rig: Rig) -> None:
        self._rig = rig
        self._peaks: dict[str, float] = {}
        self._past: deque[tuple[float, dict[str, float]]] = deque()
        self._order: list[str] = []
        self._was_armed = False

    def look(
        self,
        time_s: float,
        margins: Sequence[Margin],
        state: str,
        fresh: Mapping[str, np.ndarray],
        device_limits: Mapping[str, float],
    ) -> tuple[Nearness, ...]:
        """Every margin, those without a reading after the nearest, then by nearness.

        ``time_s`` is that of the newest sample, ``fresh`` holds the samples since the last look by channel name: a
        peak between two frames counts. Peaks begin anew with each arming, and grow until the stand is locked again.
        """
        armed = state in ("armed", "turning")
        if armed and not self._was_armed:
            self._peaks.clear()
        self._was_armed = armed or (self._was_armed and state != "locked")
        shares = {margin.label: margin.share for margin in margins}
        if self._was_armed:
            self._keep_peaks(margins, fresh)
        self._keep_past(time_s, shares)
        slopes = self._slopes(shares)
        return tuple(
            Nearness(
                margin, self._peaks.get(margin.label, math.nan), _reach_s(margin.share, slopes.get(margin.label)),
                device_limits.get(margin.key, math.nan),
            )
            for margin in self._sorted(margins)
        )  # fmt: skip

    def _keep_peaks(self, margins: Sequence[Margin], fresh: Mapping[str, np.ndarray]) -> None:
        between = greatest_shares(self._rig, fresh) if len(next(iter(fresh.values()), ())) else {}
        for margin in margins:
            if math.isnan(margin.share):
                continue  # a reading that is not believed is no peak either
            seen = (self._peaks.get(margin.label, 0.0), margin.share, between.get(margin.key, 0.0))
            self._peaks[margin.label] = max(seen)

    def _keep_past(self, time_s: float, shares: dict[str, float]) -> None:
        if self._past and time_s < self._past[-1][0]:
            self._past.clear()  # the device began to count anew
        if not self._past or time_s > self._past[-1][0]:
            self._past.append((time_s, shares))
        while self._past and time_s - self._past[0][0] > TREND_S:
            self._past.popleft()

    def _slopes(self, labels: Mapping[str, float]) -> dict[str, float]:
        """Rise of each share in 1/s over the past kept, by least squares; none before there is enough of it."""
        if not self._past or self._past[-1][0] - self._past[0][0] < LEAST_TREND_S:
            return {}
        time_s = np.array([row[0] for row in self._past])
        shares = np.array([_of(labels, row[1]) for row in self._past])
        centred = time_s - time_s.mean()
        found = centred @ shares / (centred @ centred)
        return dict(zip(labels, found.tolist(), strict=True))

    def _sorted(self, margins: Sequence[Margin]) -> list[Margin]:
        """By nearness, but two that differ by little keep their places; the nearest comes first, then what is blank."""
        places = {label: place for place, label in enumerate(self._order)}
        known = [margin for margin in margins if not math.isnan(margin.share)]
        blank = [margin for margin in margins if math.isnan(margin.share)]
        known.sort(key=lambda margin: places.get(margin.label, len(places)))
        for end in range(len(known) - 1, 0, -1):
            for place in range(end):
                if known[place + 1].share > known[place].share + SWAP_SHARE:
                    known[place], known[place + 1] = known[place + 1], known[place]
        self._order = [margin.label for margin in known]
        return [*known[:1], *blank, *known[1:]]


def _of(labels: Mapping[str, float], shares: dict[str, float]) -> list[float]:
    """The shares by those labels, NaN for one that is not among them."""
    if shares.keys() == labels.keys():
        return [*map(shares.__getitem__, labels)]
    return [shares.get(label, math.nan) for label in labels]


def _reach_s(share: float, slope: float | None) -> float:
    """Seconds to the limit; inf where the share does not rise, NaN where that is not known."""
    if slope is None or math.isnan(slope) or math.isnan(share):
        return math.nan
    return max(1.0 - share, 0.0) / slope if slope * TREND_S > LEAST_RISE else math.inf
