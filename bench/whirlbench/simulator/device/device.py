"""A device on a simulated stand that speaks the wire protocol: bytes in, bytes out, time as an argument.

What the microcontroller decides is in ``machine``; here it is joined to plant and sensors, in steps of a millisecond.
"""

from __future__ import annotations

import math
import zlib

import numpy as np

from whirlbench.link.limit_table import LimitId
from whirlbench.link.messages import Counters, EventKind, Reason, Restart
from whirlbench.rig.description import Rig
from whirlbench.safety.tach_marks import TachMarks
from whirlbench.simulator.device.hands import STALL_SAG_MV, Hands
from whirlbench.simulator.device.machine import DeviceMachine, Identity, Readings, receive
from whirlbench.simulator.device.receiver import Receiver
from whirlbench.simulator.device.telemetry import U32, VIBRATION_BLOCK, TachBatch, vibration_block
from whirlbench.simulator.stand import CalibrationErrors, Plant, StateHistory, Transducers

LOOP_US = 1_000
TICK_LOOPS = 2
SECOND_US = 1_000_000
SLOW_RATE_HZ = 500
LOAD_CELL_HZ = 80
HALVES_PER_S = 2_000_000
NOT_FITTED = 0xFFFF
SUPPLY_MV = 5_000
FREE_RAM_BYTES = 0xFFFF  # as much as the field holds: memory is no question here


