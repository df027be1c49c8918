"""The last proof of the trips: what is stored, what has changed since, and what is said of it."""

from __future__ import annotations

import sqlite3

import msgspec
import pytest

from whirlbench.errors import LogError
from whirlbench.log import EntryKind, Proof, SetLog, TripTrial, proof_standing, protection
from whirlbench.rig.toml import example_rig_text, parse_rig

RIG = parse_rig(example_rig_text())
DEVICE = "board 3, firmware 0.1, build 0000abcd"
CAME = TripTrial("overspeed", "card before the tach", True, 12.0)


def a_proof(*trials: TripTrial, **values: object) -> Proof:
    return Proof(RIG.name, DEVICE, protection(RIG), trials or (CAME,), operator="A. Builder", **values)  # type: ignore[arg-type]


def changed(**limits: object):
    return msgspec.structs.replace(RIG, limits=msgspec.structs.replace(RIG.limits, **limits))


def test_without_a_log_or_a_proof_the_trips_were_never_proved(log):
    for standing in (proof_standing(None, RIG), proof_standing(log, RIG)):
        assert "never proved" in standing.sentence
        assert standing.cautions == (standing.sentence,)


def test_a_proof_that_still_stands_asks_for_nothing(log):
    log.add_proof(a_proof())

    standing = proof_standing(log, RIG, DEVICE)

    assert standing.cautions == () and standing.changed_keys == ()
    assert "2026-05-01 10:00 UTC by A. Builder: 1 of 1 came; nothing has changed since" in standing.sentence


@pytest.mark.parametrize(
    "key, value", [("overspeed_rpm", 5000.0), ("current_a", None), ("thrust_n", 20.0), ("confirm_ms", 50)]
)
def test_a_limit_of_either_ring_that_changed_is_named(log, key, value):
    log.add_proof(a_proof())

    standing = proof_standing(log, changed(**{key: value}))

    assert standing.changed_keys == (f"limits.{key}",)
    assert f"limits.{key} was" in standing.sentence and "never proved" in standing.cautions[0]


def test_a_calibration_that_a_trip_is_scaled_by_counts_as_changed(log):
    log.add_proof(a_proof())
    current = msgspec.structs.replace(RIG.calibration["current_a"], units_per_count=0.5)
    rig = msgspec.structs.replace(RIG, calibration={**RIG.calibration, "current_a": current})

    assert proof_standing(log, rig).changed_keys == ("calibration.current_a",)


def test_another_device_was_never_proved(log):
    log.add_proof(a_proof())

    assert proof_standing(log, RIG, "board 1, firmware 0.2, build 1").changed_keys == ("device",)


def test_what_is_no_limit_does_not_count(log):
    log.add_proof(a_proof())
    rig = msgspec.structs.replace(RIG, motor=msgspec.structs.replace(RIG.motor, kv_rpm_per_v=200.0))

    assert proof_standing(log, rig).changes == ()


def test_a_trip_that_failed_or_was_left_out_is_a_caution(log):
    left = TripTrial("lost tach", "", None, remark="passed over")
    nobody = TripTrial("loop overrun", "", None, can_be=False)
    log.add_proof(a_proof(TripTrial("vibration", "tap", False), left, nobody, complete=False))

    cautions = " / ".join(proof_standing(log, RIG).cautions)

    assert "vibration did not come" in cautions and "lost tach was not tried" in cautions
    assert "not finished" in cautions and "loop overrun" not in cautions


def test_only_the_latest_proof_of_this_very_stand_counts(log):
    log.add_proof(a_proof(TripTrial("overspeed", "card", False)))
    log.add_proof(a_proof())
    other = Proof("another stand", DEVICE, {}, (CAME,))
    log.add_proof(other)

    assert proof_standing(log, RIG).cautions == ()
    assert len(log.proofs()) == 3


@pytest.mark.parametrize("statement", ["UPDATE proofs SET proof_json = '{}'", "DELETE FROM proofs"])
def test_no_program_changes_a_proof(log, statement):
    log.add_proof(a_proof())

    with sqlite3.connect(log.path) as other, pytest.raises(sqlite3.IntegrityError, match="proofs are never"):
        other.execute(statement)
    other.close()


def test_a_proof_that_cannot_be_read_is_told_not_passed_over(log):
    with sqlite3.connect(log.path) as other:
        other.execute("INSERT INTO proofs (at, rig_name, proof_json) VALUES ('x', 'y', '{\"rig_name\": 1}')")
    other.close()

    with pytest.raises(LogError, match="proof 1 cannot be read"):
        log.proofs()


def test_a_log_of_the_first_version_keeps_its_entries_and_gets_proofs(tmp_path):
    path = tmp_path / "old.sqlite"
    with SetLog(path) as log:
        log.add("moulded", EntryKind.NOTE, "as it was")
    with sqlite3.connect(path) as old:
        old.executescript("DROP TABLE proofs; PRAGMA user_version = 1;")
    old.close()

    with SetLog(path) as log:
        log.add_proof(a_proof())
        assert log.entries()[0].text == "as it was"
        assert len(log.proofs()) == 1
