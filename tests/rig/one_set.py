"""The example rig with its fitted blade set alone: a check of it takes a third of the time."""

from __future__ import annotations

from whirlbench.rig.toml import example_rig_text

OTHERS, FITTED = "[blade_sets.printed]", "[blade_sets.moulded]"


def one_set_text() -> str:
    """Text of the example rig without the sets that are not fitted."""
    text = example_rig_text()
    return text[: text.index(OTHERS)] + text[text.index(FITTED) :]
