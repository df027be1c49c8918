"""Every declared single fault leaves the compiled sketch as declared, and within its time."""

from __future__ import annotations

import sys
from pathlib import Path

import pytest

sys.path.insert(0, str(Path(__file__).parent))

from device_faults import FAULTS, DeviceFault

CASES = [(fault, board) for fault in FAULTS for board in fault.boards[:1]]


@pytest.mark.parametrize(("fault", "board"), CASES, ids=[f"{fault.name} ({board})" for fault, board in CASES])
def test_a_fault_leaves_the_device_as_declared(fault: DeviceFault, board: str) -> None:
    seen = fault.act(board)
    assert seen.left == fault.left
    assert fault.within_ms is None or seen.took_ms <= fault.within_ms
