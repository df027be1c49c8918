"""The compiled sketch on a simulated stand: the real binary in lock-step with the plant.

From Python: ``with McuStand(board, rig, seed) as stand: stand.write(...); stand.run(until_s); stand.read()``.
As a program it offers the chip's serial line as a pseudo-terminal, paced to real time:

    python tests/firmware/mcu_stand.py --board atmega2560 --rig RIG.toml

It prints ``port PATH`` once the chip runs, ends on Ctrl-C, SIGTERM or after ``--duration-s``, and then prints one line
``counters {...}``: what was lost or filtered on the stand's side. With ``--follow-stdin`` it ends with its input, and
each line of that is a deed of somebody's hands at the stand: "card", "tap", "unplug CHANNEL", "reset", or "let go".
With ``--clock FILE`` it tells its own time in that file, for hosts that shall keep step with a chip that lags.
"""

from __future__ import annotations

import argparse
import json
import math
import mmap
import os
import select
import signal
import struct
import time
from collections.abc import Callable
from pathlib import Path
from typing import Protocol

import build
import numpy as np
from mcu import BOARDS, CLOCK_HZ, ESC, SERVO, Mcu
from mcu_terminal import Terminal

from whirlbench.link.messages import Restart
from whirlbench.rig.description import Rig
from whirlbench.rig.toml import example_rig_text, parse_rig, read_rig
from whirlbench.simulator.device.hands import STALL_SAG_MV, Hands
from whirlbench.simulator.stand import Fault, Plant, PlantSettings, PlantState, Transducers

SLICE_S = 0.002  # the pulses of one slice act on the plant in the next: less than one frame of the speed controller
LET_GO = "let go"
START_CYCLES = CLOCK_HZ // 4000
SUPPLY_MV = 5000
ADC_INPUTS = (("current_a", "current_a"), ("voltage_v", "voltage_v"), ("pitch_deg", "pitch_deg"))
CLOCK_BEGINS_S = 1000.0  # a clock at nought is easily taken for none
MOST_LAG_S = 0.01  # further behind real time, the lost time is given up: a burst would look like a silent host


class Sensors(Protocol):
    """What turns the plant's truth into counts; ``whirlbench.simulator.stand.transducers.Transducers`` is one."""

    def counts(self, name: str, values: np.ndarray) -> np.ndarray: ...

    def vibration_counts(self, acceleration_g: np.ndarray) -> np.ndarray: ...

    def tach_times_s(self, edges_s: np.ndarray) -> np.ndarray: ...


class Rotor(Protocol):
    """What the stand asks of a plant; ``whirlbench.simulator.stand.plant.Plant`` is one."""

    @property
    def state(self) -> PlantState: ...

    def advance(self, to_s: float, throttle_us: float, servo_us: float) -> None: ...

    def take_edges(self) -> list[float]: ...

    def acceleration_g(self, times_s: np.ndarray) -> np.ndarray: ...


