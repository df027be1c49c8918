"""The simulated stand itself, checked with a program that does known things, right and wrong, on both chips."""

from __future__ import annotations

from collections.abc import Iterator

import mcu_build
import numpy as np
import pytest
from mcu import BOARDS, ESC, Mcu, McuStopped


@pytest.fixture(params=list(BOARDS))
def probe(request: pytest.FixtureRequest) -> Iterator[Mcu]:
    with Mcu(request.param, mcu_build.probe(request.param)) as mcu:
        mcu.run(0.001)
        yield mcu


def ask(mcu: Mcu, letters: bytes, for_s: float = 0.001) -> bytes:
    mcu.write(letters)
    mcu.run(mcu.now_s + for_s)
    return mcu.read()


def test_serial_line_runs_at_500_kbaud_and_answers(probe: Mcu) -> None:
    assert ask(probe, b"?") == b"?"
    assert probe.baud == 500_000


def test_bytes_take_their_true_time(probe: Mcu) -> None:
    start_s = probe.now_s
    probe.write(b"i" * 2)
    probe.run(start_s + 0.002)
    data, times_s = probe.read_timed()
    assert data == b"\xe5\xe5"
    # ten bits of 2 us in, ten bits out, and some microseconds of program between
    assert 40e-6 < times_s[0] - start_s < 80e-6


def test_analogue_counts_are_exact(probe: Mcu) -> None:
    for counts in (0, 1, 2, 511, 512, 767, 1022, 1023):
        probe.analogue(1, counts)
        assert ask(probe, b"1") == counts.to_bytes(2, "little")


def test_tach_period_is_exact_to_one_tick(probe: Mcu) -> None:
    for period_s in (0.0015, 0.01, 0.0301237):
        start_s = probe.now_s
        probe.tach_edges([start_s + 0.001, start_s + 0.001 + period_s])
        probe.run(start_s + period_s + 0.002)
        ticks = int.from_bytes(ask(probe, b"t"), "little")
        assert ticks == pytest.approx(period_s * 2e6, abs=1.0)


def test_load_cell_codes_are_exact_at_80_per_second(probe: Mcu) -> None:
    for code in (0, 1, -1, 84_000, -0x800000, 0x7FFFFF):
        probe.load(code)
        probe.run(probe.now_s + 0.07)
        assert ask(probe, b"l") == (code & 0xFFFFFF).to_bytes(3, "big")
    counters = probe.counters
    assert counters["conversions_read"] == 6
    times_s = [time for time, _ in probe.conversions()]
    assert np.diff(times_s) == pytest.approx(1 / 80, abs=1e-6)


def test_a_long_load_cell_clock_puts_the_part_to_sleep_and_is_counted(probe: Mcu) -> None:
    ask(probe, b"z")
    assert probe.counters["load_power_downs"] == 1


def test_accelerometer_gives_its_samples_in_order(probe: Mcu) -> None:
    ask(probe, b"m")
    due_s = probe.samples_due(probe.now_s + 0.02)
    assert np.diff(due_s) == pytest.approx(1 / 800, rel=1e-9)
    probe.samples(np.array([[i, -i, 1000 + i] for i in range(len(due_s))]))
    probe.run(due_s[8] + 0.0005)
    assert ask(probe, b"n", 0.0002) == b"\x09"
    for i in range(3):
        assert ask(probe, b"x", 0.0002) == np.array([i, -i, 1000 + i], "<i2").tobytes()
    assert probe.counters["samples_missing"] + probe.counters["spi_faults"] == 0


def test_a_full_fifo_loses_the_oldest_and_counts_it(probe: Mcu) -> None:
    ask(probe, b"m")
    due_s = probe.samples_due(probe.now_s + 0.05)
    probe.samples(np.repeat(np.arange(len(due_s)), 3).reshape(-1, 3))
    probe.run(probe.now_s + 0.05)
    assert probe.counters["samples_lost"] == len(due_s) - 32
    assert ask(probe, b"x", 0.0002)[:2] == (len(due_s) - 32).to_bytes(2, "little")


def test_a_deaf_program_loses_bytes_as_on_silicon(probe: Mcu) -> None:
    ask(probe, b"d" + b"?" * 10, 0.002)
    counters = probe.counters
    # 200 us are ten byte times: three bytes find room, the others do not
    assert counters["receive_full"] == 1
    assert 5 <= counters["receive_lost"] <= 8


def test_writing_to_a_full_transmitter_is_counted(probe: Mcu) -> None:
    ask(probe, b"o")
    assert probe.counters["transmit_overwritten"] == 2


def test_a_pulse_is_measured_and_a_stray_one_is_filtered_and_counted(probe: Mcu) -> None:
    ask(probe, b"ps", 0.004)
    assert probe.width_us(ESC) == pytest.approx(1500, abs=1)
    assert [pulse.stray for pulse in probe.pulses] == [False, True]
    counters = probe.counters
    assert counters["stray_pulses"] == 1
    assert counters["longest_stray_cycles"] / 16 == pytest.approx(30, abs=1)


def test_the_watchdog_restarts_the_program_and_leaves_its_flag(probe: Mcu) -> None:
    assert ask(probe, b"c") == b"\x01"
    probe.write(b"w")
    probe.run(probe.now_s + 0.05)
    assert probe.counters["resets"] == 1
    assert ask(probe, b"c") == b"\x08"


def test_a_brown_out_leaves_its_flag(probe: Mcu) -> None:
    probe.reset(4)
    probe.run(probe.now_s + 0.001)
    assert ask(probe, b"c") == b"\x04"


def test_a_file_that_is_no_program_is_refused_by_name() -> None:
    with pytest.raises(McuStopped, match="mcu_build"):
        Mcu("atmega2560", mcu_build.HERE / "mcu_build.py")


def test_a_missing_tool_is_told_with_the_packages_that_bring_it(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("PATH", "/nowhere")
    with pytest.raises(RuntimeError, match="avr-gcc not found: apt-get install .*gcc-avr.*libsimavr-dev"):
        mcu_build.probe("atmega2560")
