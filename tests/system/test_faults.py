"""What is left of a supervised run after a fault: power cut, a file that any tool opens, and a true word about it.

One try each; `tests/benchmarks/session/evidence_faults.py` makes twenty of every fault, in every phase.
"""

import pytest
from run_faults import FAULTS, attempt

PHASES = {"group HUP": "armed", "group INT": "coasting"}  # the others: turning


@pytest.mark.parametrize("fault", FAULTS, ids=lambda fault: fault.title)
def test_a_fault_in_mid_run_cuts_the_power_and_costs_no_evidence(fault, tmp_path):
    wrong, _ = attempt(fault, PHASES.get(fault.title, "turning"), tmp_path)
    assert wrong == ""
