"""The committed page of faults is what the declarations give."""

from __future__ import annotations

import sys
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parent))

import fault_table


def test_the_page_is_made_of_the_declarations() -> None:
    text = fault_table.PAGE.read_text(encoding="utf-8")
    assert fault_table.page(text) == text, "run: python tests/firmware/faults/fault_table.py"
    assert all(f"| {fault.name} |" in text for fault in (*fault_table.FAULTS, *fault_table.HOST_FAULTS))
