"""What a PORT on the command line stands for: a serial port, or the simulated stand."""

from __future__ import annotations

import functools
from collections.abc import Callable

from whirlbench.session.process import Port

SIMULATED = "simulated"


def port_opener(name: str, rig_text: str, seed: int) -> Callable[[], Port]:
    """Picklable function that opens port ``name`` in whatever process calls it.

    ``simulated`` is a stand made from ``rig_text``, everything left to chance from ``seed``.
    """
    if name == SIMULATED:
        from whirlbench.simulator.device.simulated_port import open_simulated

        return functools.partial(open_simulated, rig_text, seed)
    from whirlbench.link.port import SerialPort

    return functools.partial(SerialPort, name)


def origin(name: str) -> str:
    """Where the data comes from, as written into a recording."""
    return "simulated stand" if name == SIMULATED else f"device on {name}"
