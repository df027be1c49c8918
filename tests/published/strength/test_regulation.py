"""Load factors of full-size rules, REG rows: read in the text of the rule unless a line says otherwise.

Not covered, because nothing here computes it: 35.35 exclusion of fixed-pitch wood and metal (wording), 35.43 hydraulic
parts, 35.37 and 35.24 (wording), the pre-2011 engine text, and EASA CS-P, of which only titles were seen.
"""

from __future__ import annotations

import pytest

from whirlbench.physics import yardsticks
from whirlbench.physics.yardsticks import LABEL, YARDSTICKS, LoadYardstick

HOUR_S, HALF_HOUR_S, FIVE_MINUTES_S = 3600.0, 1800.0, 300.0


def rule(part: str) -> LoadYardstick:
    return next(item for item in YARDSTICKS if part in item.source)


@pytest.mark.parametrize(
    ("paragraph", "factor", "held_s"),
    [
        pytest.param("35.35(a)", 2.0, HOUR_S, id="REG-1"),
        pytest.param("35.35(b)", 2.0, HOUR_S, id="REG-1b"),
        pytest.param("35.35(c)", 1.59, HALF_HOUR_S, id="REG-1c"),
        pytest.param("33.27", 1.44, FIVE_MINUTES_S, id="REG-8"),
    ],
)
def test_load_factor_and_duration(paragraph: str, factor: float, held_s: float) -> None:
    """14 CFR 35.35, Amdt 35-8, 73 FR 63348 (24 Oct 2008); 33.27, Amdt 33-31, 76 FR 42020 (18 Jul 2011). Read (T)."""
    assert rule(paragraph).load_factor == factor
    assert rule(paragraph).held_s == held_s


@pytest.mark.parametrize(
    ("paragraph", "speed_factor", "speed_rpm"),
    [
        pytest.param("35.35(a)", 1.414214, 11313.708, id="REG-2"),
        pytest.param("35.35(c)", 1.260952, 10087.616, id="REG-3"),
    ],
)
def test_load_factor_as_speed(paragraph: str, speed_factor: float, speed_rpm: float) -> None:
    """Twice the load is 1.414 times the speed, not twice: recomputed (R) from the rows above at 8000 rpm."""
    assert rule(paragraph).speed_factor == pytest.approx(speed_factor, abs=1e-6)
    assert rule(paragraph).speed_rpm(8000.0) == pytest.approx(speed_rpm, abs=1e-3)


def test_engine_overspeed_is_a_speed_of_120_percent() -> None:
    """REG-8, 14 CFR 33.27(a) current text (T): 120 % speed, load 1.44."""
    assert rule("33.27").speed_factor == pytest.approx(1.20, abs=1e-12)


def test_counts_of_the_functional_and_endurance_rules() -> None:
    """REG-4 35.41, REG-5 35.40 (paragraph on feathering not seen), REG-6 35.39: read in the text (T)."""
    assert (yardsticks.TRANSIENT_OVERSPEED_RUNS, yardsticks.TRANSIENT_OVERSPEED_S) == (20, 30.0)
    assert yardsticks.GOVERNING_CYCLES == 1500
    assert yardsticks.VARIABLE_PITCH_ENDURANCE_H == 110.0


def test_every_yardstick_is_labelled_as_borrowed_and_names_its_amendment() -> None:
    assert "borrowed" in LABEL and "no model" in LABEL
    assert all("Amdt" in item.source and "FR" in item.source for item in YARDSTICKS)
