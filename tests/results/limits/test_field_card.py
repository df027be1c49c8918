"""The card for the field: travel of this transmitter, caps, dates, and no number where none may be used."""

from __future__ import annotations

from dataclasses import replace as with_fields
from datetime import date

import page_runs
import pytest
from msgspec.structs import replace

from whirlbench.results.answer import NONE, Level
from whirlbench.results.limits import VALID_DAYS, LimitsStudy, card_answer, limits_answer, limits_study
from whirlbench.rig.toml import example_rig_text, parse_rig

MADE = date(2026, 3, 1)


@pytest.fixture(scope="module")
def study() -> LimitsStudy:
    made = parse_rig(example_rig_text())
    limits = replace(made.limits, current_a=35.0, overspeed_rpm=20_000.0)
    scale = replace(made.transmitter, middle_us=1520.0, full_travel_us=400.0)
    return limits_study([page_runs.hold_run()], replace(made, limits=limits, transmitter=scale))


def test_travel_is_that_of_this_transmitter(study: LimitsStudy) -> None:
    rows = card_answer(study, MADE).table("end points").rows
    assert [row[0] for row in rows] == [mode.mode for mode in study.modes]
    for row in rows:
        for pulse, travel in ((row[4], row[5]), (row[7], row[8])):
            if pulse != NONE:
                assert abs(float(travel) - (float(pulse) - 1520.0) / 4.0) < 1.0


def test_the_card_says_what_the_limits_say(study: LimitsStudy) -> None:
    card, whole = card_answer(study, MADE), limits_answer(study)
    assert [row[:2] for row in card.table("limits").rows] == [(row[0], row[2]) for row in whole.table("limits").rows]
    assert card.headline == whole.headline
    graver = {remark for remark in whole.remarks if remark.level is not Level.NOTE}
    assert set(card.remarks) == graver and graver


def test_the_throttle_cap_cannot_be_overlooked(study: LimitsStudy) -> None:
    table = card_answer(study, MADE).table("end points")
    assert [column.heading for column in table.columns if column.strong] == ["throttle travel up to"]
    caps = [NONE if mode.fine is None else f"{mode.throttle_pct:g}" for mode in study.modes]
    assert [row[2] for row in table.rows] == caps and set(caps) != {NONE}


def test_a_position_without_a_safe_range_carries_no_number(study: LimitsStudy) -> None:
    bad = with_fields(study.modes[0], fine=None, coarse=None, remark="no pitch is safe here")
    table = card_answer(with_fields(study, modes=(bad, *study.modes[1:])), MADE).table("end points")
    assert set(table.rows[0][2:9]) == {NONE} and table.rows[0][9] == "no pitch is safe here" and 0 in table.danger


def test_it_bears_its_day_and_its_end(study: LimitsStudy) -> None:
    basis = dict(card_answer(study, MADE).table("basis").rows)
    assert basis["made on"] == "2026-03-01" and basis["valid until"].startswith("2026-08-28")
    assert VALID_DAYS == 180 and "linkage" in basis["valid until"]
    assert "ASSUMED" in basis["travel of this transmitter"] and basis["blades"] == "moulded"
