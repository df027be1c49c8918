"""What is left of a supervised run after a fault: power cut, a file that any tool opens, and a true word about it.

One try each, several at once: most of it is waiting. `tests/benchmarks/session/evidence_faults.py` makes twenty of
every fault, in every phase.
"""

from concurrent.futures import ThreadPoolExecutor

import pytest
from run_faults import FAULTS, attempt

AT_ONCE = 2  # cores of a small computer: a session that is kept waiting trips, as it should
PHASES = {"group HUP": "armed", "group INT": "coasting"}  # the others: turning


@pytest.fixture(scope="module")
def results(request, tmp_path_factory):
    """What was wrong with the run of each fault that was selected, by its title."""
    chosen = {item.callspec.params["fault"] for item in request.session.items if item.path == request.path}
    with ThreadPoolExecutor(AT_ONCE) as pool:
        tries = {
            fault.title: pool.submit(
                attempt, fault, PHASES.get(fault.title, "turning"), tmp_path_factory.mktemp("fault")
            )
            for fault in FAULTS
            if fault in chosen
        }
        return {title: one.result()[0] for title, one in tries.items()}


@pytest.mark.parametrize("fault", FAULTS, ids=lambda fault: fault.title)
def test_a_fault_in_mid_run_cuts_the_power_and_costs_no_evidence(results, fault):
    assert results[fault.title] == ""
