"""Hostile frames under the sanitizers, short form; ``hostile_frames.py`` alone is the long one."""

from __future__ import annotations

import sys
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parent))

import hostile_frames


def test_hostile_frames_break_no_rule_and_reach_every_state() -> None:
    done = hostile_frames.play(200_000, seed=1)
    assert done["accepted_damaged"] == 0 and done["damaged"] > 40_000
    assert min(done["in_state"]) > 1_000 and min(done["entered"]) > 50 and done["trips"] > 50
