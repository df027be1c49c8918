"""The examples for those who write their own tools run: against the simulated device, and on a recording."""

from __future__ import annotations

import re
from pathlib import Path
from typing import Any

import pytest
from guide_page import GUIDE, TOP

from whirlbench.link.messages import PROTOCOL_VERSION, Hello, Identify, Slow, State
from whirlbench.recording.files import read_run
from whirlbench.rig.toml import example_rig_text
from whirlbench.simulator.device.simulated_port import simulated_device

PAGE = GUIDE / "wire_and_file.md"
BLOCKS = re.findall(r"^```python\n(.*?)^```", PAGE.read_text(encoding="utf-8"), re.MULTILINE | re.DOTALL)
LONGEST = 16


class Port:
    """A device in lock-step behind what the page asks of a port."""

    def __init__(self) -> None:
        self.device, self.sent = simulated_device(example_rig_text(), 3), b""

    def write(self, data: bytes) -> None:
        self.sent += data

    def read(self, until_s: float) -> bytes:
        data, self.sent = self.device.exchange(until_s, self.sent), b""
        return data


@pytest.fixture(scope="module")
def names() -> dict[str, Any]:
    """What the examples leave behind, in the order of the page."""
    names: dict[str, Any] = {"port": Port()}
    with pytest.MonkeyPatch.context() as patch:
        patch.chdir(TOP)
        for block in BLOCKS:
            exec(compile(block, str(PAGE), "exec"), names)
    return names


def test_slow_samples_come_500_times_a_second_and_the_device_introduces_itself(names: dict[str, Any]) -> None:
    data = names["port"].read(until_s=0.2)
    samples = list(names["slow_samples"](data))
    assert len(samples) == pytest.approx(100, abs=3)
    assert all(rpm == 0 and state == State.LOCKED for _, rpm, _, state in samples)
    assert samples[-1][0] - samples[-2][0] == 2000
    types = [payload[0] for payload in names["payloads"](data)]
    assert types.count(0x01) >= 1


def test_damaged_stretches_are_dropped(names: dict[str, Any]) -> None:
    good = names["frame"](bytes([0x10]) * 8)
    for at in range(len(good) - 1):
        bad = bytearray(good)
        bad[at] ^= 0x41
        assert list(names["payloads"](bytes(bad) + good)) == [bytes([0x10]) * 8]


def test_the_numbers_of_the_page_are_those_of_the_protocol() -> None:
    page = PAGE.read_text(encoding="utf-8")
    assert f"protocol version {PROTOCOL_VERSION}" in page
    assert (Hello.TYPE, Slow.TYPE, Identify.TYPE) == (0x01, 0x10, 0x80)


def test_the_file_tells_what_the_reader_tells(names: dict[str, Any]) -> None:
    run = read_run(TOP / "recordings" / "root_crack.h5")
    assert run.slow.rpm is not None
    assert (names["time_s"] == run.slow.time_s).all() and names["rpm"].max() == run.slow.rpm.max()
    assert names["thrust_unit"] == "N" and names["rig_text"] == run.rig_text
    assert names["turns"] == len(run.tach.time_s) / run.tach.pulses_per_rev


def test_no_example_is_longer_than_it_has_to_be() -> None:
    assert len(BLOCKS) == 4
    assert all(len(block.strip().splitlines()) < LONGEST for block in BLOCKS)


def test_the_page_names_groups_that_are_there() -> None:
    import h5py

    rows = re.findall(r"^\| `.*`.*$", PAGE.read_text(encoding="utf-8"), re.MULTILINE)
    named = re.findall(r"`([a-z_]+)/", "".join(rows))
    with h5py.File(Path(TOP / "recordings" / "root_crack.h5")) as file:
        assert set(named) | {"ending"} == set(file)
