"""The log of a set in words: what is unknown is said, what must not spin is a danger."""

from __future__ import annotations

from dataclasses import replace

import pytest

from whirlbench.log import Entry, EntryKind, LoadCycles, RunUse, standing
from whirlbench.results.answer import Level, Verdict
from whirlbench.results.set_log import set_log_answer

AT = "2026-05-01T10:00:00+00:00"


def run(permitted_rpm=6000.0, **values):
    use = RunUse("a.h5", "0" * 64, False, 60.0, 2, 3000.0, 5000.0, permitted_rpm, (LoadCycles(0.6, 1.0),), **values)
    return Entry(1, "moulded", AT, EntryKind.RUN, "", "", use)


def entry(kind, text="said"):
    return Entry(9, "moulded", AT, kind, "A. Builder", text)


def answer(*entries):
    return set_log_answer(entries, standing(entries, None, "moulded"))


def test_sums_and_cycles_of_a_set():
    found = answer(run(), run())

    totals = {row[0]: row[1] for row in found.table("totals").rows}
    assert (totals["runs"], totals["starts"], totals["greatest speed, rpm"]) == ("2", "4", "5000")
    assert found.table("cycles").rows == (("0.6 to 0.7", "2"),)
    assert found.verdict is Verdict.IN_PART  # no calibration is known of these runs
    assert [one.what for one in found.not_judged] == ["calibrations in force"]


def test_the_peak_is_told_with_what_its_run_left_open():
    sure, open_ = run(), run(peak_stderr_rpm=12.0)
    fastest = replace(open_, use=replace(open_.use, peak_rpm=5400.0))
    found = answer(sure, fastest)

    totals = {row[0]: row[1] for row in found.table("totals").rows}
    assert totals["greatest speed, rpm"] == "5400 ± 12"
    assert ["peak 5000 rpm" in row[4] for row in found.table("entries").rows] == [True, False]
    assert "peak 5400 ± 12 rpm" in found.table("entries").rows[1][4]


def test_the_calibrations_in_force_are_shown_the_last_of_each():
    old, new = (entry(EntryKind.CALIBRATION, f"thrust_n, 2026-05-0{day}: zero 84000 ± 12 counts") for day in (1, 2))
    found = answer(old, run(), new)

    assert found.table("calibrations").rows == (("thrust_n", "2026-05-02: zero 84000 ± 12 counts"),)
    assert found.verdict is Verdict.JUDGED and found.document["calibrations"]["thrust_n"] == new.text


def test_a_retired_set_is_a_danger():
    found = answer(run(), entry(EntryKind.RETIRED, "crack at the hole"))

    assert any(remark.level is Level.DANGER and "not to be spun" in remark.text for remark in found.remarks)
    assert "crack at the hole" in found.headline


def test_an_empty_log_judges_nothing_and_says_so():
    found = answer()

    assert found.verdict is Verdict.IN_PART
    assert "new" in found.headline


def test_runs_without_a_permitted_speed_are_named_as_not_counted():
    found = answer(run(permitted_rpm=None))

    assert any("1 of 1 runs" in one.why for one in found.not_judged)


@pytest.mark.parametrize("kind", [EntryKind.OVERRIDE])
def test_an_override_stays_in_sight(kind):
    assert any("overridden" in remark.text for remark in answer(run(), entry(kind)).remarks)


def test_no_life_is_predicted():
    assert any("no life is predicted" in remark.text for remark in answer(run()).remarks)


def test_a_trip_is_spoken_not_spelt():
    found = answer(run(trips=("vibration_g_rms",)))

    assert "vibration_g_rms" not in found.table("entries").rows[0][4]