class SimulatedDevice:
    """The device of a simulated stand. Only one at a time may drive a ``plant``.

    ``rig``: what sensors and their calibrations are. ``rng``: noise of the sensors; ``errors``: how wrong the rig's
    calibrations are. ``clock_us``: what its clock shows now, of a board that has been on for a while; a restart begins
    anew.
    """

    def __init__(
        self,
        rig: Rig,
        plant: Plant,
        rng: np.random.Generator,
        errors: CalibrationErrors | None = None,
        clock_us: int = 0,
    ) -> None:
        self.plant = plant
        self.hands = Hands()
        self._age_us = clock_us
        self._rig = rig
        self._transducers = Transducers(rig, rng, errors)
        self._loop = round(plant.time_s * 1e6) // LOOP_US
        self._kept_us = 0  # a new board has never been told its safe pulse
        self.machine = self._start(Restart.POWER_ON, unexpected=False)

    @property
    def now_us(self) -> int:
        """The device's own clock: whole microseconds since it last started, not wrapped."""
        return self._loop * LOOP_US - self._start_us

    def exchange(self, now_s: float, data: bytes) -> bytes:
        """Runs up to ``now_s`` (of the plant's clock), then takes ``data`` from the host; what was sent meanwhile.

        A ``now_s`` before the last one only takes the data. Lock-step use: call with even steps, each time with what
        the host wrote after the call before.
        """
        last = math.floor(now_s * 1e6 / LOOP_US + 1e-6)
        sent = []
        while self._loop < last:
            self._loop += 1
            sent.append(self._run_loop())
        if not self._down:
            for payload in self._received.feed(data):
                receive(self.machine, payload, self.now_us)
            sent.append(self.machine.sender.take())
        return b"".join(sent)

    def _start(self, cause: Restart, unexpected: bool) -> DeviceMachine:
        """Power on, or again after a dip: everything the device knew is gone."""
        self._start_us = self._loop * LOOP_US - self._age_us
        self._down = False
        self._batch = TachBatch()
        self._readings = Readings()
        self._last_half: int | None = None
        self._marks = TachMarks(1)
        self._load_conversions, self._load_reported = -1, 0  # the first reading is there at once
        self._block = 0
        self._received = Receiver()
        rate_hz = self._rig.vibration.rate_hz
        self._sample_origin_s = self._loop * LOOP_US / 1e6
        ug_per_count = round(1e6 * self._rig.vibration.g_per_count)
        identity = Identity(cause, SLOW_RATE_HZ, rate_hz, BUILD_ID, ug_per_count)
        machine = DeviceMachine(identity, unexpected, self._kept_us)
        machine.sender.end_cut_frame()
        if unexpected:
            machine.announce(EventKind.RESTARTED, cause, self.now_us)
        return machine

    def _run_loop(self) -> bytes:
        """One millisecond: plant, sensors, rules, telemetry."""
        machine, plant = self.machine, self.plant
        powered = not self._down
        servo_us = machine.servo_us if powered and machine.servo_us else plant.servo.position_us
        plant.advance(self._loop * LOOP_US / 1e6, machine.throttle_us if powered else 0.0, servo_us)
        if plant.effects.supply_down:
            self._down = True
            plant.take_edges()
            return b""
        if self._down:
            machine = self._start_again(Restart.BROWN_OUT, unexpected=True)
        elif self.hands.reset:
            self.hands.reset = False
            machine = self._start_again(Restart.EXTERNAL, machine.driving or machine.reason != Reason.NONE)
        self._take_edges()
        self._take_samples()
        now_us = self.now_us
        machine.watch(now_us)
        if self._loop % TICK_LOOPS == 0:
            self._read_slow_channels()
            machine.tick(now_us, self._readings)
        self._batch.flush_when_due(machine.sender, now_us)
        if now_us % SECOND_US == 0 and now_us:
            self._count()
        return machine.sender.take()

    def _start_again(self, cause: Restart, unexpected: bool) -> DeviceMachine:
        self._kept_us, self._age_us = self.machine.safe_us, 0
        self.machine = self._start(cause, unexpected)
        return self.machine

    def _take_edges(self) -> None:
        edges = self.plant.take_edges()
        if self.hands.card_rpm:
            edges += self.hands.edges_s((self._loop - 1) * LOOP_US / 1e6, self._loop * LOOP_US / 1e6)
        if not edges:
            return
        for seen_s in self._transducers.tach_times_s(np.array(edges)).tolist():
            half = round((seen_s - self._start_us / 1e6) * HALVES_PER_S)
            if half < 0 or (self._last_half is not None and half <= self._last_half):
                continue  # before this start of the device
            self._take_edge(half)
            self._last_half = half
            self._batch.add(self.machine.sender, half, self.now_us)

    def _take_edge(self, half: int) -> None:
        """The sketch's tach interrupt; what it knows of the marks begins anew at rest, or when their number changes."""
        machine, known = self.machine, self._last_half is not None and not self.machine.at_rest
        per_turn = machine.limits[LimitId.PULSES_PER_REV]
        if self._marks.per_turn != per_turn:
            self._marks = TachMarks(per_turn)
        if not known:
            self._marks.forget()
        is_mark = self._marks.feed(half)
        since = half - self._last_half if known and self._last_half is not None else 0
        machine.saw_edge(half >> 1, since, self._marks.turn_ticks, is_mark)

    def _take_samples(self) -> None:
        """A block of vibration as soon as its last sample is due."""
        rate_hz = self._rig.vibration.rate_hz
        first = self._block * VIBRATION_BLOCK
        if self.now_us - self._age_us < (first + VIBRATION_BLOCK) * 1e6 / rate_hz:
            return
        times_s = self._sample_origin_s + (first + np.arange(VIBRATION_BLOCK)) / rate_hz
        counts = self._transducers.vibration_counts(self.hands.shaken_g(self.plant.acceleration_g(times_s)))
        self.machine.saw_samples(first, counts, self.now_us)
        time_us = self._age_us + round(first * 1e6 / rate_hz)
        self.machine.sender.send(vibration_block(first, time_us, rate_hz, counts.astype("<i2").tobytes()))
        self._block += 1

    def _read_slow_channels(self) -> None:
        row, readings, hands = self.plant.history.last, self._readings, self.hands
        counted = self._transducers.count
        readings.current_counts = hands.count("current_a", row[StateHistory.CURRENT], counted)
        readings.voltage_counts = hands.count("voltage_v", row[StateHistory.VOLTAGE], counted)
        if self._rig.pitch.feedback:
            readings.servo_counts = hands.count("pitch_deg", self.plant.servo.arm_deg, counted)
        conversions = self.now_us * LOAD_CELL_HZ // SECOND_US
        sag_mv = STALL_SAG_MV if self.plant.servo.stalled and self.machine.servo_us else 0
        readings.supply_mv = hands.supply_mv if hands.supply_mv is not None else SUPPLY_MV - sag_mv
        readings.load_age_ms = (self.now_us - conversions * SECOND_US // LOAD_CELL_HZ) // 1000
        if conversions > self._load_conversions:
            self._load_conversions = conversions
            readings.load_counts = hands.count("thrust_n", row[StateHistory.THRUST], counted)

    def _count(self) -> None:
        """Losses of the last second; nothing is ever lost here but what arrives damaged."""
        machine = self.machine
        readings = self._load_conversions - self._load_reported
        self._load_reported = self._load_conversions
        machine.sender.send(
            Counters(
                time_us=self.now_us & U32,
                telemetry_dropped=0,
                bad_frames=self._received.bad_frames,
                receive_overruns=0,
                accelerometer_overruns=0,
                tach_overruns=0,
                tach_missed=self._marks.missed & 0xFFFF,
                tach_extra=self._marks.extra & 0xFFFF,
                load_cell_readings=readings,
                longest_loop_us=LOOP_US,
                free_ram_bytes=FREE_RAM_BYTES,
            )
        )


BUILD_ID = zlib.crc32(b"simulated stand, protocol twin of the sketch")
