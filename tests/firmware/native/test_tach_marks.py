"""The marks of the tach: the sketch's against its Python twin edge by edge, and what both must make of a rotor."""

from __future__ import annotations

from collections.abc import Iterator

import native_core
import numpy as np
import pytest

from whirlbench.safety.device_rules import APART, STEADY, OverspeedRule, TachRule
from whirlbench.safety.tach_marks import MOST_MARKS, TachMarks

UNEVEN = (0.0, 0.21, 0.55, 0.7)
TURN_TICKS = 20_000  # 6000 rpm


def edges_of(turn_ticks: np.ndarray, places: tuple[float, ...]) -> np.ndarray:
    """Edges of turns of these lengths, with marks at ``places`` of a turn."""
    starts = np.concatenate([[0.0], np.cumsum(turn_ticks)])[:-1]
    return np.rint((starts[:, None] + turn_ticks[:, None] * np.array(places)).ravel()).astype(np.int64) + 1000


def wandering(rng: np.random.Generator, turns: int) -> np.ndarray:
    """Turns of a rotor whose speed wanders between a third and twice 6000 rpm, by 3 % from turn to turn at most."""
    steps = rng.uniform(-0.03, 0.03, turns)
    return TURN_TICKS * np.exp(np.clip(np.cumsum(steps), np.log(0.5), np.log(3.0)))


def disturbed(rng: np.random.Generator, edges: np.ndarray, share: float) -> np.ndarray:
    """Edges of which a share is missing, and as many are added anywhere."""
    kept = edges[rng.random(len(edges)) >= share]
    added = rng.uniform(edges[0], edges[-1], int(share * len(edges))).astype(np.int64)
    return np.unique(np.concatenate([kept, added]))


def told(marks: TachMarks, edges: np.ndarray) -> Iterator[tuple[bool, int]]:
    for ticks in edges.tolist():
        yield marks.feed(ticks), marks.turn_ticks


