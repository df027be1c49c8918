"""Every key of [limits], and every key that fills a slot of the device, changes what watches it.

Each is set to another value; what its row declares must follow: the device's slot, the host's rule, the heartbeat, or
what check and limits advise. A key that is read and then forgotten fails here.
"""

from __future__ import annotations

import contextlib
import io
import tempfile
from functools import cache
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from msgspec import inspect
from one_set import one_set_text
from pitch_stands import limits_for

from whirlbench.cli.main import run
from whirlbench.link.limit_table import LimitId, admits
from whirlbench.rig.declaration import Key, Ring, choices, keys_of, value_at
from whirlbench.rig.description import Pitch, Rig, Tach, Throttle
from whirlbench.rig.device_slots import slot_values, slots
from whirlbench.rig.limits import TRENDS, WITH_MARGIN, WITH_RULE, Limits
from whirlbench.rig.toml import parse_rig, with_values
from whirlbench.safety.host_rules import RULES, SENSOR_RULES, live_rules, trend_rules
from whirlbench.safety.trend_rules import TREND_RULES
from whirlbench.samples import SLOW_CHANNELS
from whirlbench.session.engine import Engine
from whirlbench.session.engine.device_limits import device_limits

TEXT = one_set_text()
RIG = parse_rig(TEXT)
ROWS = {f"limits.{row.name}": row for row in keys_of(Limits)}
SECTIONS = {"limits": Limits, "tach": Tach, "throttle": Throttle, "pitch": Pitch}
KEYS = {f"{name}.{row.name}": row for name, section in SECTIONS.items() for row in keys_of(section)}
RING_OF = {path: row.watch.ring for path, row in ROWS.items() if row.watch is not None}
# Where half the value, or one below the greatest, would not be another valid rig.
OTHER = {
    "limits.root_reserve_factor": 9.0,
    "limits.throttle_headroom_pct": 60.0,
    "tach.rest_ms": 900,
    "throttle.safe_us": 990.0,
    "throttle.rate_hz": 200,
    "throttle.max_us": 1850.0,
    "throttle.min_us": 1150.0,
    "limits.supply_v": 4.5,
    "limits.load_cell_ms": 60,
    "limits.device_confirm_ms": 40,
    "limits.trend_trips": ["sag_pct"],
    "pitch.safe_us": 1250.0,
    "pitch.min_us": 1100.0,
    "pitch.max_us": 1900.0,
}


def other(path: str) -> Any:
    """Another valid value for the key at ``path`` of the example rig."""
    if path in OTHER:
        return OTHER[path]
    value = value_at(RIG, path)
    return value * 2 if isinstance(value, int) and value else value / 2 if value else 30


def changed(path: str) -> Rig:
    return parse_rig(with_values(TEXT, {path: other(path)}))


def host_of(rig: Rig) -> tuple[Any, ...]:
    """Every number in the host's rules, inner rules of the device included, and the silence its surface may keep."""
    rules = [(rule.name, numbers_of(rule)) for rule in (*live_rules(rig), *trend_rules(rig))]
    return rules, Engine(rig).keeper.surface_s


def numbers_of(rule: object) -> dict[str, Any]:
    held = {
        name: value for name, value in vars(rule).items() if not callable(value) and not isinstance(value, np.ndarray)
    }
    return {name: numbers_of(value) if hasattr(value, "__dict__") else repr(value) for name, value in held.items()}


@cache
def strength_of(rig_text: str) -> str:
    """What the strength check says with this rig."""
    said = io.StringIO()
    with tempfile.TemporaryDirectory() as folder, contextlib.redirect_stdout(said):
        path = Path(folder) / "rig.toml"
        path.write_text(rig_text, encoding="utf-8")
        run(["check", str(path), "--random-seed", "1", "--json"])
    return said.getvalue().replace(folder, "")


@cache
def pitch_limits_of(rig_text: str) -> str:
    """What the pitch limits of this rig are."""
    return repr(limits_for(parse_rig(rig_text), 3500.0, 5200.0))


@pytest.mark.parametrize("path", sorted({path for path, _ in slots()}))
def test_a_key_with_a_slot_changes_the_device(path: str) -> None:
    before, after = device_limits(RIG), device_limits(changed(path))
    assert any(after[LimitId[slot.name]] != before[LimitId[slot.name]] for place, slot in slots() if place == path)


@pytest.mark.parametrize("path", ROWS)
def test_a_limit_changes_what_its_row_says_watches_it(path: str) -> None:
    ring, rig = RING_OF[path], changed(path)
    assert ring
    if Ring.DEVICE in ring:
        assert path in dict(slots())
    if Ring.HOST in ring:
        assert host_of(rig) != host_of(RIG)
    if Ring.ADVICE in ring:
        text = with_values(TEXT, {path: other(path)})
        assert strength_of(text) != strength_of(TEXT) or pitch_limits_of(text) != pitch_limits_of(TEXT)


def test_slots_and_keys_are_the_same_on_both_sides_of_the_wire() -> None:
    """A slot with a rule is filled by exactly one key, and one without a rule by none."""
    names = [slot.name for _, slot in slots()]
    assert sorted(names) == sorted(slot.name for slot in LimitId if slot.has_rule)


@pytest.mark.parametrize(("path", "row"), [(path, row) for path, row in KEYS.items() if row.slots])
def test_what_the_reader_admits_fits_the_slot(path: str, row: Key) -> None:
    """Whole numbers go as they are: their range in the rig is that of the slot."""
    for slot in (LimitId[declared.name] for declared in row.slots):
        if isinstance(row.kind, inspect.IntType):
            assert (row.kind.ge, row.kind.le) == (slot.lowest, slot.highest)
        else:
            assert admits(slot, slot_values(RIG)[slot.name].counts)


def test_every_row_names_rules_and_channels_that_exist() -> None:
    for limit in WITH_RULE:
        assert limit.watch.rule in RULES
        assert limit.watch.sensor_rule in {"", *SENSOR_RULES}
        assert set(limit.watch.channels) <= {item.name for item in SLOW_CHANNELS} | {"vibration_g_rms"}
    for limit in TRENDS:
        assert limit.watch.rule in TREND_RULES and limit.watch.ring == Ring.HOST
        assert set(limit.watch.channels) <= {item.name for item in SLOW_CHANNELS} | {"vibration_g_rms"}
    assert {trend.key for trend in TRENDS} == set(choices(Limits, "trend_trips[1]"))
    for row in ROWS.values():
        assert row.watch is not None, row.name


def test_labels_are_plain_words() -> None:
    for limit in (*WITH_MARGIN, *TRENDS):
        assert "_" not in limit.watch.label and limit.watch.label != limit.key
