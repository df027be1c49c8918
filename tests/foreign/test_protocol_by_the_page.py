"""PROTOCOL.md is enough: a peer written from it alone reads the golden frames and works with a device."""

from __future__ import annotations

import itertools
import json
import math
import re
from pathlib import Path

import page_peer
import pytest
from mcu_stand import McuStand
from page_peer import Host, Receiver, crc_32, limit_slots, numbers

from whirlbench.rig.toml import example_rig_text, parse_rig
from whirlbench.simulator.device.simulated_port import simulated_device

TESTS = Path(__file__).resolve().parents[1]
FRAMES = json.loads((TESTS / "vectors" / "frames.json").read_text(encoding="utf-8"))["frames"]
STREAMS = json.loads((TESTS / "vectors" / "streams.json").read_text(encoding="utf-8"))["streams"]
STATE, RESULT, REASON = numbers("State"), numbers("Result"), numbers("Reason")
DONE = RESULT["DONE"]
START_CHECKSUM = int(re.findall(r"That of the start values is (0x[0-9A-F]{8})", page_peer.PAGE)[0], 16)


def fields_of(vector: dict) -> dict:
    """Fields of a golden frame; texts are kept in hexadecimal there."""
    kinds = {field: kind for _, kind, field in page_peer.LAYOUTS[vector["message"]].rows}
    fields = vector["fields"]
    return {name: bytes.fromhex(value) if kinds[name].startswith("text") else value for name, value in fields.items()}


@pytest.mark.parametrize("vector", FRAMES, ids=[vector["name"] for vector in FRAMES])
def test_golden_frames_by_the_page(vector: dict) -> None:
    payload = page_peer.write(vector["message"], vector["sequence"], fields_of(vector))
    assert payload.hex() == vector["payload"]
    assert page_peer.frame(payload).hex() == vector["frame"]
    assert Receiver().feed(bytes.fromhex(vector["frame"])) == [payload]
    assert page_peer.read(payload) == (vector["message"], vector["sequence"], fields_of(vector))


@pytest.mark.parametrize("stream", STREAMS, ids=[stream["name"] for stream in STREAMS])
def test_damaged_streams_by_the_page(stream: dict) -> None:
    receiver = Receiver(longest_body=32)  # "a device accepts bodies of up to 32 bytes"
    assert [payload.hex() for payload in receiver.feed(bytes.fromhex(stream["bytes"]))] == stream["payloads"]
    assert receiver.bad == stream["bad"]


def test_the_check_value_and_the_checksum_of_the_table_at_start() -> None:
    assert crc_32(b"123456789") == 0xCBF43926
    table = b"".join(start.to_bytes(4, "little") for _, start in sorted(limit_slots().values()))
    assert crc_32(table) == START_CHECKSUM


LIMITS = {
    "OVERSPEED_TICKS": math.ceil(120e6 / 6000),
    "HEARTBEAT_MS": 250,
    "REST_MS": 300,
    "THROTTLE_SAFE_US": 1000,
    "THROTTLE_MAX_US": 1900,
    "SERVO_MIN_US": 1100,
    "SERVO_MAX_US": 1900,
}


def arm_by_the_page(host: Host) -> None:
    """The arming sequence at the end of section 6."""
    assert host.ask("Identify", protocol=2)["result"] == DONE
    hello = host.latest("Hello")
    assert hello["protocol"] == 2 and hello["state"] == STATE["LOCKED"]
    table = [start for _, start in sorted(limit_slots().values())]
    for name, value in LIMITS.items():
        slot = limit_slots()[name][0]
        assert host.ask("SetLimit", limit=slot, value=value)["result"] == DONE
        table[slot] = value
    assert host.ask("ReadLimits")["result"] == DONE
    limits = host.latest("Limits")
    assert limits["values"] == table
    checksum = crc_32(b"".join(value.to_bytes(4, "little") for value in table))
    assert limits["crc"] == checksum
    host.pass_time(0.4, heartbeat=True)  # REST_MS since the start
    assert host.ask("Throttle", pulse_us=1000)["result"] == DONE
    wrong = host.ask("Arm", limits_crc=checksum ^ 1)
    assert (wrong["result"], wrong["detail"]) == (RESULT["LIMITS_DIFFER"], checksum)
    assert host.ask("Arm", limits_crc=checksum)["result"] == DONE
    host.pass_time(0.05, heartbeat=True)
    assert host.latest("Slow")["state"] == STATE["ARMED"]


def run_by_the_page(host: Host) -> None:
    """Arms, drives, falls silent, and resets."""
    arm_by_the_page(host)
    again = host.ask("Arm", limits_crc=0)
    assert (again["result"], again["detail"]) == (RESULT["WRONG_STATE"], STATE["ARMED"])
    assert host.ask("Throttle", pulse_us=1901)["result"] == RESULT["BAD_VALUE"]
    assert host.ask("Throttle", pulse_us=1180)["result"] == DONE
    for _ in range(10):
        host.pass_time(1.5, heartbeat=True)
        slow = host.latest("Slow")
        if slow["period_ticks"]:
            break
    assert slow["state"] == STATE["TURNING"] and slow["throttle_us"] == 1180 and slow["period_ticks"] > 20_000
    edges = [edge for name, _, fields in host.heard if name == "Tach" for edge in fields["edges_us"]]
    assert 2 * (edges[-1] - edges[-2]) == pytest.approx(slow["period_ticks"], rel=0.05)
    host.pass_time(0.45)
    slow = host.latest("Slow")
    assert (slow["state"], slow["reason"]) == (STATE["TRIPPED"], REASON["HEARTBEAT_LOST"])
    assert slow["throttle_us"] == 1000
    (trip,) = [f for name, _, f in host.heard if name == "DeviceEvent" and f["kind"] == numbers("EventKind")["TRIP"]]
    assert trip["detail"] == pytest.approx(251, abs=10)  # ms of silence
    assert host.ask("Reset")["result"] in (RESULT["NOT_AT_REST"], RESULT["THROTTLE_NOT_SAFE"])
    assert host.ask("Throttle", pulse_us=1000)["result"] == DONE


def test_a_run_by_the_page_on_the_simulated_device() -> None:
    host = Host(simulated_device(example_rig_text(), 3).exchange)
    host.pass_time(0.1)
    assert host.latest("Hello")["limits_crc"] == START_CHECKSUM
    run_by_the_page(host)
    host.pass_time(30.0)
    assert host.ask("Reset")["result"] == DONE
    host.pass_time(0.05)
    assert host.latest("Slow")["state"] == STATE["LOCKED"]
    sequences = [sequence for _, sequence, _ in host.heard]
    assert all((after - before) % 256 == 1 for before, after in itertools.pairwise(sequences))
    assert host.bad == 0


def test_another_version_by_the_page() -> None:
    host = Host(simulated_device(example_rig_text(), 3).exchange)
    host.pass_time(0.1)
    answer = host.ask("Identify", protocol=1)
    assert (answer["result"], answer["detail"]) == (RESULT["WRONG_VERSION"], 2)


def test_a_run_by_the_page_on_the_compiled_sketch() -> None:
    with McuStand("atmega2560", parse_rig(example_rig_text()), seed=1) as stand:

        def exchange(now_s: float, data: bytes) -> bytes:
            stand.write(data)
            stand.run(now_s)
            return stand.read()

        host = Host(exchange)
        host.pass_time(0.2)
        run_by_the_page(host)
    assert host.latest("Hello")["board"] == numbers("Board")["ATMEGA2560"]
    assert host.bad <= 1  # "the first stretch after opening is usually the rest of a frame"
