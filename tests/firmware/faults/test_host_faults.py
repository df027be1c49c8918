"""Every declared single fault that the host sees by itself ends its session as declared, and within its time."""

from __future__ import annotations

import sys
from pathlib import Path

import pytest

sys.path.insert(0, str(Path(__file__).parent))

from host_faults import HOST_FAULTS, HostFault


@pytest.mark.parametrize("fault", HOST_FAULTS, ids=[fault.name for fault in HOST_FAULTS])
def test_a_fault_ends_the_session_as_declared(fault: HostFault) -> None:
    seen = fault.act()
    assert fault.sentence in seen.sentence
    assert seen.status == fault.status
    assert seen.took_s <= fault.within_s
    assert (seen.unknown > 0) == fault.unknown
