"""What a result rests on: an unfinished file, a shaft that still turns at its end, and whose rig judged."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from whirlbench.results.answer import Answer, Level
from whirlbench.results.run_grounds import last_rpm, own_rig_words, run_remarks, with_grounds
from whirlbench.samples import Run, SlowSamples, TachPulses

TIME_S = np.arange(0.0, 10.0, 0.1)


def run(rpm: np.ndarray, *problems: str, rig_text: str = "") -> Run:
    return Run(SlowSamples(TIME_S, rpm=rpm), source="folder/a.h5", problems=problems, rig_text=rig_text)


@pytest.mark.parametrize(
    ("last", "told"),
    [(4000.0, True), (120.0, True), (80.0, False), (0.0, False)],
    ids=["under power", "coasting", "nearly at rest", "at rest"],
)
def test_a_file_that_ends_while_the_shaft_turns_says_so(last: float, told: bool) -> None:
    texts = [remark.text for remark in run_remarks(run(np.full(len(TIME_S), last)))]
    expected = f"the shaft still turned at the end of the file ({last:.0f} rpm at 9.9 s): what came after is not in it"
    assert texts == ([expected] if told else [])


def test_a_speed_that_fell_silent_before_the_end_tells_nothing_of_the_end() -> None:
    rpm = np.where(TIME_S < 7.5, 4000.0, np.nan)
    assert np.isnan(last_rpm(run(rpm))) and np.isnan(last_rpm(Run()))
    assert [remark.text for remark in run_remarks(run(rpm))] == [
        "the file tells no speed after 7.4 s (then 4000 rpm): nobody knows whether the shaft still turned at its end"
    ]
    rpm[-15] = 3000.0
    assert last_rpm(run(rpm)) == 3000.0


def test_a_file_without_any_speed_does_not_pass_for_one_that_came_to_rest() -> None:
    (blank,) = run_remarks(run(np.full(len(TIME_S), np.nan)))
    assert blank.level is Level.CAUTION and blank.text.startswith("the file tells no speed: nobody knows")
    assert list(run_remarks(Run())) == []


@pytest.mark.parametrize(("edge_rpm", "told"), [(4000.0, True), (210.0, True), (190.0, False)])
@pytest.mark.parametrize("pulses_per_rev", [1, 7])
def test_a_zero_behind_a_tach_that_fell_silent_at_speed_is_no_rest(edge_rpm: float, told: bool, pulses_per_rev) -> None:
    """Without an edge the speed reads zero; only edges that had become rare show that the shaft came to rest."""
    edges = 3.0 - np.arange(20)[::-1] * 60.0 / edge_rpm / pulses_per_rev
    rpm = np.where(TIME_S < 3.0, edge_rpm, 0.0)
    texts = [one.text for one in run_remarks(replace(run(rpm), tach=TachPulses(edges, pulses_per_rev)))]
    silent = (
        f"the tach fell silent at {edge_rpm:.0f} rpm (3.0 s): nobody knows whether the shaft still turned at its end"
    )
    assert texts == ([silent] if told else [])
    assert not list(run_remarks(replace(run(rpm), tach=TachPulses(edges[:2], pulses_per_rev))))


def test_a_small_rotor_that_stops_within_a_turn_from_300_rpm_came_to_rest() -> None:
    """Steady friction takes a part off the square of its speed at each turn; one turn is left at the last mark."""
    speeds = np.sqrt(300.0**2 * np.arange(8.0, 0.0, -1.0))
    edges = 2.0 + np.cumsum(60.0 / speeds)
    texts = list(run_remarks(replace(run(np.where(TIME_S < 3.5, 300.0, 0.0)), tach=TachPulses(edges, 1))))
    assert speeds[-1] > 250.0 and not texts
    early = replace(run(np.where(TIME_S < 3.5, 300.0, 0.0)), tach=TachPulses(edges[:-5], 1))
    assert "fell silent" in next(iter(run_remarks(early))).text


def test_what_a_recording_lacks_stands_beside_every_answer_once_and_with_its_name_among_several() -> None:
    broken, whole = run(np.zeros(len(TIME_S)), "the run was not closed"), run(np.zeros(len(TIME_S)))
    one = with_grounds(Answer("a", "b"), [broken])
    assert [(remark.level, remark.text) for remark in one.remarks] == [
        (Level.CAUTION, "in the recording: the run was not closed")
    ]
    assert with_grounds(one, [broken]).remarks == one.remarks
    (remark,) = with_grounds(Answer("a", "b"), [whole, broken]).remarks
    assert remark.text == "a.h5: in the recording: the run was not closed"


def test_the_recordings_own_rig_is_named_as_the_one_that_judged() -> None:
    still = np.zeros(len(TIME_S))
    (remark,) = with_grounds(Answer("a", "b"), [run(still, rig_text="name = 'x'")], own_rig=True).remarks
    assert remark.text == own_rig_words(run(still)) and "stored in a.h5" in remark.text and "--rig" in remark.text
    assert with_grounds(Answer("a", "b"), [run(still)], own_rig=True).remarks == ()
    assert with_grounds(Answer("a", "b"), [run(still, rig_text="name = 'x'")]).remarks == ()  # another one judged