class McuStand:
    """A board with a sketch on it, wired to a plant; also a port: ``read``, ``write``, ``close``.

    ``board``: "atmega2560" or "atmega328p". ``rig``: its calibrations make counts of truth. ``seed``: of all chance.
    ``plant``, ``sensors``: instead of those made from ``rig``. ``elf``: instead of the sketch of this checkout.
    ``slice_s``: whole milliseconds between two meetings of chip and plant; longer is faster.
    """

    def __init__(
        self,
        board: str = "atmega2560",
        rig: Rig | None = None,
        seed: int = 0,
        plant: Rotor | None = None,
        sensors: Sensors | None = None,
        faults: tuple[Fault, ...] = (),
        elf: Path | None = None,
        slice_s: float = SLICE_S,
    ) -> None:
        self.rig = rig or parse_rig(example_rig_text(), "the example rig")
        plant_rng, sensor_rng = np.random.default_rng(seed).spawn(2)
        self.plant = plant or Plant(PlantSettings.from_rig(self.rig), plant_rng, faults)
        self.mcu = Mcu(board, elf or sketch_elf(board))
        self.hands = Hands()
        self._supply_mv = SUPPLY_MV
        self._sensors = sensors or Transducers(self.rig, sensor_rng)
        self._slice_s = slice_s
        self._slice_cycles = round(slice_s * CLOCK_HZ)
        self._slices = 0  # laid out for the chip
        self._shaken = False

    @property
    def now_s(self) -> float:
        """Simulated time since power-on."""
        return self.mcu.now_s

    @property
    def counters(self) -> dict[str, int]:
        """What happened and what was lost outside the chip; names as in ``mcu/stand.h``."""
        return self.mcu.counters

    def run(self, until_s: float) -> None:
        """Runs chip and plant up to ``until_s``."""
        end = round(until_s * CLOCK_HZ)  # in whole cycles, so that no rounding keeps two times from meeting
        while self.mcu.cycle < end:
            if self.mcu.cycle >= self._slices * self._slice_cycles:
                self._prepare_slice()
            self.mcu.run_to(min(end, self._slices * self._slice_cycles, self._start_cycle()))
            if not self._shaken:
                self._present_samples()

    def write(self, data: bytes) -> None:
        """Bytes to the chip, on the line from now on."""
        self.mcu.write(data)

    def read(self) -> bytes:
        """Bytes from the chip that have arrived since the last call."""
        return self.mcu.read()

    def exchange(self, now_s: float, data: bytes) -> bytes:
        """Device of a lock-step session: takes ``data``, runs up to ``now_s``, returns what was sent meanwhile."""
        self.write(data)
        self.run(now_s)
        return self.read()

    def close(self) -> None:
        """Frees the chip."""
        self.mcu.close()

    def __enter__(self) -> McuStand:
        return self

    def __exit__(self, *_: object) -> None:
        self.close()

    def _start_cycle(self) -> int:
        """Until the program has set the accelerometer going, no step is longer than its shortest period."""
        return self.mcu.cycle + (START_CYCLES if not self._shaken else self._slice_cycles)

    @property
    def _horizon_s(self) -> float:
        return self._slices * self._slice_s

    def _prepare_slice(self) -> None:
        """Moves the plant to the end of the next slice and lays out for the chip what it will see until then."""
        self._slices += 1
        self.plant.advance(self._horizon_s, self.mcu.width_us(ESC), self.mcu.width_us(SERVO))
        state = self.plant.state
        if state.supply_down:
            self.mcu.reset(Restart.BROWN_OUT)  # again in every slice: the chip gets nowhere while its supply is low
        elif self.hands.reset:
            self.hands.reset = False
            self.mcu.reset(Restart.EXTERNAL)
        edges = [*self.plant.take_edges(), *self.hands.edges_s(self._horizon_s - self._slice_s, self._horizon_s)]
        self.mcu.tach_edges(np.maximum.accumulate(self._sensors.tach_times_s(np.array(sorted(edges)))))
        self._present_counts(state)
        self._present_supply()
        self._present_samples()

    def _present_counts(self, state: PlantState) -> None:
        for channel, (name, attribute) in enumerate(ADC_INPUTS):
            if name == "pitch_deg" and not self.rig.pitch.feedback:
                continue
            value = self.plant.servo.arm_deg if attribute == "pitch_deg" and isinstance(self.plant, Plant) else None
            true_value = getattr(state, attribute) if value is None else value
            self.mcu.analogue(channel, self.hands.count(name, true_value, self._counts))
        self.mcu.load(self.hands.count("thrust_n", state.thrust_n, self._counts))

    def _present_supply(self) -> None:
        """The chip's supply, which sags while the servo pushes against a stop."""
        stalled = isinstance(self.plant, Plant) and self.plant.servo.stalled and self.mcu.width_us(SERVO) > 0.0
        own_mv = SUPPLY_MV - STALL_SAG_MV * stalled
        supply_mv = own_mv if self.hands.supply_mv is None else self.hands.supply_mv
        if supply_mv != self._supply_mv:
            self.mcu.supply(supply_mv)
            self._supply_mv = supply_mv

    def _counts(self, name: str, value: float) -> int:
        return int(self._sensors.counts(name, np.asarray(value)))

    def _present_samples(self) -> None:
        due_s = self.mcu.samples_due(self._horizon_s)
        if not len(due_s):
            return
        if not self._shaken:
            self._show_rate(due_s)
        self.mcu.samples(self._sensors.vibration_counts(self.hands.shaken_g(self.plant.acceleration_g(due_s))))

    def _show_rate(self, due_s: np.ndarray) -> None:
        """The plant learns the sample rate from its first call, which needs two times: ask for two that nobody uses."""
        further_s = self.mcu.samples_due(self._horizon_s + 0.1)
        period_s = further_s[1] - further_s[0]
        self.plant.acceleration_g(due_s[0] - period_s * np.array([2.0, 1.0]))
        self._shaken = True


