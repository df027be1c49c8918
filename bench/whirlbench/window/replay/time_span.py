"""The stretch of a run that is on the screen: zoomed about a place, moved along, never beyond the run. No Qt here."""

from __future__ import annotations

from dataclasses import dataclass

LEAST_SHARE = 1e-7  # of the run, so that the figures of a double still tell the samples apart
LEAST_S = 1e-4


@dataclass(frozen=True)
class TimeSpan:
    """``from_s`` to ``to_s`` of a run that goes from ``first_s`` to ``last_s``."""

    first_s: float
    last_s: float
    from_s: float
    to_s: float

    @classmethod
    def of_all(cls, first_s: float, last_s: float) -> TimeSpan:
        """The whole run; an instant is widened, so that it has a width."""
        last_s = max(last_s, first_s + LEAST_S)
        return cls(first_s, last_s, first_s, last_s)

    @property
    def length_s(self) -> float:
        """Length of what is seen."""
        return self.to_s - self.from_s

    @property
    def is_whole(self) -> bool:
        """Whether all of the run is seen."""
        return self.from_s <= self.first_s and self.to_s >= self.last_s

    def whole(self) -> TimeSpan:
        """All of the run."""
        return TimeSpan.of_all(self.first_s, self.last_s)

    def zoomed(self, about_s: float, factor: float) -> TimeSpan:
        """``factor`` times as long (below 1: closer), ``about_s`` staying where it is on the screen."""
        all_s = self.last_s - self.first_s
        length_s = min(max(self.length_s * factor, LEAST_S, LEAST_SHARE * all_s), all_s)
        share = (about_s - self.from_s) / self.length_s
        return self._at(about_s - share * length_s, length_s)

    def moved(self, by_s: float) -> TimeSpan:
        """The same length, ``by_s`` later."""
        return self._at(self.from_s + by_s, self.length_s)

    def showing(self, time_s: float) -> TimeSpan:
        """Moved, if need be, until ``time_s`` is seen."""
        if self.from_s <= time_s <= self.to_s:
            return self
        return self._at(time_s - self.length_s / 2, self.length_s)

    def between(self, from_s: float, to_s: float) -> TimeSpan:
        """Just ``from_s`` to ``to_s``, in either order."""
        low, high = sorted((from_s, to_s))
        return self._at(low, max(high - low, LEAST_S))

    def _at(self, from_s: float, length_s: float) -> TimeSpan:
        length_s = min(length_s, self.last_s - self.first_s)
        from_s = min(max(from_s, self.first_s), self.last_s - length_s)
        return TimeSpan(self.first_s, self.last_s, from_s, from_s + length_s)
