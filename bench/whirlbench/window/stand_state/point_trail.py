"""Where the operating point was in the last minute, one place a quarter of a second. No Qt here."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from whirlbench.window.stand_state.live_trail import SHOWN_S

PLACE_S = 0.25


@dataclass(frozen=True)
class TrailNews:
    """What a portion of samples changed: lines ``(2, n)`` of speed and angle that came, and that went."""

    came: np.ndarray
    went: np.ndarray


class PointTrail:
    """Places ``(2, n)`` of speed in rpm and blade angle in degrees, the oldest first; NaN breaks the line.

    A place that is there stays as it is until it leaves the minute, so that what was drawn of it stays, too.
    """

    def __init__(self) -> None:
        self._rows = np.empty((3, 0))  # time, speed, angle

    @property
    def places(self) -> np.ndarray:
        """What is kept: a view."""
        places: np.ndarray = self._rows[1:]
        return places

    def take(self, time_s: np.ndarray, rpm: np.ndarray, pitch_deg: np.ndarray) -> TrailNews:
        """Adds the first sample ``(n,)`` of every quarter of a second; a clock that runs back begins a new trail."""
        new, kept = np.vstack((time_s, rpm, pitch_deg)), self._rows
        back = np.flatnonzero(np.diff(new[0], prepend=kept[0, -1:]) < 0.0)
        if len(back):
            new = new[:, back[-1] + (0 if kept.shape[1] else 1) :]
            kept = kept[:, :0]
        number = np.floor(new[0] / PLACE_S)
        before = np.floor(kept[0, -1:] / PLACE_S) if kept.shape[1] else np.array([-np.inf])
        new = new[:, number > np.concatenate((before, number[:-1]))]
        rows = np.concatenate((kept, new), axis=1)
        if rows.shape[1]:
            rows = rows[:, rows[0] >= rows[0, -1] - SHOWN_S]
        news = _news(self._rows, rows, new.shape[1])
        self._rows = rows
        return news


def _news(before: np.ndarray, after: np.ndarray, added: int) -> TrailNews:
    """Each line reaches to the neighbour that was or is there: the stroke between them changes as well."""
    stayed = max(after.shape[1] - added, 0)
    gone = before.shape[1] - stayed
    return TrailNews(
        after[1:, max(stayed - 1, 0) :] if added else after[1:, :0], before[1:, : gone + 1] if gone else before[1:, :0]
    )
