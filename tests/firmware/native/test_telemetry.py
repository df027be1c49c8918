"""The sketch's sending side: numbering, dropping, batches of edges, blocks of samples."""

from __future__ import annotations

from collections.abc import Iterator

import native_core
import numpy as np
import pytest

from whirlbench.link.framing import Unframer
from whirlbench.link.messages import Ack, Board, Message, Restart, Slow, Tach, Throttle, Vibration, encode

RESERVE = 64  # messages::RESERVE
SLOW_FRAME = 32 + 4 + 2
ACK_FRAME = 9 + 4 + 2


class Batch(native_core.Handle):
    NAME = "batch"


class Block(native_core.Handle):
    NAME = "block"


@pytest.fixture
def machine() -> Iterator[native_core.Machine]:
    made = native_core.Machine(Board.ATMEGA328P, Restart.POWER_ON, 1600, 3, False, 0, 1000)
    yield made


def sent(machine: native_core.Machine) -> list[Message]:
    return Unframer().feed(machine.take())


def test_frames_are_numbered_and_a_dropped_one_leaves_a_gap(machine: native_core.Machine) -> None:
    unframer = Unframer()
    for tick in range(300):
        machine.call("set_room", 0 if tick in (10, 11, 299) else 255)
        machine.call("tick", 2000 * tick, 1, 2, 3, 4, 5000, 6)
        unframer.feed(machine.take())
    assert unframer.counters.good == 297
    assert unframer.counters.lost == 2  # the last one cannot be missed yet
    assert machine.call("dropped") == 3


def test_telemetry_leaves_room_for_answers(machine: native_core.Machine) -> None:
    machine.call("set_room", SLOW_FRAME + RESERVE - 1)
    machine.call("tick", 0, 1, 2, 3, 4, 5000, 6)
    assert sent(machine) == []
    machine.receive(encode(Throttle(1000), 7), 0)
    assert [type(message) for message in sent(machine)] == [Ack]
    machine.call("set_room", SLOW_FRAME + RESERVE)
    machine.call("tick", 0, 1, 2, 3, 4, 5000, 6)
    assert [type(message) for message in sent(machine)] == [Slow]


def test_an_answer_that_finds_no_room_is_dropped_whole(machine: native_core.Machine) -> None:
    machine.call("set_room", ACK_FRAME - 1)
    machine.receive(encode(Throttle(1000), 7), 0)
    assert machine.take() == b""
    assert machine.call("dropped") == 1


def test_sixteen_edges_make_a_batch(machine: native_core.Machine) -> None:
    batch = Batch()
    for edge in range(35):
        batch.call("add", machine._pointer, 7000 * edge, edge % 3 == 0, 7000 * edge)
    batches = sent(machine)
    assert [len(message.edges_us) for message in batches] == [16, 16]
    assert [message.first_index for message in batches] == [0, 16]
    assert batches[1].edges_us == tuple(7000 * edge for edge in range(16, 32))
    halves = [edge for edge in range(16) if batches[1].half_us >> edge & 1]
    assert halves == [2, 5, 8, 11, 14]  # edges 18, 21, ...


def test_fewer_edges_wait_for_20_ms_and_no_longer(machine: native_core.Machine) -> None:
    batch, start = Batch(), 2**32 - 10_000  # the clock wraps meanwhile
    batch.call("add", machine._pointer, start, 0, start)
    batch.call("flush_when_due", machine._pointer, 9_999)
    assert sent(machine) == []
    batch.call("flush_when_due", machine._pointer, 10_000)
    assert sent(machine) == [Tach(0, 0, (start,))]


def test_lost_edges_show_as_a_jump_of_the_running_number(machine: native_core.Machine) -> None:
    batch = Batch()
    for edge in range(3):
        batch.call("add", machine._pointer, edge, 0, 0)
    batch.call("skip", machine._pointer, 5)
    batch.call("add", machine._pointer, 100, 0, 0)
    batch.call("flush_when_due", machine._pointer, 30_000)
    assert [(message.first_index, message.edges_us) for message in sent(machine)] == [(0, (0, 1, 2)), (8, (100,))]


def samples(first: int, count: int) -> np.ndarray:
    return np.arange(3 * count).reshape(count, 3) - 100 + first


def test_sixteen_samples_make_a_block_and_a_jump_ends_one_early(machine: native_core.Machine) -> None:
    block, data = Block(), samples(0, 40)
    indices = [*range(20), *range(30, 50)]
    for index, sample in zip(indices, data, strict=True):
        counts = [int(value) for value in sample]
        block.call("add", machine._pointer, index, 625 * index, 625_123, counts)
    blocks = [message for message in sent(machine) if isinstance(message, Vibration)]
    assert [(b.first_index, len(b.counts) // 6, b.time_us, b.period_ns, b.axes) for b in blocks] == [
        (0, 16, 0, 625_123, 3),
        (16, 4, 10_000, 625_123, 3),
        (30, 16, 18_750, 625_123, 3),
    ]
    got = np.frombuffer(b"".join(b.counts for b in blocks), dtype="<i2").reshape(-1, 3)
    assert np.array_equal(got, data[:36])
