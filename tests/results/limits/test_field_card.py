"""The card for the field: travel of this transmitter, caps, dates, and no number where none may be used."""

from __future__ import annotations

from dataclasses import replace as with_fields
from datetime import date

import page_runs
import pytest
from msgspec.structs import replace

from whirlbench.results.answer import NONE, Level
from whirlbench.results.limits import VALID_DAYS, LimitsStudy, card_answer, limits_answer, limits_study
from whirlbench.rig.description import Mode
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
    low, high = study.limits.pitch_range_deg
    for row, limit in zip(card.table("limits").rows, whole.table("limits").rows, strict=True):
        assert row[:2] == (limit[0], limit[6])
        for cell, said, edge in ((row[2], limit[2], high), (row[3], limit[5], low)):
            assert cell == said or (said == NONE and abs(float(cell) - edge) < 0.1 and "as far as measured" in row[4])
            assert low - 0.05 <= float(cell) <= high + 0.05  # as the limits round
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


def capped_study(flight_cap_pct: float, **modes: Mode) -> LimitsStudy:
    """Full throttle travel leaves no pitch below overspeed at any speed; the flight position has a cap."""
    made = parse_rig(example_rig_text())
    flight = replace(made.modes["flight"], max_throttle_pct=flight_cap_pct, min_pitch_deg=5.0)
    limits = replace(made.limits, current_a=60.0, overspeed_rpm=4000.0)
    return limits_study([page_runs.hold_run()], replace(made, limits=limits, modes={"flight": flight, **modes}))


def test_a_speed_is_judged_with_the_throttle_cap_of_its_own_lever_position() -> None:
    """The row of a speed and that of its lever position never say the opposite."""
    card = card_answer(capped_study(45.0), MADE)
    (position,) = card.table("end points").rows
    assert position[2] == "45" and NONE not in position[2:9] and "with full throttle travel" in position[9]
    for rpm, cap, greatest, _, remark in card.table("limits").rows:
        inside = 3500.0 <= float(rpm) <= 5300.0
        assert (cap == "45") is inside and (greatest != NONE) is inside
        assert ("no pitch is permitted with full throttle travel" in remark) is not inside


def test_of_two_lever_positions_at_one_speed_the_row_is_that_of_the_wider_throttle_and_names_the_other() -> None:
    flight = parse_rig(example_rig_text()).modes["flight"]
    wide, idle = replace(flight, max_throttle_pct=90), replace(flight, max_throttle_pct=100, powered=False)
    card = card_answer(capped_study(45.0, wide=wide, idle=idle), MADE)
    for rpm, cap, greatest, _, remark in card.table("limits").rows:
        if 3500.0 <= float(rpm) <= 5300.0:
            assert cap == "90" and greatest == NONE and "with throttle travel up to 90 %" in remark
            assert remark.endswith("by its end points only: flight, throttle travel up to 45 %")
