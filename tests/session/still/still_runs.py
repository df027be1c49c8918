"""A still stand on the simulated device and virtual time."""

from __future__ import annotations

from dataclasses import dataclass

from whirlbench.cli.still.still_port import VirtualTime
from whirlbench.rig.toml import example_rig_text, parse_rig
from whirlbench.session.still import StillLoop, StillStand
from whirlbench.simulator.device.simulated_port import SimulatedPort

RIG_TEXT = (
    example_rig_text()
    .replace("rest_ms = 1000", "rest_ms = 300")
    .replace("lost_tach_ms = 400", "lost_tach_ms = 400\nstuck_servo_deg = 6.0\nsupply_v = 4.5\ncut_current_a = 8.0")
    .replace("heartbeat_ms = 100", "heartbeat_ms = 100\nstart_tach_ms = 500\ncut_proof_ms = 400\nstuck_servo_ms = 100")
)


@dataclass
class StillRun:
    """Loop, stand and port of one simulated stand."""

    loop: StillLoop
    port: SimulatedPort
    time: VirtualTime

    @property
    def stand(self) -> StillStand:
        """The host's side of it."""
        return self.loop.stand


def still_run(rig_text: str = RIG_TEXT, seed: int = 1) -> StillRun:
    """A fresh one."""
    time = VirtualTime()
    port = SimulatedPort(rig_text, seed, clock=time.now)
    return StillRun(StillLoop(StillStand(parse_rig(rig_text)), port, time.now, time.sleep), port, time)
