"""The sketch's limit table against ``whirlbench.link.limit_table``."""

from __future__ import annotations

import native_core
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from whirlbench.link.limit_table import (
    LIMIT_SLOTS,
    LimitId,
    admits,
    checksum,
    missing_for_arming,
    start_values,
)

READY = {LimitId.OVERSPEED_TICKS: 12_000, LimitId.HEARTBEAT_MS: 100, LimitId.THROTTLE_SAFE_US: 1000}


def values_of(table: native_core.LimitTable) -> list[int]:
    return [table.call("value", slot) for slot in range(LIMIT_SLOTS)]


def test_it_starts_with_the_start_values_and_cannot_be_armed_with_them() -> None:
    table = native_core.LimitTable()
    assert values_of(table) == list(start_values())
    assert table.call("missing") == LimitId.OVERSPEED_TICKS == missing_for_arming(start_values())


@pytest.mark.parametrize("slot", LimitId)
def test_a_slot_admits_its_range_and_nothing_beyond(slot: LimitId) -> None:
    for value in {0, slot.lowest, slot.highest, slot.highest + 1, max(slot.lowest - 1, 0), 2**32 - 1}:
        assert bool(native_core.LimitTable().call("set", slot, value)) == admits(slot, value), value


@given(
    st.lists(st.tuples(st.integers(0, 255), st.one_of(st.integers(0, 2500), st.integers(0, 2**32 - 1))), max_size=60)
)
@settings(max_examples=200)
def test_any_sequence_of_settings_leaves_both_tables_equal(steps: list[tuple[int, int]]) -> None:
    table, twin = native_core.LimitTable(), list(start_values())
    for slot, value in steps:
        if admits(slot, value):
            twin[slot] = value
        table.call("set", slot, value)
    assert values_of(table) == twin
    assert table.call("checksum") == checksum(twin)
    missing = missing_for_arming(twin)
    assert table.call("missing") == (LIMIT_SLOTS if missing is None else missing)


def test_a_maximum_below_its_minimum_keeps_from_arming() -> None:
    for changes, expected in [
        ({}, LIMIT_SLOTS),
        ({LimitId.SERVO_SAFE_US: 1500}, LIMIT_SLOTS),
        ({LimitId.SERVO_SAFE_US: 1499}, LimitId.SERVO_SAFE_US),
        ({LimitId.SERVO_SAFE_US: 1501}, LimitId.SERVO_SAFE_US),
        ({LimitId.THROTTLE_SAFE_US: 1001}, LimitId.THROTTLE_MAX_US),
        ({LimitId.SERVO_MIN_US: 1501}, LimitId.SERVO_MAX_US),
    ]:
        table = native_core.LimitTable()
        for slot, value in {**READY, **changes}.items():
            assert table.call("set", slot, value)
        assert table.call("missing") == expected