def sketch_elf(board: str) -> Path:
    """The sketch of this checkout, compiled for ``board``."""
    return build.sketch(board)


def told_in(path: Path | None) -> Callable[[float], None]:
    """What tells the chip's time in the file at ``path``, 8 bytes of a double; without one it is kept for itself."""
    if path is None:
        return lambda now_s: None
    with path.open("a+b") as file:
        file.truncate(8)  # in place: a host may be looking at it already
        told = mmap.mmap(file.fileno(), 8)

    def tell(now_s: float) -> None:
        told[:] = struct.pack("d", CLOCK_BEGINS_S + now_s)  # at one stroke: ``pack_into`` writes zeros first

    return tell


def serve(
    stand: McuStand, terminal: Terminal, ended: Callable[[], bool], speed: float, tell: Callable[[float], None]
) -> None:
    """Runs ``stand`` behind ``terminal`` until ``ended``; ``speed`` 1 is real time, 0 as fast as it goes.

    ``tell`` is told the chip's time when what it sent until then is on the line.
    """
    began_s = time.monotonic()
    while not ended():
        stand.write(terminal.receive())
        stand.run(stand.now_s + SLICE_S)
        terminal.send(stand.read())
        tell(stand.now_s)
        if speed:
            ahead_s = began_s + stand.now_s / speed - time.monotonic()
            if ahead_s > 0:
                time.sleep(ahead_s)
            elif ahead_s < -MOST_LAG_S:
                began_s -= ahead_s


class Operator:
    """Whoever started this process, heard on standard input: a line is a deed of ``hands``."""

    def __init__(self, hands: Hands) -> None:
        self._hands, self._begun = hands, b""

    def gone(self) -> bool:
        """Does what was told; whether the input has ended, however that came about."""
        if not select.select([0], [], [], 0)[0]:
            return False
        data = os.read(0, 4096)
        *lines, self._begun = (self._begun + data).split(b"\n")
        for line in lines:
            deed = line.decode()
            self._hands.let_go() if deed == LET_GO else self._hands.act(deed)
        return not data


def _arguments() -> argparse.Namespace:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--board", choices=list(BOARDS), default="atmega2560")
    parser.add_argument("--rig", help="rig file; the shipped example when absent")
    parser.add_argument("--random-seed", type=int, default=0)
    parser.add_argument("--speed", type=float, default=1.0, help="times real time; 0: as fast as it goes")
    parser.add_argument("--duration-s", type=float, default=math.inf, help="simulated seconds, then end")
    parser.add_argument("--elf", type=Path, help="another binary than this checkout's sketch")
    parser.add_argument("--clock", type=Path, metavar="FILE", help="where the chip's time is told")
    parser.add_argument("--follow-stdin", action="store_true", help="end when standard input ends")
    return parser.parse_args()


def main() -> None:
    """The program described at the top."""
    options = _arguments()
    signalled: list[int] = []
    for number in (signal.SIGTERM, signal.SIGINT):
        signal.signal(number, lambda caught, _: signalled.append(caught))
    rig = read_rig(options.rig)[0] if options.rig else None
    tell = told_in(options.clock)
    with McuStand(options.board, rig, options.random_seed, elf=options.elf) as stand, Terminal() as terminal:
        print(f"port {terminal.path}", flush=True)

        operator = Operator(stand.hands)

        def ended() -> bool:
            return bool(signalled) or stand.now_s >= options.duration_s or (options.follow_stdin and operator.gone())

        serve(stand, terminal, ended, options.speed, tell)
        print("counters", json.dumps({**stand.counters, **terminal.counters}), flush=True)


if __name__ == "__main__":
    main()
