"""The sketch's table of states against that of ``whirlbench.safety.state_table``."""

from __future__ import annotations

import re

import build
import native_core
import pytest

from whirlbench.safety.state_table import Happening, Stand, advance

REFUSED = 0xFF


@pytest.mark.parametrize("event", Happening)
@pytest.mark.parametrize("state", Stand)
def test_the_sketch_s_table_of_states_is_that_of_the_host(state: Stand, event: Happening) -> None:
    step = advance(state, event)
    assert native_core.state_after(state, event) == (step.state if step.permitted else REFUSED)


def test_events_have_the_same_numbers_in_the_sketch() -> None:
    text = (build.SKETCH / "state_table.h").read_text(encoding="utf-8")
    found = re.findall(r"^  ([A-Z_]+) = (\d+),?", text, re.MULTILINE)
    assert found == [(event.name, str(event.value)) for event in Happening] + [("HAPPENINGS", str(len(Happening)))]