@pytest.mark.parametrize("per_turn", [1, 2, 3, 4, 7, MOST_MARKS])
@pytest.mark.parametrize("share", [0.0, 0.02, 0.3])
def test_both_twins_say_the_same_of_every_edge(per_turn: int, share: float) -> None:
    rng = np.random.default_rng(100 * per_turn + int(100 * share))
    places = (0.0, *np.sort(rng.uniform(0.02, 0.98, per_turn - 1)).tolist())
    edges = disturbed(rng, edges_of(wandering(rng, 6000 // per_turn), places), share)
    python, sketch = TachMarks(per_turn), native_core.TachMarks(per_turn)
    for place, ticks in enumerate(edges.tolist()):
        if place % 997 == 996:
            python.forget()
            sketch.call("forget")
        assert python.feed(ticks) == bool(sketch.call("feed", ticks & 0xFFFFFFFF))
        assert python.turn_ticks == sketch.call("turn_ticks")
    assert python.missed & 0xFFFF == sketch.call("missed") and python.extra & 0xFFFF == sketch.call("extra")
    assert (python.missed > 0 and python.extra > 0) == (share > 0.0)


@pytest.mark.parametrize("places", [(0.0,), (0.0, 0.5), UNEVEN, (0.0, 0.1)])
def test_a_turn_is_a_turn_however_the_marks_stand(places: tuple[float, ...]) -> None:
    marks = TachMarks(len(places))
    turns = [turn for _, turn in told(marks, edges_of(np.full(50, float(TURN_TICKS)), places))]
    assert turns[: len(places)] == [0] * len(places)
    assert np.ptp(turns[len(places) :]) <= 1 and abs(turns[-1] - TURN_TICKS) <= 1
    assert marks.missed == marks.extra == 0


def test_uneven_marks_trip_at_the_limit_and_not_below() -> None:
    for factor, trips in ((1.001, False), (0.999, True)):
        marks, rule = TachMarks(len(UNEVEN)), OverspeedRule(TURN_TICKS)
        edges = edges_of(np.full(200, TURN_TICKS * factor), UNEVEN)
        found = [is_mark and rule.feed(turn) for is_mark, turn in told(marks, edges)]
        assert any(found) is trips


@pytest.mark.parametrize("places", [(0.0,), UNEVEN])
def test_a_lost_edge_is_counted_and_the_turn_stays(places: tuple[float, ...]) -> None:
    marks = TachMarks(len(places))
    edges = np.delete(edges_of(np.full(40, float(TURN_TICKS)), places), 10 * len(places) + 2)
    turns = [turn for _, turn in told(marks, edges)][len(places) :]
    assert (marks.missed, marks.extra) == (1, 0)
    assert np.abs(np.array(turns) - TURN_TICKS).max() <= 2


@pytest.mark.parametrize("places", [(0.0,), UNEVEN])
def test_a_bounce_is_counted_and_changes_nothing(places: tuple[float, ...]) -> None:
    marks = TachMarks(len(places))
    edges = edges_of(np.full(40, float(TURN_TICKS)), places)
    bounced = np.sort(np.concatenate([edges, edges[14::7] + 300]))
    heard = list(told(marks, bounced))
    assert marks.missed == 0 and marks.extra == len(edges[14::7])
    assert {turn for is_mark, turn in heard[20:] if is_mark} <= {TURN_TICKS - 1, TURN_TICKS, TURN_TICKS + 1}


@pytest.mark.parametrize("share", [0.3, 0.4, 0.5, 0.6, 0.7, 0.74, 0.76, 0.8, 0.85])
def test_an_edge_in_mid_turn_never_makes_two_short_turns(share: float) -> None:
    """So one glitch does not trip a rule that wants two in a row."""
    marks, rule = TachMarks(1), OverspeedRule(int(TURN_TICKS * 0.95), confirm=2)
    edges = edges_of(np.full(60, float(TURN_TICKS)), (0.0,))
    glitches = edges[10:50:10] + int(share * TURN_TICKS)
    heard = list(told(marks, np.sort(np.concatenate([edges, glitches]))))
    assert not any(is_mark and rule.feed(turn) for is_mark, turn in heard)
    assert marks.extra == len(glitches) and marks.missed == 0


@pytest.mark.parametrize("times", [1.3, 1.99, 2.0, 2.5, 3.0, 4.1, 9.0])
def test_a_real_jump_of_the_speed_is_believed_soon(times: float) -> None:
    """No rotor does it in one turn; should a tach come back at its true speed, the rule must not be blind to it."""
    marks, rule = TachMarks(1), OverspeedRule(int(TURN_TICKS * 0.9))
    edges = edges_of(np.concatenate([np.full(20, float(TURN_TICKS)), np.full(60, TURN_TICKS / times)]), (0.0,))
    found = [is_mark and rule.feed(turn) for is_mark, turn in told(marks, edges)]
    assert any(found)
    late_ticks = edges[found.index(True)] - edges[20]
    assert late_ticks <= 2 * TURN_TICKS


def test_half_of_the_edges_missing_is_told_once_and_then_a_slower_rotor() -> None:
    marks = TachMarks(2)
    edges = edges_of(np.full(60, float(TURN_TICKS)), (0.0, 0.4))
    list(told(marks, np.concatenate([edges[:40], edges[40::2]])))
    assert marks.missed >= 1
    assert marks.turn_ticks == pytest.approx(2 * TURN_TICKS, abs=2)  # told by the machine as a lost tach


def test_a_number_of_marks_without_room_is_refused() -> None:
    for per_turn in (0, MOST_MARKS + 1):
        with pytest.raises(ValueError, match="expected 1 to 30"):
            TachMarks(per_turn)


def fed(rule: TachRule | native_core.TachRule, shares: list[float]) -> int | None:
    """Place of the period that trips, when periods of these shares follow on a steady rotor."""
    feed = rule.feed if isinstance(rule, TachRule) else lambda ticks: rule.call("feed", ticks)
    assert not any(feed(TURN_TICKS) for _ in range(STEADY + 2))
    trips = [bool(feed(round(share * TURN_TICKS))) for share in shares]
    return trips.index(True) if True in trips else None


@pytest.mark.parametrize("limit", [0, 2, 3, 9])
def test_the_rule_on_periods_says_the_same_in_both_twins(limit: int) -> None:
    rng = np.random.default_rng(limit)
    python, sketch = TachRule(limit), native_core.TachRule(limit)
    doubted = trips = 0
    for _ in range(400):
        period = int(rng.integers(1_000, 60_000))
        cut = int(period * rng.uniform(0.05, 0.95))
        odd = [cut, period - cut, period * 2, period // 2, int(period * rng.uniform(0.1, 3.0)), 0]
        for ticks in [period] * int(rng.integers(1, 14)) + odd[: rng.integers(0, 7)]:
            told = bool(sketch.call("feed", ticks))
            assert python.feed(ticks) == told
            assert python.doubted == bool(sketch.call("doubted"))
            doubted, trips = doubted + python.doubted, trips + told
    assert doubted > 100 and (trips > 20 or limit == 0)


@pytest.mark.parametrize("share", [0.1, 0.3, 0.5, 0.6, 0.74, 0.76, 0.9])
@pytest.mark.parametrize("make", [TachRule, native_core.TachRule])
def test_single_false_edges_jump_no_period(make: type[TachRule] | type[native_core.TachRule], share: float) -> None:
    assert fed(make(2), [share, 1.0 - share, *[1.0] * APART] * 20) is None


@pytest.mark.parametrize(
    ("shares", "place"),
    [
        ([2.0] * 9, 2),  # every second edge missing
        ([0.5] * 9, 2 + APART),  # twice the edges: the first pair is forgiven
        ([0.4] * 9, 2),  # two parts that make up 0.8 of a period are none of it
        ([0.62, 0.22, 1.0, 1.0], 3),  # so are two of 0.84: the first is believed, the whole one then jumps
        ([0.1] * 9, 2),
        ([0.3, 0.7] * 9, None),  # pairs without end: a rotor that reads true, whose mark has a double
    ],
)
@pytest.mark.parametrize("make", [TachRule, native_core.TachRule])
def test_periods_that_jump_and_stay_trip_as_before(
    make: type[TachRule] | type[native_core.TachRule], shares: list[float], place: int | None
) -> None:
    assert fed(make(3), shares) == place
