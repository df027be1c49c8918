"""The marks of the tach in the order in which they pass: whole turns, and edges that are missing or too many.

Twin of the sketch's ``tach_marks.h``: both are compared edge by edge on the same sequences.
"""

from __future__ import annotations

from collections import deque

import numpy as np

MOST_MARKS = 30  # in a turn: what the sketch has room for


class TachMarks:
    """Follows ``per_turn`` marks (1 to 30), which need not be evenly spaced; times are integer ticks of 0.5 us.

    A speed is taken over a whole turn, and an interval is compared with that before the same mark one turn ago:

    - below seven eighths of it, and the next edge completes it within an eighth: the edge between was one too many
      (``extra``), and is taken back then;
    - else below a quarter of it, the edge is none (a bounce, noise): ``extra``; it is not taken;
    - as long as it and the following one together, within a quarter of that: one edge did not come (``missed``), and
      is put where it should have been;
    - else longer by more than a quarter of both: of several marks what was known is forgotten, and the turn with it.

    Taking back and putting in each need a whole turn without either before.
    """

    def __init__(self, per_turn: int) -> None:
        if not 1 <= per_turn <= MOST_MARKS:
            raise ValueError(f"{per_turn} marks a turn, expected 1 to {MOST_MARKS}")
        self.per_turn = per_turn
        self.missed = self.extra = 0
        self._edges: deque[int] = deque(maxlen=per_turn + 3)
        self._changed_ago = 0
        self.forget()

    def forget(self) -> None:
        """Nothing is known of the rotor any more: it came to rest, or edges cannot be explained."""
        self._known = self._split = 0

    @property
    def turn_ticks(self) -> int:
        """Ticks of the whole turn that ended with the latest mark; 0 while none is known."""
        return self._back(1) - self._back(self.per_turn + 1) if self._known > self.per_turn else 0

    def feed(self, ticks: int) -> bool:
        """Takes an edge, later than those before; True when it is believed to be a mark."""
        if self._known > self.per_turn:
            period = ticks - self._back(1)
            expected = self._back(self.per_turn) - self._back(self.per_turn + 1)
            if self._split and self._completes(ticks):
                self._take_back()
            elif period < expected >> 2:
                self.extra += 1
                return False
            elif self._split:
                self._split = 0
            elif period < expected - (expected >> 3):
                self._split = expected if self._changed_ago > self.per_turn else 0
            else:
                self._fill_gap(period, expected)
        self._put(ticks)
        return True

    def feed_even(self, ticks: np.ndarray) -> np.ndarray | None:
        """Takes edges int64 ``(n,)`` that come as a glance expects them: ticks of the turn that ends with each.

        None, and none of them is taken, where any of them needs ``feed`` to look at it.
        """
        if self._known <= self.per_turn or self._split or not len(ticks):
            return None
        marks = np.concatenate((list(self._edges)[-self.per_turn - 1 :], ticks))
        periods = np.diff(marks)
        expected, following = periods[: len(ticks)], periods[1 : len(ticks) + 1]
        period = periods[self.per_turn :]
        longest = expected + (expected >> 2) + ((following if self.per_turn > 1 else expected) >> 2)
        if (period < expected - (expected >> 3)).any() or (period > longest).any():
            return None
        self._edges.extend(ticks.tolist())
        self._changed_ago += len(ticks)
        turns: np.ndarray = marks[self.per_turn + 1 :] - marks[1 : -self.per_turn]
        return turns

    def _back(self, count: int) -> int:
        return self._edges[-count]

    def _put(self, ticks: int) -> None:
        self._edges.append(ticks)
        self._known = min(self._known + 1, self.per_turn + 1)
        self._changed_ago += 1

    def _completes(self, ticks: int) -> bool:
        """Whether this edge and the one before, which came too early, make up the expected interval."""
        both, slack = ticks - self._back(2), self._split >> 3
        return self._split - slack < both < self._split + slack

    def _take_back(self) -> None:
        self.extra += 1
        self._edges.pop()
        self._changed_ago = self._split = 0

    def _fill_gap(self, period: int, expected: int) -> None:
        following = expected if self.per_turn == 1 else self._back(self.per_turn - 1) - self._back(self.per_turn)
        slack, both = following >> 2, expected + following
        if period <= expected + (expected >> 2) + slack:
            return
        if both - slack < period < both + slack and self._changed_ago > self.per_turn:
            self._put(self._back(1) + (period >> 1 if self.per_turn == 1 else expected))
            self.missed += 1
            self._changed_ago = 0
        elif self.per_turn != 1:  # a single mark's interval is a whole turn, however long
            self.forget()
