"""From decoded messages to records and batches in run time: device clock and calibration are applied here.

Run time counts from the first sample of the device's own clock. Samples that do not come later than what is already
recorded (a repeated frame, a clock that stepped back) are dropped and counted.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field
from operator import attrgetter

import numpy as np

from whirlbench.calibration.channels import SlowCalibration
from whirlbench.link.conversation import Restarted
from whirlbench.link.device_clock import US_PER_S, DeviceClock
from whirlbench.link.messages import Counters, DeviceEvent, Message, Slow, Tach, Vibration
from whirlbench.rig.description import Rig
from whirlbench.safety.host_rules import Batch, VibrationBlock
from whirlbench.session.engine.actions import CountersRecord, Record, SlowRecord, TachRecord, VibrationRecord

# wire field of Slow -> channel it becomes
FIELDS = {
    "rpm": "period_ticks",
    "current_a": "current_counts",
    "voltage_v": "voltage_counts",
    "thrust_n": "load_counts",
    "pitch_deg": "servo_counts",
    "throttle_us": "throttle_us",
    "servo_us": "servo_us",
    "speed_request_rpm": "request_rpm",
}
_fields = attrgetter(*FIELDS.values())

Mark = tuple[int, int, int]  # begin of the run, latest time, what is added to the raw counter; us of the device's clock


@dataclass(frozen=True)
class DatedEvent:
    """A device event with its run time."""

    time_s: float
    event: DeviceEvent


@dataclass(frozen=True)
class DatedSlow:
    """A slow message with its run time."""

    time_s: float
    slow: Slow


@dataclass
class Heard:
    """What one turn of the loop brought."""

    records: list[Record] = field(default_factory=list)
    batch: Batch = field(default_factory=Batch)
    slow: list[DatedSlow] = field(default_factory=list)
    told: list[DatedSlow | DatedEvent] = field(default_factory=list)  # what tells of the stand, as it was sent
    restarts: int = 0


class Telemetry:
    """Keeps clock, calibration and the latest values of one device."""

    def __init__(self, rig: Rig) -> None:
        self.calibration = SlowCalibration(rig)
        self.latest: dict[str, float] = {}
        self.stale = 0  # samples dropped for their time
        self.time_s = 0.0  # run time of the latest sample
        self._g_per_count = rig.vibration.g_per_count
        self._clock = DeviceClock()
        self._epoch_us: int | None = None
        self._slow_s, self._edge_s, self._vibration_s = -np.inf, -np.inf, -np.inf
        self._heard_at_s: float | None = None

    def mark(self) -> Mark | None:
        """Where the device's clock stands, for whoever has to go on after this one; None before the first sample."""
        clock = self._clock.mark
        return None if clock is None or self._epoch_us is None else (self._epoch_us, *clock)

    def resume(self, mark: Mark) -> None:
        """Goes on where another one left its ``mark``: the same run time, nothing older is taken."""
        self._epoch_us = mark[0]
        self._clock.resume(mark[1:])
        self.time_s = (mark[1] - mark[0]) / US_PER_S
        self._slow_s = self._edge_s = self._vibration_s = self.time_s

    def runs_behind(self, message: Slow) -> bool:
        """Whether a sample's time lies before what was heard last: the device began to count anew."""
        return self._clock.runs_behind(message.time_us)

    def take(self, messages: Sequence[Message], now_s: float) -> Heard:
        """Sorts ``messages`` out; ``now_s`` only measures the pause of a restart."""
        heard = Heard()
        edges: list[np.ndarray] = []
        blocks: list[VibrationBlock] = []
        for message in messages:
            if isinstance(message, Slow):
                self._take_slow(message, heard)
            elif isinstance(message, Vibration):
                self._take_vibration(message, heard, blocks)
            elif isinstance(message, Tach):
                self._take_tach(message, edges)
            elif isinstance(message, DeviceEvent):
                heard.told.append(DatedEvent(self._run_s(message.time_us), message))
            elif isinstance(message, Counters):
                heard.records.append(self._counters(message))
            elif isinstance(message, Restarted):
                self._restart(now_s, heard)
        if messages:
            self._heard_at_s = now_s
        self._gather(heard, edges, blocks)
        return heard

    def _run_s(self, time_us: int) -> float:
        endless_us = self._clock.unwrap(time_us)
        if self._epoch_us is None:
            self._epoch_us = endless_us
        return (endless_us - self._epoch_us) / US_PER_S

    def _take_slow(self, message: Slow, heard: Heard) -> None:
        time_s = self._run_s(message.time_us)
        if time_s <= self._slow_s:
            self.stale += 1
            return
        self._slow_s = self.time_s = time_s
        dated = DatedSlow(time_s, message)
        heard.slow.append(dated)
        heard.told.append(dated)

    def _take_tach(self, message: Tach, edges: list[np.ndarray]) -> None:
        if not message.edges_us:
            return
        self._run_s(message.edges_us[0])
        times_s = self._clock.edges_s(message) - (self._epoch_us or 0) / US_PER_S
        fresh = times_s[times_s > self._edge_s]
        self.stale += len(times_s) - len(fresh)
        if len(fresh):
            self._edge_s = float(fresh[-1])
            edges.append(fresh)

    def _take_vibration(self, message: Vibration, heard: Heard, blocks: list[VibrationBlock]) -> None:
        counts = np.frombuffer(message.counts, dtype="<i2").reshape(-1, max(message.axes, 1))
        first_s, period_s = self._run_s(message.time_us), message.period_ns * 1e-9
        if not len(counts) or first_s <= self._vibration_s:
            self.stale += len(counts)
            return
        times_s = first_s + period_s * np.arange(len(counts))
        self._vibration_s = float(times_s[-1])
        known = {self._g_per_count: counts.astype(np.int64)}
        blocks.append(VibrationBlock(message.first_index, times_s, counts * self._g_per_count, known))
        heard.records.append(VibrationRecord(first_s, period_s, message.first_index, counts))

    def _counters(self, message: Counters) -> CountersRecord:
        time_s = self._run_s(message.time_us)
        names = (name for name in message.__struct_fields__ if name != "time_us")
        return CountersRecord(time_s, {name: getattr(message, name) for name in names})

    def _restart(self, now_s: float, heard: Heard) -> None:
        heard.restarts += 1
        pause_s = now_s - self._heard_at_s if self._heard_at_s is not None else 0.0
        self._clock.restart(max(1, int(pause_s * US_PER_S)))

    def _gather(self, heard: Heard, edges: list[np.ndarray], blocks: list[VibrationBlock]) -> None:
        edges_s = np.concatenate(edges) if edges else np.empty(0)
        if len(edges_s):
            heard.records.append(TachRecord(edges_s))
        load_cell = tuple(
            (record.time_s, record.values["load_cell_readings"])
            for record in heard.records
            if isinstance(record, CountersRecord)
        )
        if not heard.slow:
            heard.batch = Batch(edges_s=edges_s, vibration=tuple(blocks), load_cell=load_cell)
            return
        time_s = np.array([dated.time_s for dated in heard.slow])
        counts = dict(zip(FIELDS, np.array([_fields(dated.slow) for dated in heard.slow]).T, strict=True))
        values = self.calibration.values(counts)
        self.latest = {name: float(column[-1]) for name, column in values.items()}
        heard.records.append(SlowRecord(time_s, values, counts))
        heard.batch = Batch(time_s, values, edges_s, tuple(blocks), load_cell)
