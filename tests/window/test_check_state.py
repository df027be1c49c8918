"""What the window shows before the spin, without Qt."""

from __future__ import annotations

import subprocess
import sys

import numpy as np
import pytest

from whirlbench.errors import BenchError
from whirlbench.rig.toml import example_rig_text, parse_rig
from whirlbench.window.pages.check_state import MODE_HEADINGS, SET_HEADINGS, STAGE_HEADINGS, CheckState, check_state


@pytest.fixture(scope="module")
def state() -> CheckState:
    return check_state(parse_rig(example_rig_text()))


def test_the_fitted_set_is_chosen_first(state: CheckState) -> None:
    assert state.chosen_name == "moulded"
    assert state.heading().startswith("moulded nylon: fit for 5300 rpm")


def test_choosing_the_printed_set_shows_its_failure(state: CheckState) -> None:
    printed = state.chosen("printed")
    assert "NOT FIT" in printed.heading() and "shear-out across layers" in printed.heading()
    fullest = printed.margins()[0]
    assert fullest.label == "shear-out across layers" and fullest.share > 1.0
    assert [curve.chosen for curve in printed.curves()] == [True, False, False]


def test_an_unknown_set_is_refused(state: CheckState) -> None:
    with pytest.raises(BenchError, match="wooden"):
        state.chosen("wooden")


def test_rows_fit_their_headings(state: CheckState) -> None:
    for rows, headings in (
        (state.set_rows(), SET_HEADINGS),
        (state.mode_rows(), MODE_HEADINGS),
        (state.stage_rows(), STAGE_HEADINGS),
    ):
        assert rows and all(len(row) == len(headings) for row in rows)


def test_margins_are_shares_of_what_is_permitted(state: CheckState) -> None:
    shares = [margin.share for margin in state.margins()]
    assert shares == sorted(shares, reverse=True)
    governing = state.design.mode("blade")
    assert governing is not None
    shown = next(margin for margin in state.margins() if margin.label == governing.name)
    assert shown.share == pytest.approx(governing.required / governing.reserve_factor)


def test_curves_cross_one_where_the_first_stress_has_used_its_reserve(state: CheckState) -> None:
    for design, curve in zip(state.check.designs, state.curves(), strict=True):
        assert np.all(np.diff(curve.use) > 0.0)
        first = min(mode.permitted_rpm for mode in design.modes if mode.judged)
        assert np.interp(1.0, curve.use, curve.rpm) == pytest.approx(first, rel=0.01)


def test_notices_put_warnings_first_and_hold_the_cautions(state: CheckState) -> None:
    kinds = [kind for kind, _ in state.notices()]
    assert kinds == sorted(kinds, key=("warning", "caution", "assumption").index)
    assert any("plane of rotation" in text for _, text in state.notices())


def test_profile_and_fragment(state: CheckState) -> None:
    profile = state.profile()
    assert profile is not None
    assert len(profile.radius_mm) == len(profile.direct_mpa) == len(profile.bending_mpa)
    assert profile.radius_mm[0] == pytest.approx(50.0)
    assert "J" in state.fragment_text()


def test_no_qt_is_needed() -> None:
    code = "import sys, whirlbench.window.pages.check_state; assert not [name for name in sys.modules if 'Qt' in name]"
    subprocess.run([sys.executable, "-c", code], check=True, timeout=60)
